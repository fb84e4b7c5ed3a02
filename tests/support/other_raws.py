"""Raw files of structures that aren't TIFF's, laid out by hand."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from support.heif_files import box
from support.raw_files import plain_raw

METADATA_BOX = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")


def in_boxes(main: bytes, exif: bytes) -> bytes:
    """CR3-type: the main directory's block and the Exif directory's, each in a box."""
    parts = box(b"CMT1", main) + box(b"CMT2", exif)
    metadata = box(b"moov", box(b"uuid", METADATA_BOX + parts))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + metadata + box(b"mdat", bytes(range(200)))


def behind_jpeg(jpeg: bytes) -> bytes:
    """RAF-type: an embedded JPEG, its place at byte 84."""
    head = b"KESTRN\0\0CCD-RAW 0201".ljust(84, b"\0")
    return head + struct.pack(">II", 100, len(jpeg)) + bytes(8) + jpeg + bytes(range(200))


def in_block(block: bytes) -> bytes:
    """MRW-type: the TIFF block among blocks of a header."""
    blocks = b"\0PRD" + struct.pack(">I", 8) + bytes(8) + b"\0TTW" + struct.pack(">I", len(block))
    blocks += block
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + bytes(range(200))


def in_sections(properties: Mapping[str, str]) -> bytes:
    """X3F-type: properties as texts in UTF-16, a directory at the end."""
    text, pairs = "", b""
    for name, value in properties.items():
        pairs += struct.pack("<II", len(text), len(text) + len(name) + 1)
        text += f"{name}\0{value}\0"
    data = text.encode("utf-16-le")
    section = b"SECp\0\0\2\0" + struct.pack("<4I", len(properties), 0, 0, len(text)) + pairs + data
    head = b"FOVb".ljust(232, b"\0")
    directory = b"SECd\0\0\2\0" + struct.pack("<III", 1, len(head), len(section)) + b"PROP"
    return head + section + directory + struct.pack("<I", len(head + section))


def heap(records: Mapping[int, bytes]) -> bytes:
    """A heap: the records' data, its directory, and where that is."""
    data, rows = b"", b""
    for tag, value in records.items():
        if tag & 0x4000:
            rows += struct.pack("<H8s", tag, value)
        else:
            rows += struct.pack("<HII", tag, len(value), len(data))
            data += value
    return data + struct.pack("<H", len(records)) + rows + struct.pack("<I", len(data))


def in_heap(body: bytes, seconds: int, apex: float, focal_length: int) -> bytes:
    """CRW-type: a heap within a heap has the camera's records."""
    shot = struct.pack("<33H", 66, *([0] * 20), round(32 * apex), *([0] * 11))
    camera = heap(
        {
            0x080A: body,
            0x180E: struct.pack("<III", seconds, 0, 0),
            0x5029: struct.pack("<4H", 0, focal_length, 0, 0),
            0x102A: shot,
        }
    )
    return b"II\x1a\0\0\0HEAPCCDR" + bytes(12) + heap({0x2005: bytes(50), 0x300A: camera})


PROPERTIES = {
    "CAMMANUF": "Kestrin",
    "CAMMODEL": "Kestrin K7",
    "CAMSERIAL": "0071133",
    "TIME": "1779009180",
    "AP_DESC": "8",
    "FLENGTH": "30",
    "FLEQ35MM": "51",
}
"""Taken on 2026-05-17 at 09:13:00."""

_MAIN = plain_raw(exif=None).data
EVERY = {
    "boxes": in_boxes(plain_raw(mark=False).data, _MAIN),
    "block": in_block(plain_raw(mark=False).data),
    "sections": in_sections(PROPERTIES),
    "heap": in_heap(b"Kestrin\0Kestrin K7\0", 1779009180, 6.0, 30),
}
