"""CR3-type raw: ISO media whose metadata boxes are TIFF blocks (ISO/IEC 14496-12; as seen)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cached_property
from typing import ClassVar

from flangeback.formats.frame_file import Metadata
from flangeback.formats.other_raw import OtherRaw
from flangeback.formats.parts import Part, boxes, has_brand
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.tiff_block import NO_DIRECTORY, Block, Directory

_METADATA = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_PACKET = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
"""Types of the user boxes that hold the metadata boxes and the XMP packet (ISO 16684-3)."""
_THUMBNAIL_HEAD = 16
_LONGEST_PACKET = 1 << 20


class RawBoxes(OtherRaw):
    """A raw file in boxes: CMT1 has the main directory, CMT2 the Exif, CMT4 the GPS directory."""

    code: ClassVar = "raw-boxes"

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        return has_brand(reader, frozenset([b"crx "]))

    @cached_property
    def _parts(self) -> Mapping[bytes, Part]:
        """The metadata boxes by their types. Raises Damaged."""
        for box in boxes(self.reader, 0, self.reader.size):
            if box.type == b"moov":
                for inner in boxes(self.reader, box.start, box.end):
                    if inner.type == b"uuid" and self._type_of(inner) == _METADATA:
                        parts = boxes(self.reader, inner.start + 16, inner.end)
                        return {part.type: part for part in parts}
        raise Damaged("there are no metadata boxes")

    def _type_of(self, box: Part) -> bytes:
        return self.reader.read(box.start, box.start + 16)

    def _block(self, name: bytes) -> Block | None:
        part = self._parts.get(name)
        return None if part is None else Block(Stretch(self.reader, part.start, part.end))

    @property
    def exif(self) -> Block | None:
        return self._block(b"CMT1")

    def metadata(self) -> Metadata | None:
        def directory(name: bytes) -> Directory:
            block = self._block(name)
            return NO_DIRECTORY if block is None else block.main()

        gps = NO_DIRECTORY
        with suppress(Damaged):  # Nothing else depends on it.
            gps = directory(b"CMT4")
        return Metadata(directory(b"CMT1"), directory(b"CMT2"), gps)

    @cached_property
    def packets(self) -> Sequence[bytes]:
        with suppress(Damaged):
            for box in boxes(self.reader, 0, self.reader.size):
                if box.type == b"uuid" and self._type_of(box) == _PACKET:
                    end = min(box.end, box.start + _LONGEST_PACKET)
                    return [self.reader.read(box.start + 16, end)]
        return ()

    def preview(self, longest: int) -> bytes | None:
        part = self._parts.get(b"THMB")
        if part is None or part.end - part.start > longest:
            return None
        return self.reader.read(part.start + _THUMBNAIL_HEAD, part.end)
