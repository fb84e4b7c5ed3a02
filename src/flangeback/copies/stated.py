"""Values as the manifest has them: those that a copy was given, and what the frame had before."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from typing import Any

from flangeback.frames.model import LensData
from flangeback.tags.table import TagValue

Number = Fraction | None
"""A rational; None for one over 0, which is how Exif says "unknown" (CIPA DC-008)."""


@dataclass(frozen=True, slots=True)
class Stated:
    """Values as text by their tags' standard names.

    A rational is "28/10", several have spaces between. `whole` has those that XMP states otherwise:
    a text as it was before transliteration, a date in one piece.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    whole: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, values: Sequence[TagValue]) -> Stated:
        """What a copy with these tag values has to state."""
        return cls(
            {value.name: value_text(value) for value in values},
            {value.name: value.whole for value in values if value.whole is not None},
        )

    def of_name(self, name: str) -> Stated:
        """The value of this name alone."""
        return Stated({name: self.values[name]}, self.whole)


def value_text(value: TagValue) -> str:
    """One tag value as text."""
    if isinstance(value.value, tuple):
        return " ".join(f"{top}/{below}" for top, below in value.value)
    return str(value.value)


@lru_cache(maxsize=64)
def asked_digest(values: tuple[TagValue, ...], *, packet: bool) -> str:
    """The digest of what is asked for one file: its values, and whether a packet states them.

    The frames of a span are asked for the same.
    """
    from xxhash import xxh3_64

    words = [[value.name, value_text(value), value.whole] for value in values]
    return str(xxh3_64(json.dumps([words, packet]).encode()).hexdigest())


def numbers(text: str) -> list[tuple[int, int]]:
    """The numerators and denominators of a text such as "28/10 35/1 50".

    Raises ValueError where it isn't one.
    """
    pairs = (part.partition("/") for part in text.split())
    return [(int(top), int(below) if slash else 1) for top, slash, below in pairs]


def fraction(top: int, below: int) -> Number:
    """The number that a numerator and a denominator make."""
    return Fraction(top, below) if below else None


_TEXTS = {"LensMake": "maker", "LensModel": "lens", "LensSerialNumber": "serial"}
_NUMBERS = {
    "FNumber": "f_number",
    "FocalLength": "focal_length",
    "FocalLengthIn35mmFilm": "focal_length_35mm",
}
_SPECIFICATION = "LensSpecification"
KNOWN_BEFORE = (*_NUMBERS, _SPECIFICATION, *_TEXTS)
"""The tags whose values before a manifest may have."""
_RATIONAL = re.compile(r"\d{1,10}(/0*[1-9]\d{0,9})?")
"""A rational of 32 bits (TIFF 6.0), or one that is no fraction."""


def before_texts(data: LensData) -> dict[str, str]:
    """What isn't blank of a frame's lens data; a focal length of unknown end is 0."""
    names = _TEXTS | _NUMBERS
    found = {tag: getattr(data, name) for tag, name in names.items()}
    texts = {tag: str(value) for tag, value in found.items() if value is not None}
    if data.specification:
        texts[_SPECIFICATION] = " ".join(str(value or 0) for value in data.specification)
    return texts


def lens_data_of(before: Mapping[str, str]) -> LensData:
    """The lens data again. Raises ValueError where a number is none."""
    found: dict[str, Any] = {name: before.get(tag) for tag, name in _TEXTS.items()}
    found |= {name: _known(before[tag]) for tag, name in _NUMBERS.items() if tag in before}
    if found.get("focal_length_35mm") is not None:
        found["focal_length_35mm"] = int(found["focal_length_35mm"])
    found["specification"] = tuple(map(_known, before.get(_SPECIFICATION, "").split()))
    return LensData(**found)


def _known(text: str) -> Fraction | None:
    if not _RATIONAL.fullmatch(text):
        raise ValueError(f"{text} is no rational")
    return Fraction(text) or None
