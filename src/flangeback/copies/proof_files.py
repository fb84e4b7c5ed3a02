"""Where a file's metadata lies, for the proof: by walks of its own, not those of the writer.

JPEG: ITU-T T.81, annex B; TIFF 6.0, section 2; HEIF: ISO/IEC 14496-12, 8.11.3 and 8.11.6, and
ISO/IEC 23008-12, annex A.2.1.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from flangeback.formats import Damaged

Stretch = tuple[int, int]
"""From one offset in a file to another."""


@dataclass(frozen=True, slots=True)
class Located:
    """A file's metadata.

    `exif` is what ExifRead is given: the file, or its TIFF block alone; `block_size` the block's
    length in bytes, None without one. `block` is for ExifRead where it doesn't find that in the
    file. `packet` is the XMP packet, empty without one. An edit may touch what lies within
    `editable`, where that is known, and nothing of `pictures`, the picture data.
    """

    exif: BinaryIO
    block_size: int | None
    packet: bytes = b""
    editable: tuple[Stretch, ...] | None = None
    pictures: tuple[Stretch, ...] = ()
    block: bytes = b""

    def may_touch(self, start: int, end: int) -> bool:
        """Whether an edit may replace these bytes."""
        inside = self.editable is None or any(a <= start and end <= b for a, b in self.editable)
        return inside and not any(a < end and start < b for a, b in self.pictures)


def locate(kind: str, file: BinaryIO) -> Located:
    """Where the metadata of a file lies; `kind` is the short code of its format.

    Raises Damaged where that can't be told, OSError.
    """
    try:
        return _LOCATE.get(kind, _tiff)(file)
    except (struct.error, zlib.error, IndexError, OverflowError) as error:
        raise Damaged(f"the proof doesn't find its way through the file: {error}") from None


def picture_stretches(kind: str, file: BinaryIO) -> Sequence[Stretch]:
    """Where the coded picture lies; nowhere in formats that the proof doesn't know.

    Nor where it would have more bytes than the file. Raises OSError.
    """
    try:
        found = locate(kind, file).pictures if kind in _LOCATE else ()
    except Damaged:
        return ()
    is_sound = sum(end - start for start, end in found) <= file.seek(0, io.SEEK_END)
    return found if is_sound else ()


def _read(file: BinaryIO, start: int, end: int) -> bytes:
    file.seek(start)
    return file.read(max(0, min(end - start, _LONGEST)))


_LONGEST = 1 << 24

_JFIF, _APP1, _APP2, _SCAN = 0xE0, 0xE1, 0xE2, 0xDA
"""Exif and XMP are in APP1, the multi-picture index is in APP2."""
_METADATA = (*range(0xE0, 0xF0), 0xFE)
"""Application segments and comments; all others are the picture's."""
_WITHOUT_LENGTH = (0x01, *range(0xD0, 0xD9))
_EXIF_NAME, _EXIF_LEAD = b"Exif\0", 6
_XMP_NAME = b"http://ns.adobe.com/xap/1.0/\0"
_TIFF_NUMBERS = (b"II*\0", b"MM\0*")


def _jpeg(file: BinaryIO) -> Located:
    """Segments of metadata may be edited, and a new one may begin behind the start or JFIF's."""
    block, packet, editable, pictures = b"", None, [(2, 2)], list[Stretch]()
    for marker, at, end in _segments(file):
        if marker == _JFIF:
            editable.append((end, end))
        if marker not in _METADATA:
            pictures.append((at, end))
        if marker not in (_APP1, _APP2):
            continue
        editable.append((at, end))
        contents = _read(file, at + 4, end) if marker == _APP1 else b""
        is_exif = contents.startswith(_EXIF_NAME)
        if is_exif and not block and contents[_EXIF_LEAD:][:4] in _TIFF_NUMBERS:
            block = contents[_EXIF_LEAD:]
        elif packet is None and contents.startswith(_XMP_NAME):
            packet = contents[len(_XMP_NAME) :]
    size = len(block) if block else None
    return Located(file, size, packet or b"", tuple(editable), tuple(pictures), block)


