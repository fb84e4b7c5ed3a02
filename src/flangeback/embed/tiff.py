"""Values into a TIFF block, with nothing moved.

MakerNotes hold offsets that count from the start of the block, so every byte stays where it is:
a value that fits where the old one stood is written there; a new directory, and values that need
room, go into free space (a run of zeros that nothing refers to, else the end of the block), and
the one pointer that leads to the directory is turned to it. The byte order stays.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from flangeback.containers.tiff import (
    ENTRY_SIZE,
    EXIF_DIRECTORY,
    LONG,
    Block,
    Directory,
    Entry,
)
from flangeback.embed.free_space import Room, Usage, usage
from flangeback.embed.model import Splice
from flangeback.tags.table import TagValue

_FIRST_POINTER = 4
"""Where the header holds the offset of the first directory (TIFF 6.0, section 2)."""

_Rows = Sequence[tuple[int, bytes]]
"""A directory's entries as tag and twelve bytes."""


@dataclass(frozen=True, slots=True)
class BlockEdit:
    """An edited block: `splices` within the old length, each as long as what it replaces, and
    `appended`, which goes to the end."""

    splices: tuple[Splice, ...]
    appended: bytes


@dataclass(frozen=True, slots=True)
class _Slot:
    """A value on its way into the block: its bytes, the entries that already hold the tag, and
    the offset where the old value stood, if the new one fits there."""

    tag: int
    type: int
    count: int
    data: bytes
    entries: tuple[Entry, ...]
    home: int | None

    @property
    def needs_room(self) -> bool:
        return self.home is None and len(self.data) > 4

    def entry(self, order: str, place: int) -> bytes:
        """The twelve bytes of its entry, the value being at `place` or inside the entry."""
        head = struct.pack(order + "HHI", self.tag, self.type, self.count)
        if len(self.data) <= 4:
            return head + self.data.ljust(4, b"\0")
        return head + struct.pack(order + "I", place)


def edit_block(
    block: Block, values: Sequence[TagValue], greatest: int, beyond: bytes = b""
) -> BlockEdit:
    """The edit that puts `values` into the Exif directory of `block`.

    `greatest` is the length in bytes that the block may reach; `beyond` is what follows it in the
    file: where a value runs a little past the end (a thumbnail counted a byte too long), readers
    take those bytes with it, so they are repeated before anything is appended.

    Raises Refused when there is no room, Damaged when the directories on the way can't be read.
    """
    main = block.main()
    exif = block.child(main, EXIF_DIRECTORY)
    used = usage(block)
    slots = [_slot(block, exif, used, value) for value in values]
    overhang = beyond[: used.overhang(block.size, len(beyond))]
    room = Room(block, used, len(overhang), greatest)
    writer = _Writer(block, overhang)
    if all(slot.entries for slot in slots):
        roomless = [slot for slot in slots if slot.needs_room]
        places = room.places([len(slot.data) for slot in roomless])
        rows = writer.values(slots, dict(zip(map(id, roomless), places, strict=True)))
        for slot in slots:
            for entry in slot.entries:
                writer.write(entry.at, rows[slot.tag])
    else:
        _write_directory(writer, main, exif, slots, room)
    return writer.finished()


def encoded(value: TagValue, order: str) -> tuple[int, bytes]:
    """A value's count and bytes (TIFF 6.0, section 2): ASCII ends in NUL, rationals are pairs."""
    if isinstance(value.value, str):
        data = value.value.encode("ascii") + b"\0"
        return len(data), data
    if isinstance(value.value, int):
        return 1, struct.pack(order + "H", value.value)
    flat = [part for pair in value.value for part in pair]
    return len(value.value), struct.pack(f"{order}{len(flat)}I", *flat)


def _slot(block: Block, exif: Directory | None, used: Usage, value: TagValue) -> _Slot:
    count, data = encoded(value, block.order)
    entries = tuple(e for e in exif.entries if e.tag == value.tag) if exif else ()
    home = next((e.value_at for e in entries if _fits(block, used, e, len(data))), None)
    if home is not None:
        old = next(e.size for e in entries if e.value_at == home)
        data = data.ljust(old, b"\0")
    return _Slot(value.tag, value.type, count, data, entries, home)


