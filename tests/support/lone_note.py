"""A MakerNote put into a block where nothing else is the same but its place.

Readers make some entries of a MakerNote out of bytes beyond it: its offsets lead there, or it is
cut short. Those entries say nothing about the MakerNote. Which they are is found by trial: with
the note's bytes in their place and everything around them different, an entry that reads
differently is made out of the surroundings.
"""

from __future__ import annotations

import io
import struct

import exifread

from support.plain_jpeg import APP1, EXIF, exif_block, maker_note, picture, rows, segment
from support.readers import Reader, is_standard

_MAKE, _MODEL = 0x010F, 0x0110
"""Readers choose how to read a MakerNote by these."""


def own_entries(data: bytes, read: Reader) -> set[str]:
    """The MakerNote entries of this file that the reader makes out of the MakerNote alone: those
    that read as they do in the file whatever stands around it."""
    whole = read(data)
    first, second = (read(_alone(data, around, lead)) for around, lead in ((b"\0", 0), (b"U", 64)))
    return {
        name
        for name, found in whole.items()
        if not is_standard(name) and found == first.get(name) == second.get(name)
    }


def led_outside(data: bytes) -> set[str]:
    """The entries whose values ExifRead took from outside the MakerNote, whether their offsets
    count from the block's start or from the note's own."""
    found = maker_note(data)
    assert found is not None
    at, size = found[0], len(found[1])
    tags = exifread.process_file(io.BytesIO(data), details=True)
    return {
        name
        for name, tag in tags.items()
        if not is_standard(name)
        and tag.field_offset + tag.field_length > size
        and not at <= tag.field_offset <= at + size - tag.field_length
    }


def _alone(data: bytes, around: bytes, lead: int) -> bytes:
    """A JPEG whose block has the MakerNote of `data` in its place, surrounded by `around`."""
    block, found = exif_block(data), maker_note(data)
    assert found is not None
    at, note = found
    mark = block[:2]
    order = "<" if mark == b"II" else ">"
    texts = [
        (row.tag, block[row.value_at : row.value_end])
        for row in rows(block, struct.unpack_from(order + "I", block, 4)[0])
        if row.tag in (_MAKE, _MODEL)
    ]
    main_at = at + len(note) + lead + len(note) % 2
    head = mark + struct.pack(order + "HI", 42, main_at)
    body = (head + around * at)[:at] + note
    body += around * (main_at - len(body))
    body += _directories(order, main_at, texts, (at, len(note)))
    contents = (EXIF + body)[:65_533]
    plain = picture()
    return plain[:2] + segment(APP1, contents) + plain[2:]


def _directories(
    order: str, at: int, texts: list[tuple[int, bytes]], note: tuple[int, int]
) -> bytes:
    """IFD0 with the texts and the Exif pointer, then an Exif directory with the MakerNote only."""
    exif_at = at + 2 + 12 * (len(texts) + 1) + 4
    text_at = exif_at + 2 + 12 + 4
    main, tail = struct.pack(order + "H", len(texts) + 1), b""
    for tag, text in texts:
        place = struct.pack(order + "I", text_at + len(tail)) if len(text) > 4 else text.ljust(4)
        main += struct.pack(order + "HHI", tag, 2, len(text)) + place
        tail += text if len(text) > 4 else b""
    main += struct.pack(order + "HHIII", 0x8769, 4, 1, exif_at, 0)
    exif = struct.pack(order + "HHHIII", 1, 0x927C, 7, note[1], note[0], 0)
    return main + exif + tail