def _segments(file: BinaryIO) -> Iterator[tuple[int, int, int]]:
    """Each segment: its marker, where it starts and ends; a scan's goes on to the file's end."""
    at = 2
    while True:
        head = _read(file, at, at + 4)
        if len(head) < 4 or head[0] != 0xFF:
            return
        if head[1] == _SCAN:
            yield _SCAN, at, file.seek(0, io.SEEK_END)
            return
        if head[1] == 0xFF or head[1] in _WITHOUT_LENGTH:
            at += 1 if head[1] == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(head[2:], "big")
        yield head[1], at, end
        at = end


@dataclass(frozen=True, slots=True)
class Row:
    """An entry of a TIFF directory: `value` is the offset of its value, or the value itself."""

    tag: int
    type: int
    count: int
    value: int
    at: int


def rows(file: BinaryIO, base: int, order: str, at: int) -> list[Row]:
    """The entries of the directory at offset `at` of a block that starts at `base`."""
    head = _read(file, base + at, base + at + 2)
    count = struct.unpack(order + "H", head)[0] if len(head) == 2 else 0
    data = _read(file, base + at + 2, base + at + 2 + 12 * count)
    found = []
    for n in range(0, len(data) - 11, 12):
        tag, kind, number, value = struct.unpack_from(order + "HHII", data, n)
        found.append(Row(tag, kind, number, value, at + 2 + n))
    return found


_SUB_DIRECTORIES, _XMP_PACKET = 0x014A, 0x02BC
_PICTURES = ((0x0111, 0x0117), (0x0144, 0x0145), (0x0201, 0x0202))
"""Offsets and lengths: of strips, of tiles, of a JPEG stream."""
_MOST_DIRECTORIES = 64
_INTEGERS = {3: "H", 4: "I", 13: "I"}


def _tiff(file: BinaryIO) -> Located:
    """Anything but the picture data may be edited: the directories are proved tag by tag."""
    size = file.seek(0, io.SEEK_END)
    head = _read(file, 0, 8)
    order = "<" if head[:1] == b"I" else ">"
    (first,) = struct.unpack_from(order + "I", head, 4)
    packet = b""
    for row in rows(file, 0, order, first):
        if row.tag == _XMP_PACKET:
            packet = _read(file, row.value, row.value + row.count)
    pictures = tuple(_tiff_pictures(file, order, first, size))
    return Located(file, size, packet, None, pictures)


def _tiff_pictures(file: BinaryIO, order: str, first: int, size: int) -> Iterator[Stretch]:
    """The picture data of all directories: of the chain, and of those that one leads to."""
    todo, seen = [first], set[int]()
    while todo and len(seen) < _MOST_DIRECTORIES:
        at = todo.pop()
        if at in seen or not 0 < at < size:
            continue
        seen.add(at)
        entries = rows(file, 0, order, at)
        found, end = {row.tag: row for row in entries}, at + 2 + 12 * len(entries)
        todo += _integers(file, order, found.get(_SUB_DIRECTORIES))
        todo += struct.unpack(order + "I", _read(file, end, end + 4).ljust(4, b"\0"))
        for starts, lengths in _PICTURES:
            places = (_integers(file, order, found.get(tag)) for tag in (starts, lengths))
            for start, length in zip(*places, strict=False):
                yield start, start + length


def _integers(file: BinaryIO, order: str, row: Row | None) -> Sequence[int]:
    letter = _INTEGERS.get(row.type) if row else None
    if row is None or letter is None:
        return ()
    length = row.count * struct.calcsize(letter)
    at = row.value if length > 4 else row.at + 8
    data = _read(file, at, at + length)
    return struct.unpack(f"{order}{len(data) // struct.calcsize(letter)}{letter}", data)


