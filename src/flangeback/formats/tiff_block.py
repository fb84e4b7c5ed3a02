"""TIFF blocks: a byte order, directories of entries, values (TIFF 6.0, section 2).

A block is any buffer that starts with a TIFF header: the payload of a JPEG's Exif segment, or a
whole TIFF file. Offsets count from its start. Nothing here trusts the block: what runs past its
end is marked or refused, and directory cycles end the walk.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence, Set
from fractions import Fraction
from functools import lru_cache
from typing import Literal, NamedTuple

from flangeback.formats.reader import Bytes, Damaged

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
_ONE = {
    order: {kind: struct.Struct(order + letter) for kind, letter in _INTEGERS.items()}
    | {kind: struct.Struct(order + 2 * letter) for kind, letter in _FRACTIONS.items()}
    for order in "<>"
}
"""One value of each type of numbers, by byte order."""
_WIDEST = 8
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


class Entry(NamedTuple):
    """A directory entry.

    `at` is where its bytes start, `value_at` where its value does, `size` the value's length in
    bytes; `inline` says that the value stands in the entry itself.
    """

    tag: int
    type: int
    value_count: int
    at: int
    value_at: int
    size: int
    inline: bool


@lru_cache(maxsize=1024)
def _ratio(top: int, below: int = 1) -> Fraction | None:
    """A rational; frames of one body have few different ones."""
    return Fraction(top, below) if below else None


class Directory:
    """An image file directory at offset `at` of `block`.

    `next` is the offset of the following one, or 0. `size` is its length in bytes, with the count
    and the next pointer.

    Raises Damaged when it runs past the block's end.
    """

    __slots__ = ("_data", "_index", "at", "block", "next", "size")

    def __init__(self, block: Block, at: int) -> None:
        layout = block.layout
        if not 8 <= at <= block.size - layout.lead:
            raise Damaged(f"a directory at {at} lies outside the block of {block.size} bytes")
        count = int.from_bytes(block.read(at, at + layout.lead), block.byte_order)
        end = at + layout.lead + layout.entry_size * count
        if end > block.size or count > _MOST_ENTRIES:
            raise Damaged(f"the directory at {at} has {count} entries, more than the block holds")
        self.block, self.at, self.size = block, at, end + layout.pointer - at
        data = block.read(at + layout.lead, end + layout.pointer)
        self._data = data[: layout.entry_size * count]
        # Some writers leave the next pointer out where the block ends (TIFF 6.0 asks for it).
        following = data[layout.entry_size * count :]
        is_whole = len(following) == layout.pointer
        self.next = int.from_bytes(following, block.byte_order) if is_whole else 0
        self._index: dict[int, int] | None = None

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries, in their order."""
        size = self.block.layout.entry_size
        return tuple(self._entry(n) for n in range(len(self._data) // size))

    def _entry(self, number: int) -> Entry:
        layout = self.block.layout
        within = layout.entry_size * number
        tag, kind, count, offset = layout.entries[self.block.order].unpack_from(self._data, within)
        size = TYPE_SIZES.get(kind, 1) * count
        start, inline = self.at + layout.lead + within, size <= layout.pointer
        value_at = start + layout.entry_size - layout.pointer if inline else offset
        return Entry(tag, kind, count, start, value_at, size, inline)

    def find(self, tag: int) -> Entry | None:
        """The first entry with this tag."""
        number = (self._index or self._indexed()).get(tag)
        return None if number is None else self._entry(number)

    def has_any(self, tags: Set[int]) -> bool:
        """Whether there is an entry with one of these tags."""
        return not tags.isdisjoint(self._index or self._indexed())

    def _indexed(self) -> dict[int, int]:
        """Where the first entry of each tag stands."""
        rows = self.block.layout.tags[self.block.order].iter_unpack(self._data)
        tags = [row[0] for row in rows]
        self._index = dict(zip(reversed(tags), range(len(tags) - 1, -1, -1), strict=True))
        return self._index

    def _value(self, tag: int, most: int) -> tuple[Entry, bytes] | None:
        """An entry and its value's bytes, at most so many; None where that runs past the end."""
        entry = self.find(tag)
        if entry is None or not self.block.holds(entry):
            return None
        if entry.inline:
            start = entry.value_at - self.at - self.block.layout.lead
            return entry, self._data[start : start + entry.size]
        return entry, self.block.read(entry.value_at, entry.value_at + min(entry.size, most))

    def text(self, tag: int) -> str:
        """An ASCII value up to its first NUL, without spaces around it."""
        value = self._value(tag, _LONGEST_TEXT)
        if value is None:
            return ""
        found = value[1].split(b"\0", 1)[0]
        try:
            return found.decode("utf-8").strip()
        except UnicodeDecodeError:
            return found.decode("latin-1").strip()

    def number(self, tag: int) -> Fraction | None:
        """The first number of a value; None where it is a rational over zero."""
        value = self._value(tag, _WIDEST)
        one = None if value is None else _ONE[self.block.order].get(value[0].type)
        if value is None or one is None or not value[1]:
            return None
        return _ratio(*one.unpack_from(value[1]))

    def whole(self, tag: int) -> int | None:
        """The first number of a value, its fraction cut off."""
        number = self.number(tag)
        return None if number is None else int(number)

    def numbers(self, tag: int) -> tuple[Fraction | None, ...]:
        """See [Block.numbers]."""
        return self.block.numbers(self.find(tag))

    def offset(self, tag: int) -> int | None:
        """The offset that a pointer entry holds."""
        entry = self.find(tag)
        return self.whole(tag) if entry is not None and entry.type in _POINTERS else None

    def child(self, tag: int) -> Directory | None:
        """The directory that an entry points to; None without one. Raises Damaged."""
        entry = self.find(tag)
        if entry is None:
            return None
        at = next(self.block.pointed(entry), None)
        if at is None:
            raise Damaged(f"the entry at {entry.at} should point to a directory and doesn't")
        return Directory(self.block, at)


class _Layout:
    """How wide the fields of a directory are: TIFF's, or BigTIFF's.

    `pointer` bytes of an entry hold an offset, or a short value in its place.
    """

    def __init__(self, entry: str, lead: int, pointer: int) -> None:
        self.entries = {order: struct.Struct(order + entry) for order in "<>"}
        self.entry_size = self.entries["<"].size
        self.tags = {order: struct.Struct(f"{order}H{self.entry_size - 2}x") for order in "<>"}
        self.lead, self.pointer = lead, pointer


_TIFF = _Layout("HHII", 2, 4)
_BIG_TIFF = _Layout("HHQQ", 8, 8)


class Block:
    """A TIFF block, read on demand: bytes at hand, or a stretch of a file.

    `order` is "<" or ">" (struct's marks for the byte order).

    Raises Damaged when the header isn't TIFF's.
    """

    __slots__ = ("byte_order", "first", "is_big", "layout", "magic", "order", "read", "size")
    read: Callable[[int, int], bytes]

    def __init__(self, data: bytes | Bytes) -> None:
        if isinstance(data, bytes):
            at_hand = data
            self.size, self.read = len(data), lambda start, end: at_hand[start:end]
        else:
            self.size, self.read = data.size, data.read
        head = self.read(0, 16)
        if head[:2] not in (b"II", b"MM") or len(head) < 8:
            raise Damaged("the TIFF block has no byte order mark")
        self.order = "<" if head[:2] == b"II" else ">"
        self.byte_order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
        self.magic = int.from_bytes(head[2:4], self.byte_order)
        self.is_big = self.magic == BIG_MAGIC
        self.layout = _BIG_TIFF if self.is_big else _TIFF
        if self.is_big and len(head) < 16:
            raise Damaged("the BigTIFF header is cut short")
        self.first = int.from_bytes(head[8:16] if self.is_big else head[4:8], self.byte_order)

    def holds(self, entry: Entry) -> bool:
        """Whether the entry's whole value lies inside the block."""
        return entry.value_at + entry.size <= self.size

    def raw(self, entry: Entry | None) -> bytes:
        """The value's bytes; empty when there is no entry or it runs past the end."""
        if entry is None or not self.holds(entry) or entry.size > _LONGEST_VALUE:
            return b""
        return self.read(entry.value_at, entry.value_at + entry.size)

    def numbers(self, entry: Entry | None) -> tuple[Fraction | None, ...]:
        """Whole numbers and rationals; None stands for a rational over zero.

        Empty for text, for what runs past the end, and for more than 65,536.
        """
        if entry is None or entry.value_count > _MOST_NUMBERS:
            return ()
        one, data = _ONE[self.order].get(entry.type), self.raw(entry)
        return tuple(_ratio(*parts) for parts in one.iter_unpack(data)) if one else ()

    def main(self) -> Directory:
        """The first directory (IFD0). Raises Damaged."""
        return Directory(self, self.first)

    def directories(
        self, lost: set[int] | None = None, shared: set[int] | None = None
    ) -> Iterator[Directory]:
        """Every directory that can be reached, each once.

        One that can't be read raises Damaged, or has its offset put into `lost`; into `shared` goes
        that of one reached twice.
        """
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
                found = Directory(self, at)
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
            if entry.tag in tags and (entry.value_count <= 16 or entry.type == ASCII):
                yield from (at for at in self.pointed(entry) if at)

    def pointed(self, entry: Entry) -> Iterator[int]:
        """The offsets of the directories that an entry points to.

        A common writer keeps the Exif directory as a text where it stood (as seen).
        """
        if entry.type in _POINTERS:
            yield from (int(value) for value in self.numbers(entry) if value is not None)
        elif entry.type == ASCII and entry.tag == EXIF_DIRECTORY and self.holds(entry):
            yield entry.value_at


NO_DIRECTORY = Block(b"II*\0\x08\0\0\0" + bytes(6)).main()
"""One without entries."""
