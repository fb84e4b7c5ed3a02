"""WebP files: the EXIF and the XMP chunk (RFC 9649)."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import ClassVar

from flangeback.formats.frame_file import SEVERAL_BLOCKS
from flangeback.formats.parts import MOST_PARTS, FileOfParts, Part
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import Block
from flangeback.tags.table import TagValue

_LEAD = b"Exif\0\0"
"""What some writers put before the TIFF block, as in a JPEG."""
_XMP = (b"XMP ", b"XMP\0")
"""The packet's chunk; the second is a common slip (as seen)."""
_HAS_PROFILE, _HAS_EXIF, _HAS_XMP = 0x20, 0x08, 0x04
"""Flags of the extended header."""
_GREATEST = 2**32 - 2


class WebP(FileOfParts):
    """A WebP file."""

    code: ClassVar = "webp"
    title: ClassVar = "WebP"
    suffixes: ClassVar = (".webp",)
    rank: ClassVar = 2

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        head = reader.read(0, 12)
        return head[:4] == b"RIFF" and head[8:] == b"WEBP"

    def walk(self) -> Iterator[Part]:
        at, end = 12, 8 + int.from_bytes(self.reader.read(4, 8), "little")
        if end > self.reader.size:
            raise Damaged("the WebP file is cut short")
        for _ in range(MOST_PARTS):
            head = self.reader.read(at, min(at + 8, end))
            if len(head) < 8:
                break
            start, size = at + 8, int.from_bytes(head[4:], "little")
            after = start + size + size % 2  # Contents are padded to an even length.
            if after > end:
                raise Damaged(f"the WebP chunk at byte {at} runs past the end")
            yield Part(head[:4], at, start, start + size, after)
            at = after
        if at != end or end == 12:
            raise Damaged("the WebP chunks don't lead to the file's end")

    @cached_property
    def exif(self) -> Block | None:
        chunk = self.first(b"EXIF")
        if chunk is None:
            return None
        return Block(Stretch(self.reader, chunk.start + self._lead(chunk), chunk.end))

    def _lead(self, chunk: Part) -> int:
        lead = self.reader.read(chunk.start, chunk.start + len(_LEAD))
        return len(_LEAD) if lead == _LEAD else 0

    @cached_property
    def packets(self) -> Sequence[bytes]:
        return [self.contents(chunk) for chunk in self.all_of(*_XMP)]

    @property
    def holds_seal(self) -> bool:
        return self.first(b"C2PA") is not None

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        has_header = self.parts[0].type == b"VP8X"
        why = None if has_header else "its simple header has no place for Exif data"
        return why or super().obstacle(values)

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        from flangeback.formats.tiff_edit import applied_to, new_block

        chunk, text, end = self.first(b"EXIF"), self.first(*_XMP), self.parts[-1].after
        if len(self.all_of(b"EXIF")) > 1:
            raise Refused(SEVERAL_BLOCKS)
        header = self.parts[0].start
        flags = self.reader.read(header, header + 1)[0]
        block = self.exif or new_block(self._size, has_profile=bool(flags & _HAS_PROFILE))
        lead = b"" if chunk is None else _LEAD[: self._lead(chunk)]
        fresh = lead + applied_to(block, values, _GREATEST)
        at = end if text is None else text.at
        splices = [self.placed(chunk, _encoded(b"EXIF", fresh), at)]
        flags |= _HAS_EXIF
        if packet is not None:
            kind = _XMP[0] if text is None else text.type
            splices.append(self.placed(text, _encoded(kind, packet), end))
            # Readers of the standard's name alone find none where the flag says that there is one.
            flags |= _HAS_XMP if self.first(_XMP[1]) is None else 0
        size = int.from_bytes(self.reader.read(4, 8), "little") + sum(s.growth for s in splices)
        flagged = Splice(header, header + 1, bytes([flags]))
        return [Splice(4, 8, struct.pack("<I", size)), flagged, *splices]

    @property
    def _size(self) -> tuple[int, int]:
        """Width and height, from the extended header: one less, in 24 bits each."""
        start = self.parts[0].start
        data = self.reader.read(start + 4, start + 10)
        return int.from_bytes(data[:3], "little") + 1, int.from_bytes(data[3:], "little") + 1


def _encoded(kind: bytes, contents: bytes) -> bytes:
    return kind + struct.pack("<I", len(contents)) + contents + bytes(len(contents) % 2)
