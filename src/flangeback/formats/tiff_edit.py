"""Values into a TIFF block, with nothing moved.

MakerNotes hold offsets that count from the start of the block, so every byte stays where it is:
a value that fits where the old one stood is written there; a new directory, and values that need
room, go into free space (a run of zeros that nothing refers to, else the end of the block), and
the one pointer that leads to the directory is turned to it. The byte order stays.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
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
from flangeback.formats.tiff_space import Usage, places, usage
from flangeback.tags.table import Tag, TagValue

_FIRST_POINTER = 4
"""Where the header holds the offset of the first directory (TIFF 6.0, section 2)."""
_EXIF_LEAD = 6
_SRGB, _UNCALIBRATED = 1, 0xFFFF


class BlockEdit(NamedTuple):
    """An edited block.

    `splices` lie within the old length, each as long as what it replaces; `appended` goes to the
    end.
    """

    splices: tuple[Splice, ...]
    appended: bytes


class _Slot(NamedTuple):
    """A value on its way into the block.

    Its bytes, the entries that already hold the tag, and the offset where the old value stood, if
    the new one fits there.
    """

    tag: int
    type: int
    value_count: int
    data: bytes
    entries: tuple[Entry, ...]
    home: int | None

    @property
    def needs_room(self) -> bool:
        return self.home is None and len(self.data) > 4

    def entry(self, order: str, place: int) -> bytes:
        """The twelve bytes of its entry, the value being at `place` or inside the entry."""
        head = struct.pack(order + "HHI", self.tag, self.type, self.value_count)
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
    end, sizes = block.size + len(overhang), (*below.sizes, *above.sizes)
    room = iter(places(block, used, sizes, end=end, greatest=greatest, padding=padding))
    patches = list(below.patches(block, room))
    if below.is_new:
        above = above.pointing_at(patches[-1][0], block.order)
    patches += above.patches(block, room)
    if above.is_new:
        patches.append((_FIRST_POINTER, struct.pack(block.order + "I", patches[-1][0])))
    edit = _edit_of(block, patches, overhang)
    # A value of absurd length, which runs past the block's end, no reader takes for one.
    for splice in edit.splices:
        if used.users(splice.start, splice.end, block.size) > 1:
            raise Refused(f"two structures of the Exif block share the bytes at {splice.start}")
    reach = max(reach, block.size + len(edit.appended))
    if edit.appended and used.moved(block.size, reach, beyond):
        # Such a directory is read out of what follows the block, which would move.
        raise Refused(LOST_DIRECTORY)
    return edit


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
        entries = _entries(self.directory, EXIF_DIRECTORY)
        kind = IFD if any(entry.type == IFD for entry in entries) else LONG
        return self._replace(
            slots=(*self.slots, _Slot(EXIF_DIRECTORY, kind, 1, bytes(4), entries, None))
        )

    def pointing_at(self, place: int, order: str) -> _Change:
        """With that place in the slot, which is the last."""
        pointer = self.slots[-1]._replace(data=struct.pack(order + "I", place))
        return self._replace(slots=(*self.slots[:-1], pointer))

    def patches(self, block: Block, room: Iterator[int]) -> Iterator[tuple[int, bytes]]:
        """What is written where: the values, then the directory anew or the entries in it.

        `room` has a place for the directory first, then for each value that needs one.
        """
        directory_at = next(room) if self.is_new else None
        rows = {}
        for slot in self.slots:
            place = next(room) if slot.needs_room else slot.home or 0
            if place:
                yield place, slot.data
            rows[slot.tag] = slot.entry(block.order, place)
        old = self.directory.entries if self.directory else ()
        if directory_at is None:
            yield from ((entry.at, rows[entry.tag]) for entry in old if entry.tag in rows)
            return
        ordered = [(e.tag, rows.get(e.tag) or block.read(e.at, e.at + ENTRY_SIZE)) for e in old]
        # TIFF 6.0 wants them ascending: each fresh one comes before the first greater tag.
        for tag in sorted(slot.tag for slot in self.slots if not slot.entries):
            at = next((n for n, row in enumerate(ordered) if row[0] > tag), len(ordered))
            ordered.insert(at, (tag, rows[tag]))
        following = self.directory.next if self.directory else 0
        count = struct.pack(block.order + "H", len(ordered))
        entries = b"".join(row for _, row in ordered)
        yield directory_at, count + entries + struct.pack(block.order + "I", following)


def _edit_of(block: Block, patches: Iterable[tuple[int, bytes]], overhang: bytes) -> BlockEdit:
    """The patches as an edit; what lies beyond the block's end becomes the appended part."""
    splices, appended = [], bytearray(overhang)
    for at, data in sorted(dict(patches).items()):
        beyond = at - block.size
        if beyond < 0:
            splices.append(changed(at, block.read(at, at + len(data)), data))
        else:
            appended.extend(bytes(max(0, beyond + len(data) - len(appended))))
            appended[beyond : beyond + len(data)] = data
    has_grown = len(appended) > len(overhang)
    return BlockEdit(tuple(splices), bytes(appended) if has_grown else b"")


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
    return _Slot(tag, value.type, count, data, _entries(within, tag), None)


def _entries(directory: Directory | None, tag: int) -> tuple[Entry, ...]:
    return tuple(e for e in directory.entries if e.tag == tag) if directory else ()


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
    entries = _entries(main, XMP_PACKET)
    kind = entries[0].type if entries else BYTE
    data = packet.ljust(entries[0].size) if entries else packet
    return _housed(block, used, _Slot(XMP_PACKET, kind, len(data), data, entries, None))


def _housed(block: Block, used: Usage, slot: _Slot) -> _Slot:
    """The slot at the place where the old value stood, if the new one fits there.

    That is long enough, inside the block, and no byte of it is shared with another structure.
    """
    for old in slot.entries if used.complete else ():
        end = old.value_at + old.size
        fits = 4 < len(slot.data) <= old.size and block.holds(old)
        if fits and used.users(old.value_at, end) == 1:
            return slot._replace(data=slot.data.ljust(old.size, b"\0"), home=old.value_at)
    return slot


def new_block(
    size: tuple[int, int] | None, *, is_jpeg: bool = False, has_profile: bool = False
) -> Block:
    """A block for a file that has none: what is mandatory (CIPA DC-008, 4.5 and 4.6.8).

    `size` is the picture's in pixels. Values are put in like into any other block, since piexif
    leaves out the pointer behind the Exif directory (TIFF 6.0, section 2) where values follow it.
    """
    import piexif

    main, tags = piexif.ImageIFD, piexif.ExifIFD
    resolution = {main.XResolution: (72, 1), main.YResolution: (72, 1), main.ResolutionUnit: 2}
    exif = {
        tags.ExifVersion: b"0232",
        tags.FlashpixVersion: b"0100",
        tags.ColorSpace: _UNCALIBRATED if has_profile else _SRGB,
    }
    if is_jpeg:
        resolution[main.YCbCrPositioning] = 1
        exif[tags.ComponentsConfiguration] = b"\1\2\3\0"
    if size is not None:
        exif |= {tags.PixelXDimension: size[0], tags.PixelYDimension: size[1]}
    return Block(piexif.dump({"0th": resolution, "Exif": exif})[_EXIF_LEAD:])
