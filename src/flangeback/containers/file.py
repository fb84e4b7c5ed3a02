"""An open file's bytes, a stretch at a time."""

from __future__ import annotations

import os

FIRST_READ = 65_536


class FileHead:
    """An open file, of which the first 64 KiB are at hand and the rest is read when asked for."""

    __slots__ = ("_first", "descriptor", "size")

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor
        self.size = os.fstat(descriptor).st_size
        self._first = os.pread(descriptor, FIRST_READ, 0)

    def read(self, start: int, end: int) -> bytes:
        """The bytes from `start` to `end`, fewer where the file ends before."""
        if end <= len(self._first):
            return self._first[start:end]
        return os.pread(self.descriptor, max(0, min(end, self.size) - start), start)
