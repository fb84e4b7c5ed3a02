"""HEIF files laid out as bytes, and the Exif item found again by hand (ISO/IEC 14496-12, 4.2, 8.11;
ISO/IEC 23008-12, annex A.2.1)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

CODED = bytes((11 * n + 5) % 253 for n in range(900))
"""What stands for the coded picture."""


def box(kind: bytes, body: bytes, wide: bool = False, open_ended: bool = False) -> bytes:
    if open_ended:
        return struct.pack(">I4s", 0, kind) + body
    if wide:
        return struct.pack(">I4sQ", 1, kind, len(body) + 16) + body
    return struct.pack(">I4s", len(body) + 8, kind) + body


@dataclass(frozen=True)
class Shape:
    """How a file is laid out: the location table's version and the widths of its fields, how the
    Exif item is constructed, in how many extents, and what the file ends with."""

    version: int = 1
    offset: int = 4
    length: int = 4
    base: int = 0
    index: int = 0
    method: int = 0
    extents: int = 1
    brand: bytes = b"heic"
    wide: bool = False
    ends: str = "mdat"
    lead: int = 4
    elsewhere: int = 0
    exif: bool = True
    meta_last: bool = False


def heif(block: bytes, shape: Shape = Shape()) -> bytes:
    """A file with a picture item and an Exif item that holds this TIFF block."""
    ftyp = box(b"ftyp", shape.brand + bytes(4) + b"mif1" + shape.brand)
    item = (
        struct.pack(">I", shape.lead) + b"Exif\0\0"[: shape.lead].ljust(shape.lead, b"\0") + block
    )
    inside = item if shape.method == 1 else b""
    size = len(_meta(shape, 0, 0, 0, inside))
    media = CODED + item if shape.method == 0 else CODED
    ahead = len(ftyp) + (0 if shape.meta_last else size)
    start = ahead + (16 if shape.wide else 8)
    meta = _meta(shape, start, start + len(CODED), len(item), inside)
    mdat = box(b"mdat", media, shape.wide, shape.ends == "open mdat")
    tail = {"open free": box(b"free", bytes(20), open_ended=True), "junk": b"junk"}
    parts = [mdat, meta] if shape.meta_last else [meta, mdat]
    return ftyp + b"".join(parts) + tail.get(shape.ends, b"")


def _meta(shape: Shape, coded: int, exif: int, size: int, inside: bytes) -> bytes:
    handler = box(b"hdlr", bytes(8) + b"pict" + bytes(13))
    primary = box(b"pitm", bytes(4) + struct.pack(">H", 1))
    infos = [box(b"infe", b"\2\0\0\0" + struct.pack(">HH", 1, 0) + b"hvc1\0")]
    if shape.exif:
        infos.append(box(b"infe", b"\2\0\0\0" + struct.pack(">HH", 7, 0) + b"Exif\0"))
    info = box(b"iinf", bytes(4) + struct.pack(">H", len(infos)) + b"".join(infos))
    places = _location(shape, 1, 0, [(coded, len(CODED))])
    if shape.exif:
        at = 0 if shape.method == 1 else exif
        step = size // shape.extents
        pieces = [
            (at + n * step, step if n + 1 < shape.extents else size - n * step)
            for n in range(shape.extents)
        ]
        places += _location(shape, 7, shape.method, pieces)
    head = bytes([shape.version, 0, 0, 0, shape.offset << 4 | shape.length])
    head += bytes([shape.base << 4 | (shape.index if shape.version else 0)])
    head += (1 + shape.exif).to_bytes(4 if shape.version == 2 else 2, "big")
    body = bytes(4) + handler + primary + info + box(b"iloc", head + places)
    return box(b"meta", body + (box(b"idat", inside) if inside else b""))


def _location(shape: Shape, item: int, method: int, pieces: list[tuple[int, int]]) -> bytes:
    out = item.to_bytes(4 if shape.version == 2 else 2, "big")
    out += struct.pack(">H", method) if shape.version else b""
    out += struct.pack(">H", shape.elsewhere if item == 7 else 0)
    base = pieces[0][0] // 2 if shape.base else 0
    if shape.base and not shape.offset:
        base = pieces[0][0]
    out += base.to_bytes(shape.base, "big")
    out += struct.pack(">H", len(pieces))
    for at, size in pieces:
        index = 1 if shape.index and method else 0
        out += index.to_bytes(shape.index if shape.version else 0, "big")
        out += (at - base if shape.offset else 0).to_bytes(shape.offset, "big")
        out += (size if shape.length else 0).to_bytes(shape.length, "big")
    return out


def boxes(data: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        start = at + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, at + 8)
            start = at + 16
        size = size or end - at
        yield kind, start, at + size
        at += size


def items(data: bytes) -> dict[int, tuple[bytes, bytes]]:
    """Each item's type and data, by its number."""
    meta = next((s, e) for kind, s, e in boxes(data, 0, len(data)) if kind == b"meta")
    inner = {kind: (s, e) for kind, s, e in boxes(data, meta[0] + 4, meta[1])}
    at, end = inner[b"iinf"]
    kinds = {}
    for _, start, _ in boxes(data, at + (6 if data[at] == 0 else 8), end):
        long = data[start] == 3
        number = int.from_bytes(data[start + 4 : start + (8 if long else 6)], "big")
        kinds[number] = data[start + (10 if long else 8) :][:4]
    at, _ = inner[b"iloc"]
    version, cursor = data[at], at + 6
    widths = [data[at + 4] >> 4, data[at + 4] & 15, data[at + 5] >> 4, data[at + 5] & 15]
    widths[3] = widths[3] if version else 0

    def take(width: int) -> int:
        nonlocal cursor
        cursor += width
        return int.from_bytes(data[cursor - width : cursor], "big")

    found = {}
    wide = 4 if version == 2 else 2
    for _ in range(take(wide)):
        number = take(wide)
        method = take(2) & 15 if version else 0
        take(2)
        base = take(widths[2]) + (inner[b"idat"][0] if method == 1 else 0)
        content = b""
        for _ in range(take(2)):
            take(widths[3])
            start, length = base + take(widths[0]), take(widths[1])
            content += data[start : start + length if length else len(data)]
        found[number] = (kinds[number], content)
    return found


def exif_block(data: bytes) -> bytes:
    """The TIFF block of the Exif item."""
    item = next(content for kind, content in items(data).values() if kind == b"Exif")
    return item[4 + int.from_bytes(item[:4], "big") :]
