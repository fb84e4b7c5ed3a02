"""What lens data Exif and XMP state (CIPA DC-008, CIPA DC-010, ISO 16684-1)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

from flangeback.formats import xmp
from flangeback.formats.tiff_block import Directory
from flangeback.frames.model import LensData, filled, is_blank
from flangeback.tags.table import TIME_TAGS, Tag

_WIDEST_APEX = 20
_LENS_INFO = 0xC630
"""The lens's specification in a DNG file (DNG specification)."""
_STATING = frozenset([*map(int, Tag), _LENS_INFO]) - TIME_TAGS
_NOTHING = LensData()


def lens_fields(*places: LensData) -> dict[str, Any]:
    """What several places of one frame state, each by itself and all together: its two fields.

    Together a place that names a lens comes first, then one with an f-number: a focal length that
    stands alone is the one registered for the stabiliser.
    """
    stated = tuple(place for place in places if place != _NOTHING)
    if len(stated) < 2:
        return {"lens_data": stated[0] if stated else _NOTHING, "stated": stated}
    order = sorted(stated, key=lambda one: (not one.says_lens, one.f_number is None))
    together = _NOTHING
    for place in order:
        blank = [f.name for f in fields(LensData) if not getattr(together, f.name)]
        together = replace(together, **{name: getattr(place, name) for name in blank})
    return {"lens_data": together, "stated": stated}


def lens_data_of_exif(exif: Directory) -> LensData:
    """What the Exif directory states, or the main one, where some writers put these tags too."""
    return _lens_data(exif) if exif.has_any(_STATING) else _NOTHING


def lens_data_of_packet(packet: bytes) -> LensData:
    """What an XMP packet states; nothing where it can't be read."""
    stated = xmp.stated(packet) if packet else None
    return _lens_data(_InPacket(stated)) if stated else _NOTHING


class _InPacket(NamedTuple):
    """A packet's properties, each with its texts."""

    texts: Mapping[int, tuple[str, ...]]

    def text(self, tag: int) -> str:
        return " ".join(self.texts.get(tag, ()))

    def number(self, tag: int) -> Fraction | None:
        return next(iter(self.numbers(tag)), None)

    def numbers(self, tag: int) -> Sequence[Fraction | None]:
        return [rational(word) for word in self.text(tag).split()]


def _lens_data(place: Directory | _InPacket) -> LensData:
    """The lens data without an f-number that no lens gave.

    Bodies without a lens contact write f-numbers of 1 and wider: such a one, with no lens named,
    says nothing (common practice).
    """

    def text(tag: Tag) -> str | None:
        return None if is_blank(found := place.text(tag)) else found.strip()

    def number(tag: Tag) -> Fraction | None:
        return filled(place.number(tag))

    found = LensData(
        lens=text(Tag.LENS_MODEL),
        f_number=number(Tag.F_NUMBER) or _of_apex(number(Tag.APERTURE_VALUE)),
        focal_length=number(Tag.FOCAL_LENGTH),
        focal_length_35mm=int(number(Tag.FOCAL_LENGTH_35MM) or 0) or None,
        maker=text(Tag.LENS_MAKE),
        serial=text(Tag.LENS_SERIAL_NUMBER),
        specification=_specification(place.numbers(Tag.LENS_SPECIFICATION))
        or _specification(place.numbers(_LENS_INFO)),
        widest_f_number=_of_apex(number(Tag.MAX_APERTURE_VALUE)),
    )
    if found.says_lens or found.f_number is None or found.f_number > 1:
        return found
    return replace(found, f_number=None)


def rational(word: str) -> Fraction | None:
    """A number as XMP has it, 28/10; None over zero, or where it isn't one."""
    try:
        return Fraction(word)
    except (ValueError, ZeroDivisionError):
        return None


def _specification(values: Iterable[Fraction | None]) -> tuple[Fraction | None, ...]:
    found = tuple(filled(value) for value in values)
    return found if any(found) else ()


@lru_cache(maxsize=256)
def _of_apex(value: Fraction | None) -> Fraction | None:
    """The f-number of an APEX value: N = 2^(Av/2)."""
    apex = filled(value)
    if apex is None or apex > _WIDEST_APEX:
        return None
    return Fraction(2 ** (float(apex) / 2)).limit_denominator(100)
