"""Folders of the output that no link can be put in the place of."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePath

_DESCRIPTORS = Path("/proc/self/fd")


@contextmanager
def pinned(root: Path, below: PurePath, *, make: bool = True) -> Iterator[Path]:
    """A folder below `root`, as a path that leads to it whatever takes its name meanwhile.

    Links below `root` aren't followed, where paths can begin with the descriptor of a folder
    (Linux); elsewhere whoever calls this has looked for them. `make` has it made if need be.

    Raises FileExistsError where something else stands on the way, OSError.
    """
    folder = root / below
    if not (hasattr(os, "O_PATH") and _DESCRIPTORS.is_dir()):
        if make:
            folder.mkdir(parents=True, exist_ok=True)
        yield folder
        return
    descriptor = os.open(root, os.O_PATH | os.O_DIRECTORY)
    try:
        for name in below.parts:
            outer, descriptor = descriptor, _folder_in(descriptor, name, make=make)
            os.close(outer)
        yield _DESCRIPTORS / str(descriptor)
    except OSError as error:
        if str(error.filename).startswith(f"{_DESCRIPTORS}/"):
            error.filename = str(folder / Path(error.filename).name)
        raise
    finally:
        os.close(descriptor)


def _folder_in(outer: int, name: str, *, make: bool) -> int:
    """The descriptor of a folder in an open one."""
    if make:
        with suppress(FileExistsError):
            # It is the owner's alone until it gets the mode that it is to have.
            os.mkdir(name, 0o700, dir_fd=outer)
    try:
        return os.open(name, os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=outer)
    except NotADirectoryError as error:
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name) from error
