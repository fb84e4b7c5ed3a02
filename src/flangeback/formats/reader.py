"""A file's bytes, a stretch at a time: all reading of pictures goes through here."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Self

from flangeback.system import Identity, identity, open_to_read, pread

_AT_HAND = 16_384
"""Bytes read at first: mostly all the Exif there is, but for the thumbnail."""
_AHEAD = 512
"""Bytes read at once elsewhere: small numbers stand close to one another in a file's tables."""


class Damaged(ValueError):
    """The structure can't be read; the message says where and why."""


class FileReader:
    """A file, open inside `with`, which stands before all else.

    A stretch asked for later is read by opening it for that moment. A descriptor in the place of a
    path stays open. `identity` tells the file that was first read, or is `known`, from any other;
    `size` is in bytes, `modified_ns` the time of modification.

    Raises OSError where it can't be opened or read, Damaged where it isn't any more what it was.
    """

    def __init__(self, file: Path | str | int, known: Identity | None = None) -> None:
        self.file, self.identity = file, known
        self._descriptor, self._at_hand, self._users = -1, b"", 0
        self._near, self._near_at = b"", 0

    def __enter__(self) -> Self:
        if not self._users:
            self._open()
        self._users += 1
        return self

    def _open(self) -> None:
        self._descriptor = self.file if isinstance(self.file, int) else open_to_read(self.file)
        status = os.fstat(self._descriptor)
        self.identity = self.identity or identity(status)
        if (status.st_size, status.st_mtime_ns) != (self.size, self.modified_ns):
            self._close()
            raise Damaged("the file changed since it was first read")

    def __exit__(self, *_: object) -> None:
        self._users -= 1
        if not self._users:
            self._close()

    def _close(self) -> None:
        if not isinstance(self.file, int):
            os.close(self._descriptor)
        self._at_hand = self._near = b""

    @property
    def size(self) -> int:
        return self.identity[2] if self.identity else -1

    @property
    def modified_ns(self) -> int:
        return self.identity[3] if self.identity else -1

    @property
    def is_open(self) -> bool:
        """Whether somebody reads inside `with`."""
        return self._users > 0

    def read(self, start: int, end: int) -> bytes:
        """The bytes from `start` to `end`, fewer where the file ends before."""
        if end <= len(self._at_hand):
            return self._at_hand[start:end]
        if not self._users:
            with self:
                return self._read(start, end)
        if not self._at_hand:
            self._at_hand = self._read(0, _AT_HAND)
            return self.read(start, end) if self._at_hand else b""
        if end - start > _AHEAD:
            return self._read(start, end)
        if not self._near_at <= start <= end <= self._near_at + len(self._near):
            self._near, self._near_at = self._read(start, start + _AHEAD), start
        return self._near[start - self._near_at : end - self._near_at]

    def _read(self, start: int, end: int) -> bytes:
        return pread(self._descriptor, max(0, min(end, self.size) - start), start)


class Stretch:
    """A part of a file, from `start` up to, not including, `end`."""

    __slots__ = ("_read", "end", "size", "start")

    def __init__(self, file: Bytes, start: int, end: int) -> None:
        self._read = file.read
        self.start, self.end, self.size = start, end, end - start

    def read(self, start: int, end: int) -> bytes:
        """The bytes from `start` to `end` of the part, fewer where it ends before."""
        return self._read(self.start + start, min(self.start + end, self.end))


Bytes = FileReader | Stretch
"""What is read by stretches, of `size` bytes in all."""
