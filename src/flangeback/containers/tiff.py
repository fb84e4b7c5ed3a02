"""TIFF blocks: a byte order, directories of entries, values (TIFF 6.0, section 2).

A block is any buffer that starts with a TIFF header: the payload of a JPEG's Exif segment, or a
whole TIFF file. Offsets count from its start. Nothing here trusts the block: what runs past its
end is marked or refused, and directory cycles end the walk.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from flangeback.containers.file import FileHead

BYTE, ASCII, SHORT, LONG, RATIONAL = 1, 2, 3, 4, 5
IFD = 13
TYPE_SIZES = (
    {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4}
    | {10: 8, 11: 4, 12: 8, 13: 4}
    | {16: 8, 17: 8, 18: 8}
)
"""Bytes per value, by TIFF type (TIFF 6.0, section 2; 13, a directory's offset, is from its
technical notes; 16 to 18 are BigTIFF's, from memory)."""

_INTEGERS = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_FRACTIONS = {5: "I", 10: "i"}
_POINTERS = (LONG, IFD, 16, 18)

EXIF_DIRECTORY, GPS_DIRECTORY, INTEROP_DIRECTORY, SUB_DIRECTORIES = 0x8769, 0x8825, 0xA005, 0x014A
MAKER_NOTE = 0x927C
XMP_PACKET = 0x02BC
_SINGLE = (EXIF_DIRECTORY, GPS_DIRECTORY, INTEROP_DIRECTORY)
_CHILDREN = (*_SINGLE, SUB_DIRECTORIES)

ENTRY_SIZE = 12
MAGIC, BIG_MAGIC = 42, 43
"""The numbers behind the byte order mark: TIFF 6.0, section 2, and BigTIFF, whose offsets have
64 bits (from memory)."""

_MOST_DIRECTORIES = 64
_MOST_ENTRIES = 8192
"""Far beyond what cameras write, in one directory or in all of a block."""
_LONGEST_VALUE = 1 << 26
_LONGEST_TEXT = _MOST_NUMBERS = 1 << 16
"""What counts for more isn't a camera's; a damaged count could claim all memory."""


class Damaged(ValueError):
    """The structure can't be read; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A directory entry. `at` is where its bytes start, `value_at` where its value does, `size`
    the value's length in bytes; `inline` says that the value stands in the entry itself."""

    tag: int
    type: int
    count: int
    at: int
    value_at: int
    size: int
    inline: bool


@dataclass(frozen=True, slots=True)
class Directory:
    """An image file directory at offset `at`; `next` is the offset of the following one, or 0.
    `size` is its length in bytes, with the count and the next pointer."""

    at: int
    entries: tuple[Entry, ...]
    next: int
    size: int

    def find(self, tag: int) -> Entry | None:
        """The first entry with this tag."""
        return next((entry for entry in self.entries if entry.tag == tag), None)


NO_DIRECTORY = Directory(0, (), 0, 0)


@dataclass(frozen=True, slots=True)
class _Layout:
    """How wide the fields of a directory are: TIFF's, or BigTIFF's."""

    count: str
    entry: str
    entry_size: int
    pointer: str
    room: int
    """Bytes of an entry that a short value takes the place of."""


_TIFF = _Layout("H", "HHII", ENTRY_SIZE, "I", 4)
_BIG_TIFF = _Layout("Q", "HHQQ", 20, "Q", 8)


class Block:
    """A TIFF block, read on demand: bytes at hand, or a whole file. `order` is "<" or ">"
    (struct's marks for the byte order).

    Raises Damaged when the header isn't TIFF's.
    """

    __slots__ = ("_data", "_layout", "first", "is_big", "magic", "order", "size")

    def __init__(self, data: bytes | FileHead) -> None:
        self._data = data
        self.size = data.size if isinstance(data, FileHead) else len(data)
        head = self.read(0, 16)
        if head[:2] not in (b"II", b"MM") or len(head) < 8:
            raise Damaged("the TIFF block has no byte order mark")
        self.order = "<" if head[:2] == b"II" else ">"
        self.magic: int
        self.first: int
        self.magic, self.first = struct.unpack_from(self.order + "HI", head, 2)
        self.is_big = self.magic == BIG_MAGIC
        self._layout = _BIG_TIFF if self.is_big else _TIFF
        if self.is_big:
            if len(head) < 16:
                raise Damaged("the BigTIFF header is cut short")
            (self.first,) = struct.unpack_from(self.order + "Q", head, 8)

    def read(self, start: int, end: int) -> bytes:
        """The bytes from `start` to `end`, fewer where the block ends before."""
        if isinstance(self._data, FileHead):
            return self._data.read(start, end)
        return self._data[start:end]

    def directory(self, at: int) -> Directory:
        """The directory at this offset. Raises Damaged when it runs past the block's end."""
        layout = self._layout
        lead = struct.calcsize("<" + layout.count)
        if not 8 <= at <= self.size - lead:
            raise Damaged(f"a directory at {at} lies outside the block of {self.size} bytes")
        (count,) = struct.unpack(self.order + layout.count, self.read(at, at + lead))
        end = at + lead + layout.entry_size * count
        if end > self.size or count > _MOST_ENTRIES:
            raise Damaged(f"the directory at {at} has {count} entries, more than the block holds")
        pointer = struct.calcsize("<" + layout.pointer)
        data = self.read(at, min(end + pointer, self.size))
        entries = tuple(self._entry(data, at, lead + layout.entry_size * n) for n in range(count))
        # Some writers leave the next pointer out where the block ends (TIFF 6.0 asks for it).
        following = 0
        if end + pointer <= self.size:
            (following,) = struct.unpack_from(self.order + layout.pointer, data, end - at)
        return Directory(at, entries, following, end + pointer - at)

    def _entry(self, data: bytes, at: int, within: int) -> Entry:
        layout = self._layout
        tag, kind, count, offset = struct.unpack_from(self.order + layout.entry, data, within)
        size = TYPE_SIZES.get(kind, 1) * count
        start, inline = at + within, size <= layout.room
        value_at = start + layout.entry_size - layout.room if inline else offset
        return Entry(tag, kind, count, start, value_at, size, inline)

    def holds(self, entry: Entry) -> bool:
        """Whether the entry's whole value lies inside the block."""
        return entry.value_at + entry.size <= self.size

    def raw(self, entry: Entry | None) -> bytes:
        """The value's bytes; empty when there is no entry or it runs past the end."""
        if entry is None or not self.holds(entry) or entry.size > _LONGEST_VALUE:
            return b""
        return self.read(entry.value_at, entry.value_at + entry.size)

    def text(self, entry: Entry | None) -> str:
        """An ASCII value up to its first NUL, without spaces around it."""
        if entry is None or not self.holds(entry):
            return ""
        data = self.read(entry.value_at, entry.value_at + min(entry.size, _LONGEST_TEXT))
        found = data.split(b"\0", 1)[0]
        try:
            return found.decode("utf-8").strip()
        except UnicodeDecodeError:
            return found.decode("latin-1").strip()

    def numbers(self, entry: Entry | None) -> tuple[Fraction | None, ...]:
        """Whole numbers and rationals; None stands for a rational over zero. Empty for text, for
        what runs past the end, and for more than 65,536."""
        if entry is None or entry.count > _MOST_NUMBERS:
            return ()
        data = self.raw(entry)
        if not data:
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
        if entry is None or not entry.count or not self.holds(entry):
            return None
        found = self.numbers(replace(entry, count=1, size=TYPE_SIZES.get(entry.type, 1)))
        return found[0] if found else None

    def offset(self, entry: Entry | None) -> int | None:
        """The offset that a pointer entry holds."""
        if entry is None or entry.type not in _POINTERS or entry.count < 1:
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

    def directories(
        self, lost: set[int] | None = None, shared: set[int] | None = None
    ) -> Iterator[Directory]:
        """Every directory that can be reached, each once. One that can't be read raises Damaged,
        or has its offset put into `lost`; into `shared` goes that of one reached twice."""
        waiting, seen, single = [self.first], set[int](), set[int]()
        entries = 0
        while waiting:
            at = waiting.pop()
            if at in seen and shared is not None:
                shared.add(at)
            if at == 0 or at in seen:
                continue
            if len(seen) >= _MOST_DIRECTORIES or entries > _MOST_ENTRIES:
                raise Damaged(
                    f"the block chains more than {_MOST_DIRECTORIES} directories, "
                    f"or more than {_MOST_ENTRIES} entries"
                )
            seen.add(at)
            try:
                found = self.directory(at)
            except Damaged:
                if lost is None:
                    raise
                lost.add(at)
                continue
            entries += len(found.entries)
            yield found
            waiting.extend(self._children(found))
            # What follows an Exif, GPS or interoperability directory nobody reads, and a common
            # writer leaves that pointer out, so that a value's bytes stand there.
            single.update(self._children(found, _SINGLE))
            if at not in single:
                waiting.append(found.next)

    def _children(self, parent: Directory, tags: Sequence[int] = _CHILDREN) -> Iterator[int]:
        for entry in parent.entries:
            if entry.tag in tags and entry.type in _POINTERS and entry.count <= 16:
                yield from (int(value) for value in self.numbers(entry) if value)
