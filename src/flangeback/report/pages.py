"""Pages written to where the user says, over nothing that isn't flangeback's own."""

from __future__ import annotations

from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.system import save


def write_page(path: Path, page: str, mark: str) -> None:
    """Write an HTML page. `mark` is text that flangeback's own pages of this kind hold: a file
    without it is never written over.

    Raises InputError when such a file, or a folder, is in the way, or it can't be written.
    """
    if path.is_dir():
        raise InputError(Problem(str(path), "is a folder", expected="the name of a new file"))
    try:
        own = not path.exists() or mark.encode() in path.read_bytes()
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be read: {error.strerror}")) from None
    if not own:
        text = "stands there already and isn't a page that flangeback made"
        raise InputError(Problem(str(path), text, expected="the name of a new file"))
    save(path, page.encode())
