"""JPEG files and their Exif blocks, taken apart by hand (ITU-T T.81, annex B; TIFF 6.0)."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from PIL import Image

APP0, APP1, APP2, SCAN = 0xE0, 0xE1, 0xE2, 0xDA
EXIF = b"Exif\0\0"
XMP = b"http://ns.adobe.com/xap/1.0/\0"


def picture(size: tuple[int, int] = (16, 8), mode: str = "RGB", **options: Any) -> bytes:
    """A small JPEG by Pillow, with JFIF's segment (but for CMYK) and no Exif."""
    ramp = Image.linear_gradient("L").resize(size).convert(mode)
    out = io.BytesIO()
    ramp.save(out, "JPEG", **options)
    return out.getvalue()


def segment(marker: int, contents: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(contents) + 2) + contents


def with_segments(plain: bytes, *added: bytes) -> bytes:
    """The JPEG with more segments: after JFIF's where it has that, else after the start marker."""
    at = 2
    if plain[2:4] == b"\xff\xe0":
        at = 4 + int.from_bytes(plain[4:6], "big")
    return plain[:at] + b"".join(added) + plain[at:]


def small_block(padding: int = 0) -> bytes:
    """IFD0 with an Orientation and an Exif directory with an ISO speed, then zeros."""
    main = struct.pack("<HHHIIHHIII", 2, 0x0112, 3, 1, 1, 0x8769, 4, 1, 38, 0)
    exif = struct.pack("<HHHIII", 1, 0x8827, 3, 1, 200, 0)
    return b"II*\0\x08\0\0\0" + main + exif + bytes(padding)


def with_block(block: bytes) -> bytes:
    """A small picture that carries this TIFF block."""
    return with_segments(picture(), segment(APP1, EXIF + block))


@dataclass(frozen=True)
class Piece:
    """A marker segment: the marker, where it starts, how many fill bytes stand before it."""

    marker: int
    at: int
    fill: int
    contents: bytes

    @property
    def end(self) -> int:
        return self.at + 4 + len(self.contents)


def pieces(data: bytes) -> Iterator[Piece]:
    """Every segment up to the scan's header."""
    assert data[:2] == b"\xff\xd8"
    at = 2
    while True:
        start = at
        while data[at + 1] == 0xFF:
            at += 1
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        yield Piece(data[at + 1], at, at - start, data[at + 4 : at + 2 + length])
        if data[at + 1] == SCAN:
            return
        at += 2 + length


def exif_piece(data: bytes) -> Piece | None:
    return next((p for p in pieces(data) if p.contents[:5] == b"Exif\0" and p.marker == APP1), None)


def exif_block(data: bytes) -> bytes:
    """The TIFF block of the Exif segment; empty without one."""
    piece = exif_piece(data)
    return b"" if piece is None else piece.contents[6:]


@dataclass(frozen=True)
class Row:
    """A directory entry: tag, type, count, the offset of the entry, of its value and its end."""

    tag: int
    type: int
    count: int
    at: int
    value_at: int
    value_end: int


SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}


def rows(block: bytes, at: int) -> Sequence[Row]:
    """The entries of the directory at this offset."""
    order = "<" if block[:2] == b"II" else ">"
    (count,) = struct.unpack_from(order + "H", block, at)
    found = []
    for n in range(count):
        place = at + 2 + 12 * n
        tag, kind, values, value = struct.unpack_from(order + "HHII", block, place)
        size = SIZES.get(kind, 1) * values
        start = place + 8 if size <= 4 else value
        found.append(Row(tag, kind, values, place, start, start + size))
    return found


def number(block: bytes, row: Row) -> int:
    """A LONG inside its entry."""
    return int(struct.unpack_from("<I" if block[:2] == b"II" else ">I", block, row.value_at)[0])


def exif_rows(block: bytes) -> tuple[Row | None, Sequence[Row]]:
    """The pointer to the Exif directory, and that directory's entries."""
    order = "<" if block[:2] == b"II" else ">"
    main = rows(block, struct.unpack_from(order + "I", block, 4)[0])
    pointer = next((row for row in main if row.tag == 0x8769), None)
    return pointer, () if pointer is None else rows(block, number(block, pointer))


def maker_note(data: bytes) -> tuple[int, bytes] | None:
    """The MakerNote's offset in the block and its bytes, as far as the file has them."""
    piece = exif_piece(data)
    if piece is None or piece.contents[8:10] not in (b"*\0", b"\0*"):
        return None
    for row in exif_rows(piece.contents[6:])[1]:
        if row.tag == 0x927C:
            start = piece.at + 10
            return row.value_at, data[start + row.value_at : start + row.value_end]
    return None
