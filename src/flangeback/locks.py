"""Locks between processes, as each system has them."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from types import ModuleType

from flangeback.errors import InputError, Problem
from flangeback.system import clear_parts, open_to_append

_LOCKED_BYTE = 0x7FFF_FFFE
"""Where a system that locks bytes locks one: behind all that anybody reads."""
_HELD = frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK})


def lock(file: int) -> bool:
    """Locks an open file until it is closed; False where another process holds it.

    On a file system without locks it is taken as free.
    """
    try:
        _lock(file, wait=False)
    except OSError as error:
        return error.errno not in _HELD
    except ImportError:
        pass
    return True


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Keeps other processes that ask for the same from this file's folder meanwhile.

    Waits for them. Raises InputError where the folder isn't there.
    """
    try:
        file = _open_to_hold(path.parent)
    except OSError as error:
        raise InputError(Problem(str(path.parent), f"can't be opened: {error.strerror}")) from None
    try:
        with suppress(OSError, ImportError):  # Without locks it is the user's care.
            _lock(file, wait=True)
            clear_parts(path.parent)
        yield
    finally:
        os.close(file)


def _open_to_hold(folder: Path) -> int:
    """The folder, or a file that stands for it on a system that opens none. Raises OSError."""
    try:
        return os.open(folder, os.O_RDONLY)
    except PermissionError:
        import tempfile

        if not folder.is_dir():
            raise
        from xxhash import xxh3_64_hexdigest

        name = f"flangeback-{xxh3_64_hexdigest(os.fsencode(folder.resolve()))}.lock"
        return open_to_append(Path(tempfile.gettempdir()) / name)


def _lock(file: int, *, wait: bool) -> None:
    """Raises OSError where it is held or can't be, ImportError where the system has no locks."""
    try:
        import fcntl
    except ImportError:
        _lock_byte(import_module("msvcrt"), file, wait=wait)
    else:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))


def _lock_byte(msvcrt: ModuleType, file: int, *, wait: bool) -> None:
    """Raises OSError; LK_LOCK itself gives up after ten seconds, with EDEADLK."""
    before = os.lseek(file, 0, os.SEEK_CUR)
    try:
        while True:
            os.lseek(file, _LOCKED_BYTE, os.SEEK_SET)
            try:
                msvcrt.locking(file, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
            except OSError as error:
                if not wait or error.errno not in _HELD:
                    raise
            else:
                return
    finally:
        os.lseek(file, before, os.SEEK_SET)
