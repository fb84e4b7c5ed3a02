"""Writing a small file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from flangeback.errors import InputError, Problem


def save(path: Path, content: bytes) -> None:
    """Put `content` under this name: a temporary file beside it, then a rename, so that a reader
    finds the old file or the new one. A link keeps pointing where it does; permissions stay.

    Raises InputError where it can't be written; what stood there then still does.
    """
    try:
        target = path.resolve()
        mode = target.stat().st_mode & 0o7777 if target.exists() else None
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            temporary.chmod(_usual_mode() if mode is None else mode)
            temporary.replace(target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        make_names_durable(target.parent)
    except OSError as error:
        text = f"can't be written: {error.strerror or error}; it is left as it was"
        raise InputError(Problem(str(path), text)) from None


def make_names_durable(folder: Path) -> None:
    """Has the names in a folder written to disk, where the system can."""
    with suppress(OSError):  # Some systems don't open folders; names are then as safe as they get.
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _usual_mode() -> int:
    """What a new file gets; a temporary one is made for its owner's eyes alone."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
