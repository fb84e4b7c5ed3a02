"""Locks between processes, as each system has them."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from types import ModuleType

from flangeback.errors import InputError
from flangeback.system import is_part, open_folder, open_to_append, remove

_LOCKED_BYTE = 0x7FFF_FFFE
"""Where a system that locks bytes locks one: behind all that anybody reads."""
_NO_LOCKS = frozenset(
    {errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOLCK, errno.EBADF}
)
"""What a file system without locks answers. Any other error is taken for a lock that another
process holds: a C runtime may give a number of its own for that, or none at all."""
_LONGEST_WAIT, _PAUSE = 60.0, 0.02
"""Seconds."""


def lock(file: int) -> bool:
    """Locks an open file until it is closed; False where another process holds it.

    On a file system without locks it is taken as free.
    """
    try:
        _is_locked(file, wait=False)
    except OSError:
        return False
    return True


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Keeps other processes that ask for the same from this file's folder meanwhile.

    Waits for them. Raises InputError where the folder isn't there, or stays held.
    """
    folder = path.parent
    try:
        file = _open_to_hold(folder)
    except OSError as error:
        raise InputError.at(folder, f"can't be opened: {error.strerror}") from None
    try:
        try:
            is_locked = _is_locked(file, wait=True)
        except OSError:
            text, expected = "another program keeps it locked", "the same command again"
            raise InputError.at(folder, text, expected) from None
        if is_locked:  # Without locks it is the user's care.
            with suppress(OSError):  # What a process that was killed left half made.
                for path in (one for one in folder.iterdir() if is_part(one.name)):
                    with suppress(OSError):
                        remove(path)
        yield
    finally:
        os.close(file)


def _open_to_hold(folder: Path) -> int:
    """The folder, or a file that stands for it on a system that opens none. Raises OSError."""
    try:
        return open_folder(folder)
    except PermissionError:
        import tempfile

        if not folder.is_dir():
            raise
        from xxhash import xxh3_64_hexdigest

        name = f"flangeback-{xxh3_64_hexdigest(os.fsencode(folder.resolve()))}.lock"
        return open_to_append(Path(tempfile.gettempdir()) / name)


def _is_locked(file: int, *, wait: bool) -> bool:
    """Whether it is locked now; not without locks. Raises OSError where another process has it."""
    try:
        _lock(file, wait=wait)
    except ImportError:
        return False
    except OSError as error:
        if error.errno in _NO_LOCKS:
            return False
        raise
    return True


def _lock(file: int, *, wait: bool) -> None:
    """Raises OSError where it is held or can't be, ImportError where the system has no locks."""
    try:
        import fcntl
    except ImportError:
        _lock_byte(import_module("msvcrt"), file, wait=wait)
    else:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))


def _lock_byte(msvcrt: ModuleType, file: int, *, wait: bool) -> None:
    """Raises OSError. Waits by asking again: LK_LOCK would sleep for a second between two tries."""
    before, until = os.lseek(file, 0, os.SEEK_CUR), time.monotonic() + _LONGEST_WAIT
    try:
        while True:
            os.lseek(file, _LOCKED_BYTE, os.SEEK_SET)
            try:
                msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            except OSError as error:
                if not wait or error.errno in _NO_LOCKS or time.monotonic() > until:
                    raise
                time.sleep(_PAUSE)
            else:
                return
    finally:
        os.lseek(file, before, os.SEEK_SET)
