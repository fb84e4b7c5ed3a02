"""The tags flangeback writes, as data (CIPA DC-008, 4.6.5, 4.6.6 and 4.6.10; TIFF 6.0 types)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from fractions import Fraction
from typing import Self

ASCII, SHORT, RATIONAL = 2, 3, 5


class Tag(IntEnum):
    """Tags of the Exif directory, and DateTime of the main one (TIFF 6.0).

    `standard_name` is what the standard calls one, `type` the TIFF type it is written in.
    """

    standard_name: str
    type: int

    F_NUMBER = 0x829D, "FNumber", RATIONAL
    APERTURE_VALUE = 0x9202, "ApertureValue", RATIONAL
    MAX_APERTURE_VALUE = 0x9205, "MaxApertureValue", RATIONAL
    FOCAL_LENGTH = 0x920A, "FocalLength", RATIONAL
    FOCAL_LENGTH_35MM = 0xA405, "FocalLengthIn35mmFilm", SHORT
    LENS_SPECIFICATION = 0xA432, "LensSpecification", RATIONAL
    LENS_MAKE = 0xA433, "LensMake", ASCII
    LENS_MODEL = 0xA434, "LensModel", ASCII
    LENS_SERIAL_NUMBER = 0xA435, "LensSerialNumber", ASCII
    DATE_TIME_ORIGINAL = 0x9003, "DateTimeOriginal", ASCII
    SUB_SEC_TIME_ORIGINAL = 0x9291, "SubSecTimeOriginal", ASCII
    OFFSET_TIME_ORIGINAL = 0x9011, "OffsetTimeOriginal", ASCII
    DATE_TIME_DIGITIZED = 0x9004, "DateTimeDigitized", ASCII
    SUB_SEC_TIME_DIGITIZED = 0x9292, "SubSecTimeDigitized", ASCII
    OFFSET_TIME_DIGITIZED = 0x9012, "OffsetTimeDigitized", ASCII
    DATE_TIME = 0x0132, "DateTime", ASCII
    SUB_SEC_TIME = 0x9290, "SubSecTime", ASCII
    OFFSET_TIME = 0x9010, "OffsetTime", ASCII

    def __new__(cls, number: int, standard_name: str, type: int) -> Self:
        """A tag of this number."""
        tag = int.__new__(cls, number)
        tag._value_, tag.standard_name, tag.type = number, standard_name, type
        return tag


ORIGINAL = (Tag.DATE_TIME_ORIGINAL, Tag.SUB_SEC_TIME_ORIGINAL, Tag.OFFSET_TIME_ORIGINAL)
DIGITIZED = (Tag.DATE_TIME_DIGITIZED, Tag.SUB_SEC_TIME_DIGITIZED, Tag.OFFSET_TIME_DIGITIZED)
CHANGED = (Tag.DATE_TIME, Tag.SUB_SEC_TIME, Tag.OFFSET_TIME)
"""Date and time, sub-seconds, offset from UTC."""
TIME_TAGS = frozenset([*ORIGINAL, *DIGITIZED, *CHANGED])
"""Those that say when, not with what lens: written only when asked for."""
Rational = tuple[int, int]
"""Numerator and denominator, each of 32 bits without sign."""
Value = str | int | tuple[Rational, ...]


@dataclass(frozen=True, slots=True)
class TagValue:
    """One tag and the value to write.

    `value` is text for ASCII (7-bit), a whole number for SHORT, pairs for RATIONAL. `whole` is
    the text as XMP has it, where that differs: before transliteration, since XMP has no 7-bit
    limit, or a date and time of one piece (ISO 16684-1). `replaces` marks a lens that comes in the
    place of another one, by what the frame says.
    """

    tag: Tag
    value: Value
    whole: str | None = None
    replaces: bool = False

    @property
    def name(self) -> str:
        """The tag's standard name."""
        return self.tag.standard_name

    @property
    def type(self) -> int:
        """The TIFF type it is written in."""
        return self.tag.type

    @property
    def text(self) -> str:
        """The text in full, where the value is text."""
        assert isinstance(self.value, str)
        return self.value if self.whole is None else self.whole

    @property
    def numbers(self) -> tuple[Fraction | None, ...]:
        """The value as numbers; None stands for unknown (0/0). Empty for text."""
        if isinstance(self.value, str):
            return ()
        if isinstance(self.value, int):
            return (Fraction(self.value),)
        return tuple(Fraction(top, below) if below else None for top, below in self.value)