def _fits(block: Block, used: Usage, entry: Entry, size: int) -> bool:
    """Whether a value can stand where this entry's does: long enough, inside the block, and no
    byte of it shared with another structure."""
    return (
        4 < size <= entry.size
        and block.holds(entry)
        and used.complete
        and used.users(entry.value_at, entry.value_at + entry.size) == 1
    )


def _write_directory(
    writer: _Writer, main: Directory, exif: Directory | None, slots: Sequence[_Slot], room: Room
) -> None:
    """A new Exif directory with the old entries and the added ones, and the pointer to it.

    A block without one also gets its main directory anew, with that pointer as one entry more.
    """
    old = exif.entries if exif else ()
    added = sum(1 for slot in slots if not slot.entries)
    roomless = [slot for slot in slots if slot.needs_room]
    sizes = [_directory_size(len(old) + added), *(len(slot.data) for slot in roomless)]
    if exif is None:
        sizes.append(_directory_size(len(main.entries) + 1))
    places = room.places(sizes)
    by_slot = dict(zip(map(id, roomless), places[1:], strict=False))
    rows = writer.values(slots, by_slot)
    kept = [(e.tag, rows.get(e.tag) or writer.bytes_of(e)) for e in old]
    fresh = {slot.tag: rows[slot.tag] for slot in slots if not slot.entries}
    writer.write(places[0], writer.directory(kept, fresh, exif.next if exif else 0))
    writer.point_to(places[0], main, exif, places[-1])


def _directory_size(entries: int) -> int:
    return 2 + ENTRY_SIZE * entries + 4


class _Writer:
    """Collects the bytes to write; what lies beyond the block's end becomes the appended part."""

    def __init__(self, block: Block, overhang: bytes) -> None:
        self.block = block
        self.order = block.order
        self._patches: dict[int, bytes] = {}
        self._overhang = overhang
        self._appended = bytearray(overhang)

    def write(self, at: int, data: bytes) -> None:
        beyond = at - self.block.size
        if beyond < 0:
            self._patches[at] = data
            return
        self._appended.extend(bytes(max(0, beyond + len(data) - len(self._appended))))
        self._appended[beyond : beyond + len(data)] = data

    def values(self, slots: Sequence[_Slot], places: Mapping[int, int]) -> dict[int, bytes]:
        """Writes the values; gives the twelve bytes of each tag's entry."""
        rows = {}
        for slot in slots:
            place = places.get(id(slot), slot.home or 0)
            if place:
                self.write(place, slot.data)
            rows[slot.tag] = slot.entry(self.order, place)
        return rows

    def bytes_of(self, entry: Entry) -> bytes:
        return bytes(self.block.data[entry.at : entry.at + ENTRY_SIZE])

    def directory(self, kept: _Rows, fresh: Mapping[int, bytes], following: int) -> bytes:
        """A directory's bytes: the kept entries in their old order, each fresh one before the
        first greater tag (TIFF 6.0 wants them ascending)."""
        ordered = list(kept)
        for tag, data in sorted(fresh.items()):
            place = next((n for n, row in enumerate(ordered) if row[0] > tag), len(ordered))
            ordered.insert(place, (tag, data))
        count = struct.pack(self.order + "H", len(ordered))
        rows = b"".join(data for _, data in ordered)
        return count + rows + struct.pack(self.order + "I", following)

    def point_to(self, exif_at: int, main: Directory, exif: Directory | None, main_at: int) -> None:
        """Turns the one pointer that leads to the new directory."""
        pointer = struct.pack(self.order + "I", exif_at)
        if exif is not None:
            entry = main.find(EXIF_DIRECTORY)
            assert entry is not None
            self.write(entry.value_at, pointer)
            return
        rows = [(entry.tag, self.bytes_of(entry)) for entry in main.entries]
        row = struct.pack(self.order + "HHI", EXIF_DIRECTORY, LONG, 1) + pointer
        self.write(main_at, self.directory(rows, {EXIF_DIRECTORY: row}, main.next))
        self.write(_FIRST_POINTER, struct.pack(self.order + "I", main_at))

    def finished(self) -> BlockEdit:
        grown = len(self._appended) > len(self._overhang)
        return BlockEdit(tuple(self._splices()), bytes(self._appended) if grown else b"")

    def _splices(self) -> Iterator[Splice]:
        for at, data in sorted(self._patches.items()):
            yield Splice(at, at + len(data), data)
