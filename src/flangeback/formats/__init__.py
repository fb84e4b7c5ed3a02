"""The formats that frames come in, one module each: how to recognise, read and edit them.

Nothing moves in an edit: it is a list of splices, and every byte outside them stays where it is. A
new format is a module and a line in FORMATS.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from flangeback.formats.frame_file import FrameFile as FrameFile
from flangeback.formats.heif import Heif
from flangeback.formats.jpeg import Jpeg
from flangeback.formats.jxl import JpegXl
from flangeback.formats.png import Png
from flangeback.formats.raw_block import RawBlock
from flangeback.formats.raw_boxes import RawBoxes
from flangeback.formats.raw_heap import RawHeap
from flangeback.formats.raw_jpeg import RawWithJpeg
from flangeback.formats.raw_sections import RawSections
from flangeback.formats.reader import Damaged as Damaged
from flangeback.formats.reader import FileReader as FileReader
from flangeback.formats.splices import Refused as Refused
from flangeback.formats.splices import Splice as Splice
from flangeback.formats.splices import applied as applied
from flangeback.formats.tiff import BigTiff, RawTiff, Tiff
from flangeback.formats.webp import WebP
from flangeback.tags.table import TagValue

FORMATS: tuple[type[FrameFile], ...] = (
    Jpeg,
    RawBoxes,
    RawWithJpeg,
    RawBlock,
    RawSections,
    RawHeap,
    Heif,
    Png,
    WebP,
    JpegXl,
    RawTiff,
    Tiff,
    BigTiff,
)
"""In the order in which they are tried."""

BY_CODE: Mapping[str, type[FrameFile]] = {format.code: format for format in FORMATS}
BY_SUFFIX: Mapping[str, type[FrameFile]] = {
    suffix: format for format in FORMATS for suffix in format.suffixes
}
"""Suffixes of the published picture formats: a file that has one is a frame, damaged if need be."""


def recognised(reader: FileReader) -> FrameFile | None:
    """A file as its content shows it; None where it isn't a frame's. Raises OSError."""
    return next((format(reader) for format in FORMATS if format.recognises(reader)), None)


def edit_file(path: Path, values: Sequence[TagValue]) -> tuple[Splice, ...]:
    """The splices that put `values` into a picture's metadata.

    Raises Refused where it can't be done, Damaged where the file can't be read as what it is,
    OSError.
    """
    with FileReader(path) as reader:
        file = recognised(reader)
        if file is None:
            raise Refused("the file isn't a picture of a format that is known")
        if (why := file.obstacle(values)) is not None:
            raise Refused(why)
        return file.edit(values)
