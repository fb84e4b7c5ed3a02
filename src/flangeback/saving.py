"""Small files that are put under their names whole: logs, kits, pages."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

from flangeback.errors import InputError
from flangeback.system import part_name, remove, rename, rename_new, sync_folder, write_part


def save(path: Path, content: bytes) -> None:
    """Puts `content` under this name, whole or not at all.

    A temporary file beside it is renamed, so that a reader finds the old file or the new one. A
    link keeps pointing where it does; permissions stay.

    Raises InputError where it can't be written, or what stands there isn't a regular file; it still
    does then.
    """
    _put(path.resolve(), content, path, rename)


def save_new(path: Path, content: bytes) -> None:
    """Puts `content` under a name that nothing has yet. Raises InputError, also where one has."""
    _put(path, content, path, rename_new)


def taken(path: Path) -> InputError:
    """The fault of a new file's name under which something stands."""
    return InputError.at(path, "stands there already", "another name; it is left as it is")


def _put(target: Path, content: bytes, named: Path, take: Callable[[Path, Path], None]) -> None:
    try:
        if target.exists() and not target.is_file():
            raise OSError(errno.EINVAL, "not a regular file")
        part = part_name(target.parent)
        try:
            write_part(part, content, target)
            take(part, target)
        except BaseException:
            remove(part)
            raise
        sync_folder(target.parent)
    except FileExistsError:
        raise taken(named) from None
    except OSError as error:
        text = f"can't be written: {error.strerror or error}; it is left as it was"
        raise InputError.at(named, text) from None
