"""Puts a drafted log where nothing stands yet."""

from __future__ import annotations

import os
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.system import open_new, sync_file, write_all


def check_new(path: Path) -> None:
    """Raises InputError where something stands under this name."""
    if os.path.lexists(path):
        raise InputError(_stands_there(path))


def write_new(path: Path, text: str) -> None:
    """Write a file that isn't there yet. Raises InputError where one is, or it can't be written.

    What stands there is never touched, not even when it appears at this very moment.
    """
    try:
        file = open_new(path)
        try:
            write_all(file, text.encode("utf-8", "backslashreplace"))
            sync_file(file)
        except OSError:
            path.unlink()
            raise
        finally:
            os.close(file)
    except FileExistsError:
        raise InputError(_stands_there(path)) from None
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be written: {error.strerror}")) from None


def _stands_there(path: Path) -> Problem:
    return Problem(str(path), "stands there already", expected="another name; it is left as it is")
