"""The lens that a body kept in its MakerNote alone, by the published tables of ExifRead."""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from fractions import Fraction
from typing import Any

from flangeback.formats import FrameFile
from flangeback.formats.tiff_block import MAKER_NOTE
from flangeback.frames.model import Frame, LensData, is_blank
from flangeback.words import number

_ABOUT_A_LENS = "MakerNote Lens"
_NAME = re.compile(r"(?=.*\d ?mm\b)\S.{0,80}")
"""A lens's name has its focal length in it; a bare number stands for a lens nobody can tell."""
_FOCAL_LENGTHS, _F_NUMBERS = (1, 3000), (Fraction(1, 2), 64)
_AT_HAND = 1 << 20
"""Bytes of the block that ExifRead is given: where a raw file has its directories."""
_HEAD_OF_NOTE = 16
"""Bytes of the note by which ExifRead tells its maker; it would go through all, one at a time."""
_MOST_READS = 1 << 13
"""Beyond this a count isn't a camera's."""


def noted_lens(frame: Frame) -> LensData:
    """The name or specification of a lens that a frame's MakerNote has; nothing where none tells.

    It is evidence in words, never a value to write.
    """
    tags: Mapping[str, Any] = {}
    with suppress(Exception):  # A damaged note makes ExifRead raise almost anything.
        tags = {} if (source := frame.source) is None else _tags(source)
    noted = [tag for name, tag in tags.items() if name.startswith(_ABOUT_A_LENS)]
    names = (str(tag).strip() for tag in noted)
    name = next((one for one in names if _NAME.fullmatch(one) and not is_blank(one)), None)
    found = next(filter(None, (_specification(tag.values) for tag in noted)), ())
    return LensData(lens=name or _in_words(found), specification=found)


def _tags(source: FrameFile) -> Mapping[str, Any]:
    """What ExifRead finds in the file's Exif block, in the MakerNote too."""
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    with source:
        metadata = source.metadata()
        note = None if metadata is None else metadata.exif.find(MAKER_NOTE)
        if metadata is None or note is None or note.size <= _HEAD_OF_NOTE:
            return {}
        block = metadata.exif.block
        data = bytearray(block.read(0, _AT_HAND))
    data[note.at + 4 : note.at + 8] = _HEAD_OF_NOTE.to_bytes(4, block.byte_order)
    found: Mapping[str, Any] = exifread.process_file(_Bounded(data), extract_thumbnail=False)
    return found


class _Bounded(io.BytesIO):
    """Bytes that can be read from so often and no more."""

    left = _MOST_READS

    def read(self, count: int | None = -1) -> bytes:
        self.left -= 1
        if self.left < 0:
            raise EOFError("the MakerNote leads to too many values")
        return super().read(count)


def _specification(values: Any) -> tuple[Fraction, ...]:
    """Four numbers that can be a lens's focal lengths (mm) and f-numbers at each (CIPA DC-008)."""
    if not isinstance(values, list) or len(values) != 4:
        return ()
    if not all(getattr(value, "denominator", 0) for value in values):
        return ()
    found = tuple(Fraction(value.numerator, value.denominator) for value in values)
    is_a_lens = (
        _FOCAL_LENGTHS[0] <= found[0] <= found[1] <= _FOCAL_LENGTHS[1]
        and _F_NUMBERS[0] <= found[2] <= found[3] <= _F_NUMBERS[1]
    )
    return found if is_a_lens else ()


def _in_words(specification: Sequence[Fraction]) -> str | None:
    if not specification:
        return None
    ends = ["-".join(dict.fromkeys(map(number, specification[n : n + 2]))) for n in (0, 2)]
    return f"{ends[0]}mm f/{ends[1]}"
