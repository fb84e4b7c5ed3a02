"""HEIF and AVIF files: the item tables, the Exif and the XMP item.

Item location and information boxes: ISO/IEC 14496-12, 8.11.3 and 8.11.6; Exif and XMP items:
ISO/IEC 23008-12, annex A.2. An edit puts these items anew behind the last box and turns their
locations to it; the coded picture, the old items and a maker's trailer stay.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from io import BytesIO
from typing import ClassVar, NamedTuple

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.parts import Part, boxes, has_brand
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import Block
from flangeback.tags.table import TagValue

_STILL_BRANDS = frozenset(
    [b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"mif3", b"msf1", b"avif", b"avis"]
)
"""Brands of still pictures in the ISO base media file format (ISO/IEC 23008-12, annex B; AV1 Image
File Format, section 6)."""

_XMP = b"XMP"
_SEAL = bytes.fromhex("d8fec3d61b0e483c92975828877ec481")
"""The type of the box that holds a seal (C2PA specification)."""
_TIFF_MARKS = (b"II*\0", b"MM\0*")
_OWN_TYPES = frozenset(
    [b"ftyp", b"meta", b"mdat", b"moov", b"free", b"skip", b"wide", b"uuid", b"moof", b"mfra"]
)
"""Box types of the standard; what a maker puts behind the last of them is looked for at the end."""
_TRAILER = b"SEFT"
"""The end of a maker's trailer whose offsets count within itself (common practice, as seen)."""

_LARGEST = 2**32 - 1
_LONGEST_META = _LONGEST_ITEM = 1 << 24
_MOST_ITEMS = _MOST_EXTENTS = 1 << 16
"""Beyond these a file isn't a camera's, and working it out would take long."""


class Field(NamedTuple):
    """A number of a table: its place in the file, its width in bytes (0: absent) and value."""

    at: int
    width: int
    value: int


class Extent(NamedTuple):
    """A stretch of an item's data."""

    offset: Field
    length: Field


class Location(NamedTuple):
    """Where an item's data lie.

    `method` is 0 (offsets count in the file), 1 (in the item data box) or 2 (in another item);
    `method_at` is where it stands, None where the table's version has none; `base` is added to each
    extent's offset; `elsewhere` isn't 0 where they lie in another file.
    """

    item: int
    method: int
    method_at: int | None
    base: Field
    extents: tuple[Extent, ...]
    elsewhere: int

    @property
    def end(self) -> int:
        """Where the data end in the file, as far as the location tells; 0 within another box."""
        ends = (one.offset.value + one.length.value for one in self.extents)
        return 0 if self.method else self.base.value + max(ends, default=0)


