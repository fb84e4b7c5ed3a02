"""Raw files of structures that are neither read nor edited: a sidecar takes the values."""

from __future__ import annotations

from typing import ClassVar

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.reader import FileReader

_MARKS = (
    (6, b"HEAPCCDR"),
    (8, b"CCD-RAW"),
    (0, b"FOVb"),
    (0, b"\0MRM"),
    (4, b"ftypcrx "),
)
"""Where and by what such structures are known (common practice, from memory)."""


class OtherRaw(FrameFile):
    """A raw file of another structure than TIFF's."""

    code: ClassVar = "raw"
    title: ClassVar = "raw of a structure that isn't edited"
    is_raw: ClassVar = True
    is_readable: ClassVar = False

    @staticmethod
    def recognises(reader: FileReader) -> bool:
        head = reader.read(0, 16)
        return any(head[at : at + len(mark)] == mark for at, mark in _MARKS)

    @property
    def exif(self) -> None:
        return None

    @property
    def takes_values(self) -> bool:
        return False
