"""Systems and disks that lack something, or refuse it, for commands that run in this process."""

from __future__ import annotations

import builtins
import errno
import io
import os
import shutil
import stat
import sys
import tempfile
import unicodedata
from collections.abc import Callable, Iterator
from functools import partial
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

Patch = pytest.MonkeyPatch


def lacking(*names: str) -> Callable[[Patch], None]:
    """A system without these functions of `os`."""

    def fake(patch: Patch) -> None:
        for name in names:
            patch.delattr(os, name, raising=False)

    return fake


def refusing(number: int, *names: str) -> Callable[[Patch], None]:
    """A disk that refuses these calls, with an error of POSIX."""

    def refuse(*_: object, **__: object) -> Any:
        raise OSError(number, os.strerror(number))

    def fake(patch: Patch) -> None:
        for name in names:
            if find_spec(name.partition(".")[0]):
                patch.setattr(name, refuse, raising=False)

    return fake


def locking_bytes(patch: Patch, locking: Callable[[int, int, int], None]) -> None:
    """A system without fcntl whose C runtime has this `_locking`."""
    locks = ModuleType("msvcrt")
    locks.__dict__.update(locking=locking, LK_LOCK=1, LK_NBLCK=2)
    patch.setitem(sys.modules, "fcntl", None)
    patch.setitem(sys.modules, "msvcrt", locks)


def _flock(fcntl: ModuleType, file: int, mode: int, _: int) -> None:
    """flock keeps others out by the open file, as Windows does."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if mode == 1 else fcntl.LOCK_NB))
    except OSError:
        raise OSError(0, "Error") from None


def without_fcntl(patch: Patch) -> None:
    """A system that locks bytes, as Windows does, and opens no folders.

    A lock that is held is refused without an error number, as by Wine's C runtime.
    """
    if os.name != "nt":
        locking_bytes(patch, partial(_flock, import_module("fcntl")))
    patch.setattr("tempfile.tempdir", tempfile.mkdtemp())
    lacking("O_PATH")(patch)
    really = os.open

    def opened(path: Any, *words: Any, **more: Any) -> int:
        if os.path.isdir(path):  # noqa: PTH112
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return really(path, *words, **more)

    patch.setattr(os, "open", opened)


def on_a_drive_of_its_own(root: Path) -> Callable[[Patch], None]:
    """A system of drives, one of which is `root`: no relative path leads into it or out of it."""

    def fake(patch: Patch) -> None:
        really = os.path.relpath

        def relative(path: Any, start: Any = os.curdir) -> str:
            inside = {Path(one).absolute().is_relative_to(root) for one in (path, start)}
            if len(inside) > 1:
                raise ValueError("path is on mount 'E:', start on mount 'C:'")
            return str(really(path, start))

        patch.setattr(os.path, "relpath", relative)

    return fake


def names_of_windows(patch: Patch) -> None:
    """A system that neither removes nor replaces a file that is only to be read, and renames to no
    name that something has (Win32's DeleteFile and MoveFileEx)."""
    denied = 5
    patch.setattr("flangeback.system._RENAME_IS_OF_NEW", True)

    def refusing_protected(name: str) -> None:
        really = getattr(os, name)

        def call(*paths: Any, **more: Any) -> None:
            last = Path(paths[-1])
            if last.is_file() and not last.stat().st_mode & stat.S_IWUSR:
                error = PermissionError(errno.EACCES, "Access is denied", str(last))
                vars(error)["winerror"] = denied
                raise error
            if name == "rename" and os.path.lexists(last):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(last))
            really(*paths, **more)

        patch.setattr(os, name, call)

    if os.name != "nt":
        for name in ("unlink", "remove", "replace", "rename"):
            refusing_protected(name)


def room_for(count: int) -> Callable[[Patch], None]:
    """A disk that is full after so many bytes, however they are written."""

    def fake(patch: Patch) -> None:
        left = count

        def limited(name: str, size: Callable[..., int]) -> None:
            really = getattr(os, name, None)
            if really is None:
                return

            def call(*words: Any, **more: Any) -> Any:
                nonlocal left
                if size(*words) > left:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                left -= size(*words)
                return really(*words, **more)

            patch.setattr(os, name, call)

        limited("write", lambda _, data: memoryview(data).nbytes)
        limited("copy_file_range", lambda _, __, size: size)
        limited("sendfile", lambda _, __, ___, size: size)

    return fake


def no_room(patch: Patch) -> None:
    """A disk that says it is full."""
    full = SimpleNamespace(total=1 << 30, used=1 << 30, free=0)
    patch.setattr(shutil, "disk_usage", lambda _: full)


def forbidden(root: Path) -> Callable[[Patch], None]:
    """A system that lets this program look at nothing in `root`, as macOS does unless its user
    allowed it: what is there has a status, but isn't opened or listed."""

    return _refused_in(root, errno.EPERM, dict.fromkeys(("open", "scandir", "listdir"), _always))


