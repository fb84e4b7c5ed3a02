"""CRW-type raw: a heap of records with directories at their ends (Camera Image File Format)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import cached_property
from typing import ClassVar, Literal

from flangeback.formats.other_raw import OtherRaw, exif_block, text
from flangeback.formats.reader import Damaged
from flangeback.formats.tiff_block import Block

_MOST_RECORDS, _DEEPEST, _LONGEST_RECORD = 2048, 8, 1 << 12
_INLINE, _HEAPS, _KIND = 0x4000, (0x2800, 0x3000), 0x3800
"""A record whose data stand in its entry, records that are heaps of their own, the bits for it."""
_NUMBER = 0x3FFF
_BODY, _TIME, _SERIAL, _FOCAL_LENGTH, _SHOT = 0x080A, 0x180E, 0x180B, 0x1029, 0x102A
_F_NUMBER_AT = 42
"""Where in the shot's record the f-number stands: 32 times its APEX value."""


class RawHeap(OtherRaw):
    """A raw file that is a heap."""

    code: ClassVar = "raw-heap"
    mark: ClassVar = (6, b"HEAPCCDR")

    @cached_property
    def exif(self) -> Block:
        self._order: Literal["little", "big"] = (
            "little" if self.reader.read(0, 2) == b"II" else "big"
        )
        start = int.from_bytes(self.reader.read(2, 6), self._order)
        self._left = _MOST_RECORDS
        records = dict(self._records(start, self.reader.size, _DEEPEST))
        if _BODY not in records:
            raise Damaged("the heap doesn't name its body")
        maker, _, model = records[_BODY].partition(b"\0")
        f_number = self._short(records.get(_SHOT, b""), _F_NUMBER_AT)
        serial = int.from_bytes(records.get(_SERIAL, b"")[:4], self._order)
        return exif_block(
            text(maker),
            text(model),
            str(serial) if serial else "",
            int.from_bytes(records.get(_TIME, b"")[:4], self._order),
            2 ** (f_number / 64) if 0 < f_number < 1024 else None,
            self._short(records.get(_FOCAL_LENGTH, b""), 2) or None,
        )

    def _short(self, data: bytes, at: int) -> int:
        return int.from_bytes(data[at : at + 2], self._order)

    def _records(self, start: int, end: int, depth: int) -> Iterator[tuple[int, bytes]]:
        """The records of a heap and of those within it: number and data. Raises Damaged."""
        if not 0 <= start <= end - 4 or end > self.reader.size or not depth:
            raise Damaged("a heap lies outside the file, or too deep")
        at = start + int.from_bytes(self.reader.read(end - 4, end), self._order)
        count = int.from_bytes(self.reader.read(at, at + 2), self._order)
        self._left -= count
        rows = self.reader.read(at + 2, at + 2 + 10 * count)
        if self._left < 0 or len(rows) < 10 * count:
            raise Damaged("the heap's directory is cut short, or too long")
        form = ("<" if self._order == "little" else ">") + "HII"
        for n in range(count):
            tag, size, offset = struct.unpack_from(form, rows, 10 * n)
            if tag & _INLINE:
                yield tag & _NUMBER, rows[10 * n + 2 : 10 * n + 10]
            elif tag & _KIND in _HEAPS:
                yield from self._records(start + offset, start + offset + size, depth - 1)
            elif size <= _LONGEST_RECORD:
                yield tag & _NUMBER, self.reader.read(start + offset, start + offset + size)
