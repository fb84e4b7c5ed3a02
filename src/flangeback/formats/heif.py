"""HEIF and AVIF files: boxes, the item table, the Exif item.

Boxes: ISO/IEC 14496-12, 4.2; item location and information boxes: 8.11.3 and 8.11.6; the Exif
item: ISO/IEC 23008-12, annex A.2.1. An edit puts the Exif item anew at the end and turns its
location to it; the coded picture, and the old item, stay where they are.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice, in_order
from flangeback.formats.tiff_block import Block
from flangeback.formats.tiff_edit import NOTHING, applied_to
from flangeback.tags.table import TagValue

_STILL_BRANDS = frozenset(
    [b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1", b"avif", b"avis"]
)
"""Brands of still pictures in the ISO base media file format (ISO/IEC 23008-12, annex B; AV1 Image
File Format, section 6)."""

_LARGEST = 2**32 - 1
_LONGEST_META = 1 << 24
_LONGEST_ITEM = 1 << 24
_MOST_ITEMS = _MOST_EXTENTS = _MOST_BOXES = 1 << 16
"""Beyond these a file isn't a camera's, and working it out would take long."""


@dataclass(frozen=True, slots=True)
class Box:
    """A box: its type, where it starts, where its contents do and end. `open_ended` marks one
    whose size field is 0: it runs to the end of the file."""

    type: bytes
    at: int
    start: int
    end: int
    open_ended: bool = False


@dataclass(frozen=True, slots=True)
class Field:
    """A number of a table: its place in the file, its width in bytes (0: absent) and value."""

    at: int
    width: int
    value: int


@dataclass(frozen=True, slots=True)
class Extent:
    """A stretch of an item's data."""

    offset: Field
    length: Field


@dataclass(frozen=True, slots=True)
class Location:
    """Where an item's data lie. `method` is 0 (offsets count in the file), 1 (in the item data
    box) or 2 (in another item); `method_at` is where it stands, None where the table's version
    has none; `base` is added to each extent's offset; `elsewhere` isn't 0 where they lie in
    another file."""

    item: int
    method: int
    method_at: int | None
    base: Field
    extents: tuple[Extent, ...]
    elsewhere: int


class Heif(FrameFile):
    """A HEIF or AVIF file."""

    code: ClassVar = "heif"
    title: ClassVar = "HEIF"
    suffixes: ClassVar = (".heic", ".heif", ".avif")
    rank: ClassVar = 1

    @staticmethod
    def recognises(reader: FileReader) -> bool:
        """By the major and compatible brands."""
        head = reader.read(0, 8)
        if head[4:8] != b"ftyp":
            return False
        box = reader.read(8, min(int.from_bytes(head[:4], "big"), 512))
        brands = {box[at : at + 4] for at in (0, *range(8, len(box) - 3, 4))}
        return bool(brands & _STILL_BRANDS)

    @property
    def takes_values(self) -> bool:
        """Whether there is an Exif item to write to."""
        try:
            return self._place is not None
        except Damaged:
            return True  # The edit will say what is wrong with it.

    @cached_property
    def _place(self) -> tuple[Location, Box | None] | None:
        """Where the Exif item is, and the item data box; None without one."""
        top = _boxes(self.reader, 0, self.reader.size)
        meta = next((box for box in top if box.type == b"meta"), None)
        if meta is None:
            return None
        if meta.end - meta.start > _LONGEST_META:
            raise Damaged("the meta box is too long")
        inner = {box.type: box for box in _boxes(self.reader, meta.start + 4, meta.end)}
        if b"iinf" not in inner or b"iloc" not in inner:
            return None
        item = next(_items_of_type(self.reader, inner[b"iinf"], b"Exif"), None)
        if item is None:
            return None
        locations = _locations(self.reader, inner[b"iloc"])
        location = next((one for one in locations if one.item == item), None)
        if location is None or not location.extents:
            raise Damaged("the Exif item has no place in the file")
        return location, inner.get(b"idat")

    def _item(self) -> tuple[bytes, int]:
        """The Exif item's data, and how many bytes stand before the TIFF block in them."""
        assert self._place is not None
        data = _data(self.reader, *self._place)
        lead = 4 + int.from_bytes(data[:4], "big")
        if lead + 8 > len(data):
            raise Damaged("the Exif item is cut short")
        return data, lead

    @property
    def exif(self) -> Block | None:
        if self._place is None:
            return None
        data, lead = self._item()
        return Block(data[lead:])

    def edit(self, values: Sequence[TagValue], *, add_packet: bool = False) -> tuple[Splice, ...]:
        if self._place is None:
            raise Refused("the file has no Exif item")
        data, lead = self._item()
        data = data[:lead] + applied_to(data[lead:], values, _LARGEST, NOTHING, padding=True)
        head, start = _wrapping(self.reader, len(data))
        splices = [Splice(self.reader.size, self.reader.size, head + data)]
        return in_order([*splices, *_turned(self._place[0], start, len(data))])


def _wrapping(file: FileReader, size: int) -> tuple[bytes, int]:
    """The head of a media data box for the new item, and where the item then starts. A last box
    that runs to the end of the file takes it without one, if it is a media data box itself."""
    last = max(_boxes(file, 0, file.size), key=lambda box: box.at, default=None)
    if last is None or last.end != file.size:
        raise Refused("the file doesn't end with a whole box")
    if last.open_ended:
        if last.type != b"mdat":
            raise Refused("the file's last box is open-ended and not for media data")
        return b"", file.size
    return struct.pack(">I4s", size + 8, b"mdat"), file.size + 8