def write_protected(root: Path) -> Callable[[Patch], None]:
    """A card or disk, mounted at `root`, that is only read."""
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT
    changing = ("mkdir", "unlink", "remove", "rmdir", "rename", "replace", "link", "utime", "chmod")
    opening = {"open": lambda _, flags, *__: bool(flags & writing)}
    return _refused_in(root, errno.EROFS, dict.fromkeys(changing, _always) | opening)


def holding(root: Path, is_held: Callable[[str], bool]) -> Callable[[Patch], None]:
    """A disk, mounted at `root`, that makes no file of another name."""

    def makes_another(path: Any, flags: int, *_: object) -> bool:
        return bool(flags & os.O_CREAT) and not is_held(Path(path).name)

    return _refused_in(root, errno.EILSEQ, {"open": makes_another})


def _always(*_: object) -> bool:
    return True


def _refused_in(
    root: Path, number: int, calls: dict[str, Callable[..., bool]]
) -> Callable[[Patch], None]:
    """What refuses these calls of `os`, where their words are such, for paths in `root`."""

    def fake(patch: Patch) -> None:
        lacking("O_PATH")(patch)  # Paths begin with no descriptors then.
        for name, is_meant in calls.items():
            patch.setattr(os, name, _refusing_in(root, number, getattr(os, name), is_meant))

    return fake


def _refusing_in(
    root: Path, number: int, really: Callable[..., Any], is_meant: Callable[..., bool]
) -> Callable[..., Any]:
    def call(path: Any, *words: Any, **more: Any) -> Any:
        inside = not isinstance(path, int) and Path(path).absolute().is_relative_to(root)
        if inside and is_meant(path, *words):
            raise OSError(number, os.strerror(number), os.fspath(path))
        return really(path, *words, **more)

    return call


def composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)


def decomposed(name: str) -> str:
    return unicodedata.normalize("NFD", name)


def folded(name: str) -> str:
    return composed(name).casefold()


class OneNameDisk:
    """A disk, mounted at `root`, that takes names with one key for one name, and lists them so."""

    LISTDIR, SCANDIR = staticmethod(os.listdir), staticmethod(os.scandir)
    PATHS = dict.fromkeys(("replace", "rename", "link"), 2) | dict.fromkeys(
        (
            *("open", "stat", "lstat", "unlink", "remove", "mkdir", "rmdir", "utime", "chmod"),
            *("readlink", "statvfs", "access"),
        ),
        1,
    )
    """How many paths these functions of `os` take."""

    def __init__(
        self, root: Path, key: Callable[[str], str], listed: Callable[[str], str] = str
    ) -> None:
        self.root, self.key, self.listed = root, key, listed

    def __call__(self, patch: Patch) -> None:
        for name, paths in self.PATHS.items():
            if hasattr(os, name):
                patch.setattr(os, name, self.on_disk(getattr(os, name), paths))
        opened = self.on_disk(io.open, 1)
        patch.setattr(io, "open", opened)
        patch.setattr(builtins, "open", opened)
        patch.setattr(os, "scandir", self.scanned)
        patch.setattr(os, "listdir", self.names)

    def stored(self, path: Any) -> Any:
        """The path as the real disk has it."""
        if not isinstance(path, str | os.PathLike) or self.root not in Path(path).parents:
            return path
        place = self.root
        for name in Path(path).relative_to(self.root).parts:
            there = sorted(self.LISTDIR(place)) if place.is_dir() else []
            place /= next((one for one in there if self.key(one) == self.key(name)), name)
        return str(place)

    def on_disk(self, call: Callable[..., Any], paths: int) -> Callable[..., Any]:
        def patched(*words: Any, **more: Any) -> Any:
            return call(*map(self.stored, words[:paths]), *words[paths:], **more)

        return patched

    def names(self, folder: Any = ".") -> list[str]:
        return [self.listed(name) for name in self.LISTDIR(self.stored(folder))]

    def scanned(self, folder: Any = ".") -> Any:
        real = self.SCANDIR(self.stored(folder))
        return real if isinstance(folder, int) else Listing(real, os.fspath(folder), self.listed)


class Listing:
    """What os.scandir gives, with the names as the disk lists them."""

    def __init__(self, real: Any, folder: str, listed: Callable[[str], str]) -> None:
        self.real, self.folder, self.listed = real, folder, listed

    def __iter__(self) -> Iterator[Entry]:
        return self

    def __next__(self) -> Entry:
        return Entry(next(self.real), self.folder, self.listed)

    def __enter__(self) -> Listing:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.real.close()


class Entry:
    """A line of a listing."""

    def __init__(self, real: os.DirEntry[str], folder: str, listed: Callable[[str], str]) -> None:
        self.real, self.name = real, listed(real.name)
        self.path = str(Path(folder) / self.name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)

    def __fspath__(self) -> str:
        return self.path