def _heif(file: BinaryIO) -> Located:
    """The tables may be edited, and a box may be added behind another; no picture data."""
    size = file.seek(0, io.SEEK_END)
    top = list(_boxes(file, 0, size))
    meta = next((box for box in top if box[0] == b"meta"), None)
    if meta is None:
        return Located(io.BytesIO(), None)
    _, start, end = meta
    inner = {kind: (a, b) for kind, a, b in _boxes(file, start + 4, end)}
    editable = ((start, end), *((after, after) for _, _, after in top))
    idat = inner.get(b"idat", (0, 0))
    items = _items(_read(file, *inner.get(b"iloc", (0, 0))))
    numbers = _numbers(file, inner.get(b"iinf"))
    exif, packet = (_item(file, items.get(number), idat, size) for number in numbers)
    # An extent without a length goes on to the end of the file (ISO/IEC 14496-12, 8.11.3.3).
    pictures = tuple(
        (a, b if b > a else size + 1)
        for number, (within, places) in items.items()
        for a, b in places
        if not within and number not in numbers
    )
    if exif is None:
        return Located(io.BytesIO(), None, packet or b"", editable, pictures)
    lead = 0 if exif[:4] in _TIFF_NUMBERS else 4 + int.from_bytes(exif[:4], "big")
    block = exif[6 if exif.startswith(_EXIF_NAME) else lead :]
    return Located(io.BytesIO(block), len(block), packet or b"", editable, pictures)


def _item(
    file: BinaryIO, places: tuple[bool, list[Stretch]] | None, idat: Stretch, size: int
) -> bytes | None:
    """An item's data; None without such an item."""
    if places is None:
        return None
    within, stretches = places
    base, last = idat if within else (0, size)
    return b"".join(_read(file, base + a, base + b if b > a else last) for a, b in stretches)


