"""JPEG XL files: the Exif and the XMP box (ISO/IEC 18181-2)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from functools import cached_property
from typing import ClassVar

from flangeback.formats import xmp
from flangeback.formats.frame_file import FrameFile
from flangeback.formats.iso_boxes import Box, boxes
from flangeback.formats.new_block import new_block
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.splices import Refused, Splice, changed, in_order
from flangeback.formats.tiff_block import Block
from flangeback.formats.tiff_edit import applied_to
from flangeback.tags.table import TagValue

_CONTAINER = b"\0\0\0\x0cJXL \r\n\x87\n"
_CODESTREAM = b"\xff\x0a"
_PICTURE = (b"jxlc", b"jxlp")
_GREATEST = 2**32 - 1024


class JpegXl(FrameFile):
    """A JPEG XL file: boxes, or a bare codestream, which has no place for metadata."""

    code: ClassVar = "jpeg-xl"
    title: ClassVar = "JPEG XL"
    suffixes: ClassVar = (".jxl",)
    rank: ClassVar = 2

    @staticmethod
    def recognises(reader: FileReader) -> bool:
        return reader.read(0, 12) == _CONTAINER or reader.read(0, 2) == _CODESTREAM

    @cached_property
    def _boxes(self) -> tuple[Box, ...]:
        """All of them; none of a bare codestream. Raises Damaged."""
        if self.reader.read(0, 2) == _CODESTREAM:
            return ()
        found = tuple(boxes(self.reader, 0, self.reader.size))
        for box in found:
            kind = self.reader.read(box.start, box.start + 4) if box.type == b"brob" else b""
            if kind in (b"Exif", b"xml "):
                raise Damaged("its metadata are compressed, which isn't read")
        return found

    def _first(self, *kinds: bytes) -> Box | None:
        return next((box for box in self._boxes if box.type in kinds), None)

    @cached_property
    def exif(self) -> Block | None:
        """The box begins with four bytes that say how many more stand before the block."""
        box = self._first(b"Exif")
        if box is None:
            return None
        start = self._block_start(box)
        if start > box.end:
            raise Damaged("the Exif box is cut short")
        return Block(Stretch(self.reader, start, box.end))

    def _block_start(self, box: Box) -> int:
        return box.start + 4 + int.from_bytes(self.reader.read(box.start, box.start + 4), "big")

    @property
    def packet(self) -> bytes:
        box = self._first(b"xml ")
        return b"" if box is None else self.reader.read(box.start, box.end)

    @property
    def holds_seal(self) -> bool:
        box = self._first(b"jumb")
        return box is not None and b"c2pa" in self.reader.read(box.start, box.start + 64)

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        if not self._boxes:
            return "a bare codestream has no place for Exif data"
        if self._first(b"jbrd") is not None:
            return "the JPEG that it was made from couldn't be made from it any more"
        return None

    def edit(
        self, values: Sequence[TagValue], *, add_packet: bool = False, date: str | None = None
    ) -> tuple[Splice, ...]:
        picture = self._first(*_PICTURE)
        if self.obstacle(values) or picture is None:
            raise Refused(self.obstacle(values) or "there is no picture in it")
        box, block = self._first(b"Exif"), self.exif
        if box is None or block is None:
            contents = bytes(4) + new_block(values, None, _GREATEST)
        else:
            fresh = applied_to(block, values, _GREATEST)
            contents = self.reader.read(box.start, self._block_start(box)) + fresh
        splices = [self._placed(box, b"Exif", contents, picture)]
        packet_box = self._first(b"xml ")
        if packet_box is not None:
            packet = self.packet_after(values, add_packet=add_packet, date=date)
            if packet is not None:
                splices.append(self._placed(packet_box, b"xml ", packet, picture))
        elif add_packet:
            splices.append(self._placed(None, b"xml ", xmp.new_packet(values), picture))
        return in_order(splices)

    def _placed(self, box: Box | None, kind: bytes, contents: bytes, picture: Box) -> Splice:
        """The box with these contents in its place; a new one before the picture."""
        fresh = struct.pack(">I4s", len(contents) + 8, kind) + contents
        if box is None:
            return Splice(picture.at, picture.at, fresh)
        if box.is_open or box.start != box.at + 8:
            raise Refused(f"the {kind.decode()} box has no size that can be changed")
        return changed(box.at, self.reader.read(box.at, box.end), fresh)
