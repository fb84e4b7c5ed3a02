"""From a folder to its frames."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

from flangeback.containers.jpeg import START
from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame
from flangeback.frames.reading import read_frame

_JPEG_SUFFIXES = frozenset([".jpg", ".jpeg", ".jpe"])


def scan(folder: Path, progress: Callable[[int], None] | None = None) -> tuple[Frame, ...]:
    """Every frame of the folder and the folders below, in the order of their names.

    A frame is a file whose content is JPEG, whatever its suffix, or whose suffix is JPEG's,
    whatever its content (it then comes back damaged). Names that start with a dot are passed
    over, and so are links to folders. `progress` is called with the count so far.

    Raises InputError when there is no such folder, when it can't be read, or has no frames.
    """
    if not folder.is_dir():
        raise InputError(
            Problem(str(folder), "there is no such folder", expected="the folder with the frames")
        )
    frames = []
    for file in sorted(_files(folder), key=_name_order):
        frame = _frame(folder, file)
        if frame is not None:
            frames.append(frame)
            if progress:
                progress(len(frames))
    if not frames:
        raise InputError(
            Problem(str(folder), "there are no frames in it", expected="JPEG files, at any depth")
        )
    return tuple(frames)


def _name_order(file: str) -> tuple[str, str]:
    return file.casefold(), file


def _files(folder: Path) -> Iterator[str]:
    def refuse(error: OSError) -> None:
        raise InputError(Problem(str(error.filename), f"can't be read: {error.strerror}"))

    for at, folders, names in os.walk(folder, onerror=refuse):
        folders[:] = [name for name in folders if not name.startswith(".")]
        below = Path(at).relative_to(folder).as_posix()
        lead = "" if below == "." else below + "/"
        yield from (lead + name for name in names if not name.startswith("."))


def _frame(folder: Path, file: str) -> Frame | None:
    path = folder / file
    try:
        if path.exists() and not path.is_file():
            return None  # A pipe, say, which would never end.
        if path.suffix.lower() not in _JPEG_SUFFIXES and not _starts_like_jpeg(path):
            return None
        return read_frame(folder, file)
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be read: {error.strerror}")) from None


def _starts_like_jpeg(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb", buffering=0) as file:
        return file.read(len(START)) == START
