"""Keeps two notes made at once from losing one another."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flangeback.errors import InputError, Problem


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Keeps other notes away from this file's folder meanwhile. Raises InputError where the
    folder isn't there."""
    try:
        folder = os.open(path.parent, os.O_RDONLY)
    except OSError as error:
        raise InputError(Problem(str(path.parent), f"can't be opened: {error.strerror}")) from None
    try:
        with suppress(ImportError):  # Not every system has locks; there it is the user's care.
            import fcntl

            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)
