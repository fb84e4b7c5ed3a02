"""JPEG XL files: the Exif and the XMP box (ISO/IEC 18181-2)."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import ClassVar

from flangeback.formats.frame_file import SEVERAL_BLOCKS
from flangeback.formats.parts import FileOfParts, Part, boxes
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import Block
from flangeback.tags.table import TagValue

_CONTAINER = b"\0\0\0\x0cJXL \r\n\x87\n"
_CODESTREAM = b"\xff\x0a"
_PICTURE = (b"jxlc", b"jxlp")
_GREATEST = 2**32 - 1024
_LONGEST = 1 << 24
"""Bytes of metadata, beyond which they aren't a camera's."""


class JpegXl(FileOfParts):
    """A JPEG XL file: boxes, or a bare codestream, which has no place for metadata."""

    code: ClassVar = "jpeg-xl"
    title: ClassVar = "JPEG XL"
    suffixes: ClassVar = (".jxl",)
    rank: ClassVar = 2

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        return reader.read(0, 12) == _CONTAINER or reader.read(0, 2) == _CODESTREAM

    def walk(self) -> Iterator[Part]:
        """The boxes; none of a bare codestream."""
        is_bare = self.reader.read(0, 2) == _CODESTREAM
        return iter(()) if is_bare else boxes(self.reader, 0, self.reader.size)

    def _all_metadata(self, kind: bytes) -> Iterator[tuple[Part, bytes]]:
        """The boxes of metadata of this type, and their contents. Raises Damaged.

        A compressed one (brob) begins with the type of what is in it.
        """
        for box in self.all_of(kind, b"brob"):
            data = self.reader.read(box.start, min(box.end, box.start + _LONGEST))
            if box.type == kind:
                yield box, data
            elif data[:4] == kind:
                yield box, _inflated(data[4:])

    def _metadata(self, kind: bytes) -> tuple[Part, bytes] | None:
        """The first of them."""
        return next(self._all_metadata(kind), None)

    @cached_property
    def exif(self) -> Block | None:
        found = self._metadata(b"Exif")
        return None if found is None else Block(found[1][_lead(found[1]) :])

    @cached_property
    def packets(self) -> Sequence[bytes]:
        return [data for _, data in self._all_metadata(b"xml ")]

    @property
    def holds_seal(self) -> bool:
        found = self._metadata(b"jumb")
        return found is not None and b"c2pa" in found[1][:64]

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        if not self.parts:
            return "a bare codestream has no place for Exif data"
        if self.first(b"jbrd") is not None:
            return "the JPEG that it was made from couldn't be made from it any more"
        return super().obstacle(values)

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        from flangeback.formats.tiff_edit import applied_to, new_block

        if (why := self.obstacle(values)) is not None:
            raise Refused(why)
        if len(list(self._all_metadata(b"Exif"))) > 1:
            raise Refused(SEVERAL_BLOCKS)
        found = self._metadata(b"Exif")
        lead = bytes(4) if found is None else found[1][: _lead(found[1])]
        fresh = lead + applied_to(self.exif or new_block(None), values, _GREATEST)
        yield self._metadata_splice(found, b"Exif", fresh)
        if packet is not None:
            yield self._metadata_splice(self._metadata(b"xml "), b"xml ", packet)

    def _metadata_splice(
        self, found: tuple[Part, bytes] | None, kind: bytes, contents: bytes
    ) -> Splice:
        """The box with these contents, not compressed; a new one comes before the picture."""
        picture, box = self.first(*_PICTURE), found[0] if found else None
        if picture is None:
            raise Refused("there is no picture in it")
        if box is not None and (box.is_open or box.start != box.at + 8):
            raise Refused(f"the {kind.decode()} box has no size that can be changed")
        fresh = struct.pack(">I4s", len(contents) + 8, kind) + contents
        return self.placed(box, fresh, picture.at)


def _lead(data: bytes) -> int:
    """How many bytes of an Exif box stand before its TIFF block: four say how many follow."""
    lead = 4 + int.from_bytes(data[:4], "big")
    if lead > len(data):
        raise Damaged("the Exif box is cut short")
    return lead


def _inflated(data: bytes) -> bytes:
    """What a compressed box holds (RFC 7932). Raises Damaged."""
    try:
        import brotli
    except ImportError:
        raise Damaged(
            'its metadata are compressed; pip install "flangeback[jxl]" has them read'
        ) from None
    inflating = brotli.Decompressor()
    try:
        found: bytes = inflating.process(data, output_buffer_limit=_LONGEST)
    except brotli.error as error:
        raise Damaged(f"its metadata are compressed and can't be read: {error}") from None
    if not inflating.is_finished():
        raise Damaged("its metadata are compressed and break off, or are absurdly long")
    return found
