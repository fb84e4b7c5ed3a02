"""TIFF blocks: a byte order, directories of entries, values (TIFF 6.0, section 2).

A block is any buffer that starts with a TIFF header: the payload of a JPEG's Exif segment, or a
whole TIFF file. Offsets count from its start. Nothing here trusts the block: what runs past its
end is marked or refused, and directory cycles end the walk.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from mmap import mmap

Buffer = bytes | bytearray | memoryview | mmap

BYTE, ASCII, SHORT, LONG, RATIONAL = 1, 2, 3, 4, 5
UNDEFINED, SRATIONAL = 7, 10
TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
"""Bytes per value, by TIFF type (TIFF 6.0, section 2; 13 is IFD of Adobe's supplement 1)."""

_INTEGERS = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I"}
_FRACTIONS = {5: "I", 10: "i"}

EXIF_DIRECTORY, GPS_DIRECTORY, INTEROP_DIRECTORY, SUB_DIRECTORIES = 0x8769, 0x8825, 0xA005, 0x014A
MAKER_NOTE = 0x927C
_CHILDREN = (EXIF_DIRECTORY, GPS_DIRECTORY, INTEROP_DIRECTORY, SUB_DIRECTORIES)

ENTRY_SIZE = 12
MAGIC = 42
"""The number behind the byte order mark (TIFF 6.0, section 2)."""
_MOST_DIRECTORIES = 64


class Damaged(ValueError):
    """The structure can't be read; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A directory entry. `at` is where its 12 bytes start, `value_at` where its value does
    (inside the entry when it has at most four bytes), `size` the value's length in bytes."""

    tag: int
    type: int
    count: int
    at: int
    value_at: int
    size: int

    @property
    def inline(self) -> bool:
        return self.size <= 4


@dataclass(frozen=True, slots=True)
class Directory:
    """An image file directory at offset `at`; `next` is the offset of the following one, or 0."""

    at: int
    entries: tuple[Entry, ...]
    next: int

    @property
    def size(self) -> int:
        """Length in bytes, with the count and the next pointer."""
        return 2 + ENTRY_SIZE * len(self.entries) + 4

    def find(self, tag: int) -> Entry | None:
        """The first entry with this tag."""
        return next((entry for entry in self.entries if entry.tag == tag), None)


class Block:
    """A TIFF block, read on demand. `order` is "<" or ">" (struct's marks for the byte order).

    Raises Damaged when the header isn't TIFF's.
    """

    __slots__ = ("data", "first", "magic", "order", "size")

    def __init__(self, data: Buffer) -> None:
        self.data = data
        self.size = len(data)
        mark = bytes(data[:2])
        if mark not in (b"II", b"MM") or self.size < 8:
            raise Damaged("the TIFF block has no byte order mark")
        self.order = "<" if mark == b"II" else ">"
        self.magic: int
        self.first: int
        self.magic, self.first = struct.unpack_from(self.order + "HI", data, 2)

    def directory(self, at: int) -> Directory:
        """The directory at this offset. Raises Damaged when it runs past the block's end."""
        if not 8 <= at <= self.size - 2:
            raise Damaged(f"a directory at {at} lies outside the block of {self.size} bytes")
        (count,) = struct.unpack_from(self.order + "H", self.data, at)
        end = at + 2 + ENTRY_SIZE * count
        if end > self.size:
            raise Damaged(f"the directory at {at} has {count} entries, more than the block holds")
        entries = tuple(self._entry(at + 2 + ENTRY_SIZE * n) for n in range(count))
        # Some writers leave the next pointer out where the block ends (TIFF 6.0 asks for it).
        following = 0
        if end + 4 <= self.size:
            (following,) = struct.unpack_from(self.order + "I", self.data, end)
        return Directory(at, entries, following)

    def _entry(self, at: int) -> Entry:
        tag, kind, count, offset = struct.unpack_from(self.order + "HHII", self.data, at)
        size = TYPE_SIZES.get(kind, 1) * count
        return Entry(tag, kind, count, at, at + 8 if size <= 4 else offset, size)

    def holds(self, entry: Entry) -> bool:
        """Whether the entry's whole value lies inside the block."""
        return entry.value_at + entry.size <= self.size

    def raw(self, entry: Entry | None) -> bytes:
        """The value's bytes; empty when there is no entry or it runs past the end."""
        if entry is None or not self.holds(entry):
            return b""
        return bytes(self.data[entry.value_at : entry.value_at + entry.size])

    def text(self, entry: Entry | None) -> str:
        """An ASCII value up to its first NUL, without spaces around it."""
        found = self.raw(entry).split(b"\0", 1)[0]
        try:
            return found.decode("utf-8").strip()
        except UnicodeDecodeError:
            return found.decode("latin-1").strip()

    def numbers(self, entry: Entry | None) -> tuple[Fraction | None, ...]:
        """Whole numbers and rationals; None stands for a rational over zero."""
        data = self.raw(entry)
        if entry is None or not data:
            return ()
        if entry.type in _INTEGERS:
            form = f"{self.order}{entry.count}{_INTEGERS[entry.type]}"
            return tuple(Fraction(value) for value in struct.unpack(form, data))
        if entry.type in _FRACTIONS:
            form = f"{self.order}{2 * entry.count}{_FRACTIONS[entry.type]}"
            parts = struct.unpack(form, data)
            return tuple(
                Fraction(top, below) if below else None
                for top, below in zip(parts[::2], parts[1::2], strict=True)
            )
        return ()

    def number(self, entry: Entry | None) -> Fraction | None:
        """The first number of a value."""
        found = self.numbers(entry)
        return found[0] if found else None

    def offset(self, entry: Entry | None) -> int | None:
        """The offset that a pointer entry holds."""
        if entry is None or entry.type not in (LONG, 13) or entry.count < 1:
            return None
        value = self.number(entry)
        return None if value is None else int(value)

    def main(self) -> Directory:
        """The first directory (IFD0). Raises Damaged."""
        return self.directory(self.first)

    def child(self, parent: Directory, tag: int) -> Directory | None:
        """The directory that an entry of `parent` points to; None without one. Raises Damaged."""
        entry = parent.find(tag)
        if entry is None:
            return None
        at = self.offset(entry)
        if at is None:
            raise Damaged(f"the entry at {entry.at} should point to a directory and doesn't")
        return self.directory(at)

    def directories(self) -> Iterator[Directory]:
        """Every directory that can be reached, each once. Raises Damaged at one that can't."""
        waiting, seen = [self.first], set[int]()
        while waiting:
            at = waiting.pop()
            if at == 0 or at in seen:
                continue
            if len(seen) >= _MOST_DIRECTORIES:
                raise Damaged(f"the block chains more than {_MOST_DIRECTORIES} directories")
            seen.add(at)
            found = self.directory(at)
            yield found
            waiting.append(found.next)
            waiting.extend(self._children(found))

    def _children(self, parent: Directory) -> Iterator[int]:
        for entry in parent.entries:
            if entry.tag in _CHILDREN and entry.type in (LONG, 13) and entry.count <= 16:
                yield from (int(value) for value in self.numbers(entry) if value)
