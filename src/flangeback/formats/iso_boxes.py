"""Boxes of the ISO base media file format (ISO/IEC 14496-12, 4.2)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple

from flangeback.formats.reader import Bytes, Damaged

_MOST_BOXES = 1 << 16
"""Beyond this a file isn't a camera's, and working it out would take long."""


class Box(NamedTuple):
    """A box: its type, where it starts, where its contents do and end.

    `is_open` marks one whose size field is 0: it runs to the end of the file.
    """

    type: bytes
    at: int
    start: int
    end: int
    is_open: bool = False


def boxes(file: Bytes, at: int, end: int) -> Iterator[Box]:
    """The boxes from one offset to another. Raises Damaged at one that runs past the end."""
    for _ in range(_MOST_BOXES):
        if at + 8 > end:
            return
        size, kind = struct.unpack(">I4s", file.read(at, at + 8))
        start, is_open = at + 8, size == 0
        if size == 1:
            size, start = int.from_bytes(file.read(at + 8, at + 16), "big"), at + 16
        if is_open:
            size = end - at
        if size < start - at or at + size > end:
            raise Damaged(f"the box at {at} runs past its end")
        yield Box(kind, at, start, at + size, is_open)
        at += size
    raise Damaged(f"there are more than {_MOST_BOXES} boxes")


def has_brand(file: Bytes, brands: frozenset[bytes]) -> bool:
    """Whether a file starts with a file type box that names one of these brands (4.3)."""
    head = file.read(0, 8)
    if head[4:8] != b"ftyp":
        return False
    box = file.read(8, min(int.from_bytes(head[:4], "big"), 512))
    return bool({box[at : at + 4] for at in (0, *range(8, len(box) - 3, 4))} & brands)
