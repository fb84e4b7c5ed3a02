"""Offsets in a JPEG file that lead past its metadata, and follow when bytes are added there.

The multi-picture index is CIPA DC-007's. MakerNotes may point to a preview behind the picture: the
offset counts from the Exif block, from the note, or from a header within it (as seen).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Sequence

from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import Block, Entry
from flangeback.system import CHUNK

END_OF_IMAGE = b"\xff\xd9"
_PICTURE_ENTRIES, _PICTURE_ENTRY_SIZE = 0xB002, 16
_WITHIN_NOTE = (0, 6, 8, 10, 12, 18)
"""Where in a MakerNote its offsets may count from: its start, or a header behind a maker's name."""
_AFCP = re.compile(rb"AXS[!*].{8}", re.DOTALL)
"""The end of a trailer whose offsets count from the file's start (as seen)."""
_AFCP_SIZE = 12


def multi_picture_index(
    reader: FileReader, base: int, end: int, splices: Sequence[Splice]
) -> Iterator[Splice]:
    """The index from `base` to `end`: its first size, the offsets of pictures that moved.

    Raises Refused where it can't be read.
    """
    growth = sum(splice.growth for splice in splices)
    try:
        block = Block(Stretch(reader, base, end))
        index = block.main().find(_PICTURE_ENTRIES)
    except Damaged as damage:
        raise Refused(f"the multi-picture index can't be read: {damage}") from None
    if index is None or not block.holds(index):
        raise Refused("the multi-picture index has no entries")
    behind = sum(splice.growth for splice in splices if splice.start >= end)
    for n in range(index.size // _PICTURE_ENTRY_SIZE):
        at = index.value_at + n * _PICTURE_ENTRY_SIZE + 4
        size, offset = struct.unpack(block.order + "II", block.read(at, at + 8))
        fresh = (size, offset + behind if offset else 0) if n else (size + growth, offset)
        if max(fresh) >= 1 << 32:
            raise Refused("the multi-picture index's numbers can't follow the growth")
        if fresh != (size, offset):
            yield Splice(base + at, base + at + 8, struct.pack(block.order + "II", *fresh))


def note_previews(
    reader: FileReader, scan: int, start: int, note: Entry, splices: Sequence[Splice]
) -> Iterator[Splice]:
    """The MakerNote's offsets of JPEGs behind the picture, whose data begin at `scan`.

    `start` is where the Exif block does. Raises Refused where more than one place could be such an
    offset.
    """
    end = picture_end(reader, scan) or reader.size
    tail = reader.read(end, reader.size)
    at = start + note.value_at
    data = reader.read(at, at + note.size)
    for found in re.finditer(rb"\xff\xd8\xff", tail):
        preview = end + found.start()
        places = dict(_pointers(data, preview, (start, *(at + lead for lead in _WITHIN_NOTE))))
        if len(places) > 1:
            raise Refused("the MakerNote seems to have more than one offset of its preview")
        for place, (order, base) in places.items():
            growth = sum(s.growth for s in splices if base <= s.start <= preview)
            fresh = preview - base + growth
            yield Splice(at + place, at + place + 4, struct.pack(order + "I", fresh))


def _pointers(
    note: bytes, preview: int, bases: Sequence[int]
) -> Iterator[tuple[int, tuple[str, int]]]:
    """Each place in the note that holds the preview's offset from one of the bases.

    With it come the byte order and that base.
    """
    for base in bases:
        for order in "<>":
            wanted = struct.pack(order + "I", preview - base)
            for found in re.finditer(re.escape(wanted), note):
                yield found.start(), (order, base)


def picture_end(reader: FileReader, scan: int) -> int | None:
    """Where the picture ends, behind its end-of-image marker; None without one.

    Within a scan its bytes stand for nothing else (ITU-T T.81, B.1.1.2 and B.1.1.5).
    """
    for at in range(scan, reader.size, CHUNK):
        found = reader.read(at, at + CHUNK + 1).find(END_OF_IMAGE)
        if found >= 0:
            return at + found + 2
    return None


def has_absolute_trailer(reader: FileReader) -> bool:
    """Whether the file ends with a trailer that growth would break."""
    return _AFCP.fullmatch(reader.read(reader.size - _AFCP_SIZE, reader.size)) is not None
