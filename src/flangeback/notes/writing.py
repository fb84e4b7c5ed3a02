"""Appends to a file so that it is at every moment either as it was or as it will be."""

from __future__ import annotations

import os
import tempfile
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


def append(path: Path, before: bytes, added: bytes) -> None:
    """Write `before`, what stands in the file, and `added` behind it, in a new file that takes
    the old one's place. Raises InputError where it can't be written."""
    try:
        number, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        temporary = Path(name)
        try:
            with os.fdopen(number, "wb") as file:
                file.write(before + added)
                file.flush()
                _keep_mode(path, number)
                os.fsync(number)
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        _sync(path.parent)
    except OSError as error:
        raise InputError(
            Problem(str(path), f"can't be written: {error.strerror}; it is left as it was")
        ) from None


def _keep_mode(path: Path, file: int) -> None:
    """The permissions of the old file; those of any new one where there is none."""
    try:
        mode = path.stat().st_mode & 0o7777
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        mode = 0o666 & ~mask
    os.fchmod(file, mode)


def _sync(folder: Path) -> None:
    with suppress(OSError):  # Some file systems have no such thing.
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
