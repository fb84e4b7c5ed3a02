"""MRW-type raw: a TIFF block among the blocks of a header of its own (as seen)."""

from __future__ import annotations

from functools import cached_property
from typing import ClassVar

from flangeback.formats.other_raw import OtherRaw, whole
from flangeback.formats.reader import Damaged, Stretch
from flangeback.formats.tiff_block import Block


class RawBlock(OtherRaw):
    """A raw file of a header of named blocks, big-endian, and the picture's data."""

    code: ClassVar = "raw-block"
    mark: ClassVar = (0, b"\0MRM")

    @cached_property
    def exif(self) -> Block:
        at, end = 8, 8 + int.from_bytes(self.reader.read(4, 8), "big")
        while at + 8 <= end:
            head = whole(self.reader.read(at, at + 8), 8, "header")
            start, at = at + 8, at + 8 + int.from_bytes(head[4:], "big")
            if head[:4] == b"\0TTW":
                return Block(Stretch(self.reader, start, min(at, self.reader.size)))
        raise Damaged("there is no block with the Exif data")
