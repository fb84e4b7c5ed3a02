"""The lens data that a frame had before, as the manifest has it: text by standard tag names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from flangeback.frames.model import LensData

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
    found |= {name: _number(before[tag]) for tag, name in _NUMBERS.items() if tag in before}
    if found.get("focal_length_35mm") is not None:
        found["focal_length_35mm"] = int(found["focal_length_35mm"])
    found["specification"] = tuple(map(_number, before.get(_SPECIFICATION, "").split()))
    return LensData(**found)


def _number(text: str) -> Fraction | None:
    if not _RATIONAL.fullmatch(text):
        raise ValueError(f"{text} is no rational")
    return Fraction(text) or None
