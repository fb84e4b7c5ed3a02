"""Files of parts with a type each: boxes (ISO/IEC 14496-12, 4.2), or chunks."""

from __future__ import annotations

import struct
from abc import abstractmethod
from collections.abc import Iterator
from functools import cached_property
from typing import NamedTuple

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.reader import Bytes, Damaged
from flangeback.formats.splices import Splice, changed

MOST_PARTS = 1 << 16
"""Beyond this a file isn't a camera's, and working it out would take long."""


class Part(NamedTuple):
    """A part: its type, where it starts, where its contents do and end, where the next may start.

    `is_open` marks a box whose size field is 0: it runs to the end of the file.
    """

    type: bytes
    at: int
    start: int
    end: int
    after: int
    is_open: bool = False


class FileOfParts(FrameFile):
    """A file whose metadata are parts of it."""

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """All of them. Raises Damaged where they don't lead to the file's end."""
        return tuple(self.walk())

    @abstractmethod
    def walk(self) -> Iterator[Part]:
        """The parts, one by one. Raises Damaged."""

    def all_of(self, *types: bytes) -> list[Part]:
        """The parts of one of these types."""
        return [part for part in self.parts if part.type in types]

    def first(self, *types: bytes) -> Part | None:
        """The first of them."""
        return next(iter(self.all_of(*types)), None)

    def contents(self, part: Part) -> bytes:
        """What is in a part."""
        return self.reader.read(part.start, part.end)

    def placed(self, part: Part | None, fresh: bytes, at: int) -> Splice:
        """The splice that turns a part into a fresh one, or puts that in `at` some place."""
        if part is None:
            return Splice(at, at, fresh)
        return changed(part.at, self.reader.read(part.at, part.after), fresh)


def boxes(file: Bytes, at: int, end: int) -> Iterator[Part]:
    """The boxes from one offset to another. Raises Damaged at one that runs past the end."""
    for _ in range(MOST_PARTS):
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
        yield Part(kind, at, start, at + size, at + size, is_open)
        at += size
    raise Damaged(f"there are more than {MOST_PARTS} boxes")


def has_brand(file: Bytes, brands: frozenset[bytes]) -> bool:
    """Whether a file starts with a file type box that names one of these brands (4.3)."""
    head = file.read(0, 8)
    if head[4:8] != b"ftyp":
        return False
    box = file.read(8, min(int.from_bytes(head[:4], "big"), 512))
    return bool({box[at : at + 4] for at in (0, *range(8, len(box) - 3, 4))} & brands)