class Heif(FrameFile):
    """A HEIF or AVIF file."""

    code: ClassVar = "heif"
    title: ClassVar = "HEIF"
    suffixes: ClassVar = (".heic", ".heif", ".hif", ".avif")
    rank: ClassVar = 1

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        return has_brand(reader, _STILL_BRANDS)

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        if b"Exif" not in self._items:
            return "the file has no Exif item"
        return super().obstacle(values) or self.refusal(values)

    @property
    def is_cut_short(self) -> bool:
        return bool(self._items) and self._end > self.reader.size

    @property
    def holds_seal(self) -> bool:
        found, _ = self._top
        uuids = (box for box in found if box.type == b"uuid")
        return any(self.reader.read(box.start, box.start + 16) == _SEAL for box in uuids)

    @cached_property
    def _top(self) -> tuple[Sequence[Part], Damaged | None]:
        """The file's own boxes, up to where they can't be read any more, and why."""
        found: list[Part] = []
        try:
            found.extend(boxes(self.reader, 0, self.reader.size))
        except Damaged as damage:
            return found, damage
        return found, None

    @cached_property
    def _items(self) -> Mapping[bytes, Location]:
        """Where the first items of type Exif and of XMP (by the key "XMP") are."""
        found, damage = self._top
        for box in found:
            if box.type == b"mini":
                raise Damaged("the metadata are in a mini box, which isn't read")
            if box.type == b"meta":
                return self._items_of(box)
        if damage is not None:
            raise damage
        return {}

    def _items_of(self, meta: Part) -> Mapping[bytes, Location]:
        if meta.end - meta.start > _LONGEST_META:
            raise Damaged("the meta box is too long")
        inner = {box.type: box for box in boxes(self.reader, meta.start + 4, meta.end)}
        self._idat, self._end = inner.get(b"idat"), 0
        if b"iinf" not in inner or b"iloc" not in inner:
            return {}
        numbers: dict[bytes, int] = {}
        for kind, number in _metadata_items(self.reader, inner[b"iinf"]):
            numbers.setdefault(kind, number)
        wanted = {number: kind for kind, number in numbers.items()}
        locations = list(_locations(self.reader, inner[b"iloc"])) if wanted else []
        self._end = max((one.end for one in locations if not one.elsewhere), default=0)
        found = {wanted[one.item]: one for one in locations if one.item in wanted and one.extents}
        if b"Exif" in numbers and b"Exif" not in found:
            raise Damaged("the Exif item has no place in the file")
        return found

    def _data(self, kind: bytes) -> bytes:
        """An item's data. Raises Damaged."""
        location, start, end = self._items[kind], 0, self.reader.size
        if location.elsewhere:
            raise Damaged("the Exif item lies in another file")
        if location.method == 1:
            if self._idat is None:
                raise Damaged("the Exif item lies in an item data box that isn't there")
            start, end = self._idat.start, self._idat.end
        elif location.method:
            raise Damaged(f"the Exif item has construction method {location.method}")
        pieces, left = [], _LONGEST_ITEM
        for extent in location.extents:
            at = start + location.base.value + extent.offset.value
            # A length of 0, or none, means all there is (ISO/IEC 14496-12, 8.11.3.3).
            last = at + extent.length.value if extent.length.value else end
            left -= last - at
            if not start <= at <= last <= end or left < 0:
                raise Damaged("the Exif item lies outside the file, or is absurdly long")
            pieces.append(self.reader.read(at, last))
        return b"".join(pieces)

    @property
    def exif(self) -> Block | None:
        if b"Exif" not in self._items:
            return None
        data = self._data(b"Exif")
        return Block(data[_lead(data) :])

    @cached_property
    def packets(self) -> Sequence[bytes]:
        return [self._data(_XMP)] if _XMP in self._items else ()

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        from flangeback.formats.tiff_edit import applied_to

        if b"Exif" not in self._items:
            raise Refused("the file has no Exif item")
        data = self._data(b"Exif")
        lead = _lead(data)
        block = applied_to(Block(data[lead:]), values, _LARGEST)
        fresh = {b"Exif": data[:lead] + block}
        if packet is not None and _XMP in self._items:
            fresh[_XMP] = packet
        head, at, start = self._place_for(sum(map(len, fresh.values())))
        yield Splice(at, at, head + b"".join(fresh.values()))
        for kind, data in fresh.items():
            yield from _turned(self._items[kind], start, len(data))
            start += len(data)

    def _place_for(self, size: int) -> tuple[bytes, int, int]:
        """The head of a media data box for `size` bytes, where it goes, where its contents start.

        It goes behind the standard's last box. One that runs to the end of the file takes them
        without a head, if it is a media data box itself.
        """
        last, end, whole = None, 0, 0
        for box in self._top[0]:
            if box.type == b"moov" and b"Exif" in self.reader.read(box.start, box.end):
                raise Refused("the image sequence has Exif data of its own")
            last, end = (box, box.end) if box.type in _OWN_TYPES else (last, end)
            whole = box.end
        size_of_file = self.reader.size
        is_trailer = self.reader.read(size_of_file - 4, size_of_file) == _TRAILER
        if last is None or not (whole == size_of_file or is_trailer):
            raise Refused("the file doesn't end with a whole box")
        if last.is_open:
            if last.type != b"mdat":
                raise Refused("the file's last box is open-ended and not for media data")
            return b"", end, end
        if any(location.end > end for location in self._items.values()):
            raise Refused("the metadata lie behind the last box")
        return struct.pack(">I4s", size + 8, b"mdat"), end, end + 8


