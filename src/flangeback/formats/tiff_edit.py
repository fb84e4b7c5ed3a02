"""Values into a TIFF block, with nothing moved.

MakerNotes hold offsets that count from the start of the block, so every byte stays where it is:
a value that fits where the old one stood is written there; a new directory, and values that need
room, go into free space (a run of zeros that nothing refers to, else the end of the block), and
the one pointer that leads to the directory is turned to it. The byte order stays.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from flangeback.formats.splices import Refused, Splice, applied, changed
from flangeback.formats.tiff_block import (
    BYTE,
    ENTRY_SIZE,
    EXIF_DIRECTORY,
    IFD,
    LONG,
    NO_DIRECTORY,
    XMP_PACKET,
    Block,
    Directory,
    Entry,
)
from flangeback.formats.tiff_space import Room, Usage, usage
from flangeback.tags.table import Tag, TagValue

_FIRST_POINTER = 4
"""Where the header holds the offset of the first directory (TIFF 6.0, section 2)."""

_Rows = Sequence[tuple[int, bytes]]
"""A directory's entries as tag and twelve bytes."""


class BlockEdit(NamedTuple):
    """An edited block.

    `splices` lie within the old length, each as long as what it replaces; `appended` goes to the
    end.
    """

    splices: tuple[Splice, ...]
    appended: bytes


@dataclass(frozen=True, slots=True)
class _Slot:
    """A value on its way into the block.

    Its bytes, the entries that already hold the tag, and the offset where the old value stood, if
    the new one fits there.
    """

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
    block: Block,
    values: Sequence[TagValue],
    greatest: int,
    beyond: bytes = b"",
    *,
    reach: int = 0,
    packet: bytes | None = None,
    padding: bool = True,
) -> BlockEdit:
    """The edit that puts `values` into the Exif directory of `block`.

    `greatest` is the length in bytes that the block may reach; `beyond` is what follows it in the
    file: where a value runs a little past the end (a thumbnail counted a byte too long), readers
    take those bytes with it, so they are repeated before anything is appended; `reach` is where
    it ends, counted from the block's start. `packet` is an XMP packet for the main directory.
    `padding` says whether zeros inside the block that nothing refers to may be written over.

    Raises Refused when there is no room, Damaged when the directories on the way can't be read.
    """
    if block.is_big:
        raise Refused("BigTIFF is read, but not written")
    main = block.main()
    exif = main.child(EXIF_DIRECTORY) if values else NO_DIRECTORY
    used = usage(block)
    # A directory that something else leads to, too, stays as it is; the values go into a new one.
    anew = exif is not None and exif.at in used.shared
    own = (value for value in values if value.tag != Tag.DATE_TIME)
    slots = (_slot(block, exif, value, value.tag) for value in own)
    below = _Change(exif, tuple(s if anew else _housed(block, used, s) for s in slots), anew)
    stated = tuple(_housed(block, used, slot) for slot in _stated_above(block, main, values))
    packets = () if packet is None else (_packet_slot(block, main, used, packet),)
    above = _Change(main, (*stated, *packets))
    above = above.pointing_to(below)
    if above.is_new and main.at in used.shared:
        # Readers end at the directory they began with; the old one would be another.
        raise Refused("the chain of directories leads back to the first one")
    overhang = used.overhang(block.size, beyond)
    room = Room(block, used, len(overhang), greatest, padding=padding)
    edit = _carried_out(_Writer(block, overhang), below, above, room)
    _refuse_shared(edit, used, block.size)
    if edit.appended and used.moved(
        block.size, max(reach, block.size + len(edit.appended)), beyond
    ):
        # Such a directory is read out of what follows the block, which would move.
        raise Refused(LOST_DIRECTORY)
    return edit


def _refuse_shared(edit: BlockEdit, used: Usage, size: int) -> None:
    """Raises Refused where a byte to be written is part of two structures of a damaged block.

    A value of absurd length, which runs past the block's end, no reader takes for one.
    """
    for splice in edit.splices:
        if used.users(splice.start, splice.end, size) > 1:
            raise Refused(f"two structures of the Exif block share the bytes at {splice.start}")


class _Change(NamedTuple):
    """A directory (None where the block has none yet) and the slots to put into it.

    `anew` says that it has to be written anew whatever they are.
    """

    directory: Directory | None
    slots: tuple[_Slot, ...]
    anew: bool = False

    @property
    def is_new(self) -> bool:
        """Whether the directory has to be written anew: an entry is added to it."""
        return self.anew or any(not slot.entries for slot in self.slots)

    @property
    def sizes(self) -> list[int]:
        """The room it needs: the directory's, if new, then each value's."""
        entries = len(self.directory.entries) if self.directory else 0
        entries += sum(not slot.entries for slot in self.slots)
        head = [2 + ENTRY_SIZE * entries + 4] if self.is_new else []
        return head + [len(slot.data) for slot in self.slots if slot.needs_room]

    def pointing_to(self, below: _Change) -> _Change:
        """With a slot for the pointer to `below`, its place not being known yet."""
        if not below.is_new:
            return self
        directory = self.directory
        entries = (
            tuple(e for e in directory.entries if e.tag == EXIF_DIRECTORY) if directory else ()
        )
        kind = IFD if any(entry.type == IFD for entry in entries) else LONG
        pointer = _Slot(EXIF_DIRECTORY, kind, 1, bytes(4), entries, None)
        return _Change(directory, (*self.slots, pointer))