def _turned(location: Location, start: int, size: int) -> Iterator[Splice]:
    """The location's fields for an item of `size` bytes at `start` in the file."""
    if len(location.extents) > 1:
        raise Refused(f"the Exif item is in {len(location.extents)} extents")
    extent = location.extents[0]
    if location.method != 0:
        # Only the table's version 0 has no method field, and there the method is always 0.
        assert location.method_at is not None
        yield Splice(location.method_at, location.method_at + 2, b"\0\0")
    # The whole offset goes into one field: some readers pass over the base.
    if extent.offset.width:
        yield _number(extent.offset, start)
        yield _number(location.base, 0)
    elif location.base.width:
        yield _number(location.base, start)
    else:
        raise Refused("the Exif item's location has no offset field")
    if not extent.length.width:
        raise Refused("the Exif item's location has no length field")
    yield _number(extent.length, size)


def _number(field: Field, value: int) -> Splice:
    if not 0 <= value < 1 << (8 * field.width):
        raise Refused(f"the Exif item's location has no room for {value}")
    return Splice(field.at, field.at + field.width, value.to_bytes(field.width, "big"))


def _boxes(file: FileReader, at: int, end: int) -> Iterator[Box]:
    found = 0
    while at + 8 <= end:
        found += 1
        if found > _MOST_BOXES:
            raise Damaged(f"there are more than {_MOST_BOXES} boxes")
        size, kind = struct.unpack(">I4s", file.read(at, at + 8))
        start, open_ended = at + 8, size == 0
        if size == 1:
            wide = file.read(at + 8, at + 16)
            size = int.from_bytes(wide, "big")
            start = at + 16
        if open_ended:
            size = end - at
        if size < start - at or at + size > end:
            raise Damaged(f"the box at {at} runs past its end")
        yield Box(kind, at, start, at + size, open_ended)
        at += size


_INFO_HEAD = 12
"""Bytes of an item's entry up to its type: version, flags, number, protection, type."""


def _items_of_type(file: FileReader, box: Box, kind: bytes) -> Iterator[int]:
    """The numbers of the items of a type, from the item information box."""
    version = int.from_bytes(file.read(box.start, min(box.start + 1, box.end)), "big")
    entries = box.start + (6 if version == 0 else 8)
    for entry in _boxes(file, entries, box.end):
        if entry.type != b"infe":
            continue
        data = file.read(entry.start, min(entry.end, entry.start + _INFO_HEAD))
        if data[:1] not in (b"\2", b"\3"):
            continue
        width = 2 if data[0] == 2 else 4
        if data[4 + width + 2 : 4 + width + 6] == kind:
            yield int.from_bytes(data[4 : 4 + width], "big")


class _Cursor:
    """Reads the numbers of a table one after another. Raises Damaged past its end."""

    def __init__(self, data: bytes, at: int) -> None:
        self.data = data
        self.base = at
        self.at = 0

    def take(self, width: int) -> Field:
        if self.at + width > len(self.data):
            raise Damaged("the item location box is cut short")
        value = int.from_bytes(self.data[self.at : self.at + width], "big")
        field = Field(self.base + self.at, width, value)
        self.at += width
        return field


def _locations(file: FileReader, box: Box) -> Iterator[Location]:
    table = _Cursor(file.read(box.start, box.end), box.start)
    version = table.take(1).value
    table.take(3)
    if version > 2:
        raise Damaged(f"the item location box has version {version}")
    sizes, more = table.take(1).value, table.take(1).value
    offset_width, length_width = sizes >> 4, sizes & 15
    base_width, index_width = more >> 4, (more & 15) if version else 0
    if not {offset_width, length_width, base_width, index_width} <= {0, 4, 8}:
        raise Damaged("the item location box has fields of no standard width")
    number_width = 4 if version == 2 else 2
    left = _MOST_EXTENTS
    for _ in range(min(table.take(number_width).value, _MOST_ITEMS)):
        item = table.take(number_width).value
        method = table.take(2) if version else None
        elsewhere = table.take(2).value
        base = table.take(base_width)
        extents = []
        count = table.take(2).value
        left -= count
        if left < 0:
            raise Damaged(f"the items are in more than {_MOST_EXTENTS} extents")
        for _ in range(count):
            table.take(index_width)
            extents.append(Extent(table.take(offset_width), table.take(length_width)))
        yield Location(
            item,
            method.value & 15 if method else 0,
            method.at if method else None,
            base,
            tuple(extents),
            elsewhere,
        )


def _data(file: FileReader, location: Location, idat: Box | None) -> bytes:
    if location.elsewhere:
        raise Damaged("the Exif item lies in another file")
    if location.method == 1:
        if idat is None:
            raise Damaged("the Exif item lies in an item data box that isn't there")
        start, end = idat.start, idat.end
    elif location.method == 0:
        start, end = 0, file.size
    else:
        raise Damaged(f"the Exif item has construction method {location.method}")
    pieces = []
    left = _LONGEST_ITEM
    for extent in location.extents:
        at = start + location.base.value + extent.offset.value
        # A length of 0, or none, means all there is (ISO/IEC 14496-12, 8.11.3.3).
        last = at + extent.length.value if extent.length.value else end
        left -= last - at
        if not start <= at <= last <= end or left < 0:
            raise Damaged("the Exif item lies outside the file, or is absurdly long")
        pieces.append(file.read(at, last))
    return b"".join(pieces)