def _boxes(file: BinaryIO, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Each box's type, and where its contents start and end."""
    while at + 8 <= end:
        size, kind = struct.unpack(">I4s", _read(file, at, at + 8))
        start = at + 8
        if size == 1:
            size, start = int.from_bytes(_read(file, start, start + 8), "big"), at + 16
        if size == 0:
            size = end - at
        if size < start - at:
            return
        yield kind, start, at + size
        at += size


def _numbers(file: BinaryIO, place: Stretch | None) -> tuple[int | None, int | None]:
    """The numbers of the first item of type Exif, and of the first that is an XMP packet."""
    start, end = place or (0, 0)
    exif = packet = None
    version = _read(file, start, start + 1)
    for kind, at, last in _boxes(file, start + (6 if version == b"\0" else 8), end):
        entry = _read(file, at, min(last, at + 256))
        width = 2 if entry[:1] == b"\2" else 4
        number = int.from_bytes(entry[4 : 4 + width], "big")
        if kind == b"infe" and entry[6 + width :][:4] == b"Exif" and exif is None:
            exif = number
        if kind == b"infe" and b"\0application/rdf+xml\0" in entry and packet is None:
            packet = number
    return exif, packet


_MOST_EXTENTS = 1 << 16
"""Beyond them a file isn't a camera's, and working it out would take long."""


def _items(table: bytes) -> Mapping[int | None, tuple[bool, list[Stretch]]]:
    """Where each item's data lie by the location table.

    Also whether that counts within the item data box, or another item.
    """
    found: dict[int | None, tuple[bool, list[Stretch]]] = {}
    stream = io.BytesIO(table)

    def number(width: int) -> int:
        return int.from_bytes(stream.read(width), "big")

    version, _ = number(1), number(3)
    sizes, more = number(1), number(1)
    left = _MOST_EXTENTS
    for _ in range(number(4 if version == 2 else 2)):
        item = number(4 if version == 2 else 2)
        method = number(2) & 15 if version else 0
        _, base = number(2), number(more >> 4)
        stretches = []
        for _ in range(number(2)):
            left -= 1
            if left < 0:
                raise Damaged(f"the items are in more than {_MOST_EXTENTS} extents")
            number(more & 15 if version else 0)
            start = base + number(sizes >> 4)
            stretches.append((start, start + number(sizes & 15)))
        found.setdefault(item, (method != 0, stretches))
        if stream.tell() >= len(table):
            break
    return found


def _png(file: BinaryIO) -> Located:
    """The chunks of metadata may be edited; new ones come before the picture, or last (PNG)."""
    size, at, exif, packet = file.seek(0, io.SEEK_END), 8, None, b""
    editable, pictures = list[Stretch](), list[Stretch]()
    while at + 8 <= size:
        length, kind = struct.unpack(">I4s", _read(file, at, at + 8))
        contents, end = at + 8, at + 12 + length
        name = _read(file, contents, contents + len(_PNG_XMP)) if kind == b"iTXt" else b""
        if kind in (b"IDAT", b"IEND"):
            editable.append((at, at))
        if kind == b"eXIf" or name == _PNG_XMP:
            editable.append((at, end))
        if kind[:1].isupper():  # A critical chunk.
            pictures.append((contents, end))
        if kind == b"eXIf" and exif is None:
            exif = _read(file, contents, end - 4)
        if name == _PNG_XMP and not packet:
            text = _read(file, contents + len(_PNG_XMP), end - 4)
            packet = text[2:].split(b"\0", 2)[2]
            packet = zlib.decompress(packet) if text[:1] == b"\1" else packet
        at = end
    return _of_block(exif, packet, editable, pictures)


_PNG_XMP = b"XML:com.adobe.xmp\0"


def _of_block(
    exif: bytes | None, packet: bytes, editable: Iterable[Stretch], pictures: Iterable[Stretch]
) -> Located:
    """A file whose Exif block is given to ExifRead alone."""
    size = len(exif) if exif else None
    return Located(io.BytesIO(exif or b""), size, packet, tuple(editable), tuple(pictures))


def _webp(file: BinaryIO) -> Located:
    """The size, the flags and the chunks of metadata may be edited, new ones added (RFC 9649)."""
    end, at = 8 + int.from_bytes(_read(file, 4, 8), "little"), 12
    exif, packet, editable = None, b"", [(4, 8), (20, 21), (end, end)]
    pictures = list[Stretch]()
    while at + 8 <= end:
        kind, length = struct.unpack("<4sI", _read(file, at, at + 8))
        contents, after = at + 8, at + 8 + length + length % 2
        editable.append((at, after if kind in (b"EXIF", b"XMP ", b"XMP\0") else at))
        if kind == b"EXIF" and exif is None:
            exif = _read(file, contents, contents + length).removeprefix(b"Exif\0\0")
        if kind in (b"XMP ", b"XMP\0") and not packet:
            packet = _read(file, contents, contents + length)
        if kind in (b"VP8 ", b"VP8L", b"ALPH", b"ANIM", b"ANMF"):
            pictures.append((contents, after))
        at = after
    return _of_block(exif, packet, editable, pictures)


def _jpeg_xl(file: BinaryIO) -> Located:
    """The boxes of metadata may be edited, and new ones added between boxes (ISO/IEC 18181-2)."""
    size, at, exif, packet = file.seek(0, io.SEEK_END), 0, None, b""
    editable, pictures = list[Stretch](), list[Stretch]()
    for kind, start, end in _boxes(file, 0, size):
        data = _read(file, start, end) if kind in (b"Exif", b"xml ", b"brob") else b""
        if kind == b"brob" and data[:4] in (b"Exif", b"xml "):
            kind, data = data[:4], _inflated(data[4:])
        editable.append((at, end if kind in (b"Exif", b"xml ") else at))
        if kind == b"Exif" and exif is None:
            exif = data[4 + int.from_bytes(data[:4], "big") :]
        if kind == b"xml " and not packet:
            packet = data
        if kind in (b"jxlc", b"jxlp"):
            pictures.append((start, end))
        at = end
    return _of_block(exif, packet, editable, pictures)


def _inflated(data: bytes) -> bytes:
    """A compressed box's contents (RFC 7932). Raises Damaged."""
    import brotli

    try:
        return bytes(brotli.Decompressor().process(data, output_buffer_limit=_LONGEST))
    except brotli.error as error:
        raise Damaged(f"a compressed box can't be read: {error}") from None


_LOCATE: Mapping[str, Callable[[BinaryIO], Located]] = {
    "jpeg": _jpeg,
    "tiff": _tiff,
    "raw-tiff": _tiff,
    "heif": _heif,
    "png": _png,
    "webp": _webp,
    "jpeg-xl": _jpeg_xl,
}