def _carried_out(writer: _Writer, below: _Change, above: _Change, room: Room) -> BlockEdit:
    places = room.places(below.sizes + above.sizes)
    for_below, for_above = places[: len(below.sizes)], places[len(below.sizes) :]
    if below.is_new:
        data = struct.pack(writer.order + "I", for_below[0])
        slots = (replace(s, data=data) if s.tag == EXIF_DIRECTORY else s for s in above.slots)
        above = above._replace(slots=tuple(slots))
    writer.put(below, for_below)
    if above.is_new:
        writer.write(_FIRST_POINTER, struct.pack(writer.order + "I", for_above[0]))
    writer.put(above, for_above)
    return writer.finished()


_NOTHING = bytes(64)
"""What follows a block at a file's end: a pointer or value that is cut short there mustn't go on
in what is appended."""

LOST_DIRECTORY = "a directory of the Exif block can't be read, so nothing may follow the block"


def applied_to(block: Block, values: Sequence[TagValue], greatest: int) -> bytes:
    """A block of its own, as bytes, with `values` put in; see [edit_block]."""
    edit = edit_block(block, values, greatest, _NOTHING)
    return applied(block.read(0, block.size), edit.splices) + edit.appended


def encoded(value: TagValue, order: str) -> tuple[int, bytes]:
    """A value's count and bytes (TIFF 6.0, section 2): ASCII ends in NUL, rationals are pairs."""
    if isinstance(value.value, str):
        data = value.value.encode("ascii") + b"\0"
        return len(data), data
    if isinstance(value.value, int):
        return 1, struct.pack(order + "H", value.value)
    flat = [part for pair in value.value for part in pair]
    return len(value.value), struct.pack(f"{order}{len(flat)}I", *flat)


def _slot(block: Block, within: Directory | None, value: TagValue, tag: int) -> _Slot:
    count, data = encoded(value, block.order)
    entries = tuple(e for e in within.entries if e.tag == tag) if within else ()
    return _Slot(tag, value.type, count, data, entries, None)


def _stated_above(block: Block, main: Directory, values: Sequence[TagValue]) -> Iterator[_Slot]:
    """The values that the main directory states too.

    Some writers put them there, and a DNG file has the specification as its LensInfo (DNG
    specification).
    """
    for value in values:
        for tag in (value.tag, _LENS_INFO) if value.tag == Tag.LENS_SPECIFICATION else (value.tag,):
            if main.find(tag) is not None:
                yield _slot(block, main, value, tag)


_LENS_INFO = 0xC630


def _packet_slot(block: Block, main: Directory, used: Usage, packet: bytes) -> _Slot:
    """A slot for an XMP packet (ISO 16684-3: tag 700, BYTE).

    One shorter than the old is padded with spaces, as packets are.
    """
    entries = tuple(entry for entry in main.entries if entry.tag == XMP_PACKET)
    kind = entries[0].type if entries else BYTE
    data = packet.ljust(entries[0].size) if entries else packet
    return _housed(block, used, _Slot(XMP_PACKET, kind, len(data), data, entries, None))


def _housed(block: Block, used: Usage, slot: _Slot) -> _Slot:
    """The slot at the place where the old value stood, if the new one fits there."""
    home = next((e for e in slot.entries if _fits(block, used, e, len(slot.data))), None)
    if home is None:
        return slot
    return replace(slot, data=slot.data.ljust(home.size, b"\0"), home=home.value_at)


def _fits(block: Block, used: Usage, entry: Entry, size: int) -> bool:
    """Whether a value can stand where this entry's does.

    It is long enough, inside the block, and no byte of it is shared with another structure.
    """
    return (
        4 < size <= entry.size
        and block.holds(entry)
        and used.complete
        and used.users(entry.value_at, entry.value_at + entry.size) == 1
    )


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

    def put(self, change: _Change, places: Sequence[int]) -> None:
        """Writes a directory's values, and the directory anew where that is needed.

        `places` has room for the directory first, then for each value that has none.
        """
        room = iter(places)
        directory_at = next(room) if change.is_new else None
        rows = {}
        for slot in change.slots:
            place = next(room) if slot.needs_room else slot.home or 0
            if place:
                self.write(place, slot.data)
            rows[slot.tag] = slot.entry(self.order, place)
        old = change.directory.entries if change.directory else ()
        if directory_at is None:
            for entry in old:
                if entry.tag in rows:
                    self.write(entry.at, rows[entry.tag])
            return
        read = self.block.read
        kept = [(e.tag, rows.get(e.tag) or read(e.at, e.at + ENTRY_SIZE)) for e in old]
        fresh = {slot.tag: rows[slot.tag] for slot in change.slots if not slot.entries}
        following = change.directory.next if change.directory else 0
        self.write(directory_at, self.directory(kept, fresh, following))

    def directory(self, kept: _Rows, fresh: Mapping[int, bytes], following: int) -> bytes:
        """A directory's bytes, its entries ascending, as TIFF 6.0 wants them.

        The kept ones stay in their old order, each fresh one comes before the first greater tag.
        """
        ordered = list(kept)
        for tag, data in sorted(fresh.items()):
            place = next((n for n, row in enumerate(ordered) if row[0] > tag), len(ordered))
            ordered.insert(place, (tag, data))
        count = struct.pack(self.order + "H", len(ordered))
        rows = b"".join(data for _, data in ordered)
        return count + rows + struct.pack(self.order + "I", following)

    def finished(self) -> BlockEdit:
        grown = len(self._appended) > len(self._overhang)
        return BlockEdit(tuple(self._splices()), bytes(self._appended) if grown else b"")

    def _splices(self) -> Iterator[Splice]:
        for at, data in sorted(self._patches.items()):
            yield changed(at, self.block.read(at, at + len(data)), data)
