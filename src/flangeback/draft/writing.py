"""Puts a drafted log where nothing stands yet."""

from __future__ import annotations

import os
from pathlib import Path

from flangeback.errors import InputError, Problem


def check_new(path: Path) -> None:
    """Raises InputError where something stands under this name."""
    if path.exists() or path.is_symlink():
        raise InputError(_stands_there(path))


def _stands_there(path: Path) -> Problem:
    return Problem(str(path), "stands there already", expected="another name; it is left as it is")


def write_new(path: Path, text: str) -> None:
    """Write a file that isn't there yet. Raises InputError where one is, or it can't be written.

    What stands there is never touched, not even when it appears at this very moment.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            try:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                path.unlink()
                raise
    except FileExistsError:
        raise InputError(_stands_there(path)) from None
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be written: {error.strerror}")) from None