def _lead(data: bytes) -> int:
    """How many bytes of an Exif item stand before its TIFF block.

    Four say how many follow (ISO/IEC 23008-12, annex A.2.1); some writers leave them out.
    """
    lead = 4 + int.from_bytes(data[:4], "big")
    if data[:4] in _TIFF_MARKS:
        lead = 0
    elif data.startswith(b"Exif\0\0"):
        lead = 6
    if lead + 8 > len(data):
        raise Damaged("the Exif item is cut short")
    return lead


def _turned(location: Location, start: int, size: int) -> Iterator[Splice]:
    """The location's fields for an item of `size` bytes at `start` in the file.

    The place goes into the field that held it: some readers pass over the base, some over the
    offset.
    """
    if len(location.extents) > 1:
        raise Refused(f"an item of metadata is in {len(location.extents)} extents")
    (extent,) = location.extents
    base, offset = location.base, extent.offset
    if location.method != 0:
        # Only the table's version 0 has no method field, and there the method is always 0.
        assert location.method_at is not None
        yield Splice(location.method_at, location.method_at + 2, b"\0\0")
        base, offset = base._replace(value=0), offset._replace(value=0)
    if not base.width and not offset.width:
        raise Refused("the Exif item's location has no offset field")
    if not extent.length.width:
        raise Refused("the Exif item's location has no length field")
    if base.width and offset.width and base.value and offset.value and start >= base.value:
        yield _number(offset, start - base.value)
    elif not offset.width or (base.value and not offset.value):
        yield _number(base, start)
    else:
        yield _number(base, 0)
        yield _number(offset, start)
    yield _number(extent.length, size)


def _number(field: Field, value: int) -> Splice:
    if not 0 <= value < 1 << (8 * field.width):
        raise Refused(f"the Exif item's location has no room for {value}")
    return Splice(field.at, field.at + field.width, value.to_bytes(field.width, "big"))


def _metadata_items(file: FileReader, box: Part) -> Iterator[tuple[bytes, int]]:
    """The numbers of the Exif and XMP items, from the item information box (8.11.6)."""
    version = int.from_bytes(file.read(box.start, min(box.start + 1, box.end)), "big")
    for entry in boxes(file, box.start + (6 if version == 0 else 8), box.end):
        data = file.read(entry.start, min(entry.end, entry.start + _LONGEST_INFO))
        if entry.type != b"infe" or data[:1] not in (b"\2", b"\3"):
            continue
        width = 2 if data[0] == 2 else 4
        kind, number = data[6 + width : 10 + width], int.from_bytes(data[4 : 4 + width], "big")
        texts = data[10 + width :].split(b"\0")
        if kind == b"Exif":
            yield kind, number
        elif kind == b"mime" and texts[1:2] == [b"application/rdf+xml"] and not any(texts[2:3]):
            yield _XMP, number


_LONGEST_INFO = 512


def _locations(file: FileReader, box: Part) -> Iterator[Location]:
    table = BytesIO(file.read(box.start, box.end))

    def take(width: int) -> Field:
        at, data = box.start + table.tell(), table.read(width)
        if len(data) < width:
            raise Damaged("the item location box is cut short")
        return Field(at, width, int.from_bytes(data, "big"))

    version = take(1).value
    take(3)
    if version > 2:
        raise Damaged(f"the item location box has version {version}")
    sizes, more = take(1).value, take(1).value
    offset_width, length_width = sizes >> 4, sizes & 15
    base_width, index_width = more >> 4, (more & 15) if version else 0
    if not {offset_width, length_width, base_width, index_width} <= {0, 4, 8}:
        raise Damaged("the item location box has fields of no standard width")
    number_width = 4 if version == 2 else 2
    left = _MOST_EXTENTS
    for _ in range(min(take(number_width).value, _MOST_ITEMS)):
        item = take(number_width).value
        method = take(2) if version else None
        elsewhere = take(2).value
        base = take(base_width)
        extents = []
        count = take(2).value
        left -= count
        if left < 0:
            raise Damaged(f"the items are in more than {_MOST_EXTENTS} extents")
        for _ in range(count):
            take(index_width)
            extents.append(Extent(take(offset_width), take(length_width)))
        yield Location(
            item,
            method.value & 15 if method else 0,
            method.at if method else None,
            base,
            tuple(extents),
            elsewhere,
        )
