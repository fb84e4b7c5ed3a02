"""The files beside the frames that are none, and those that are kept beside the copies."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from filecmp import cmp
from itertools import count
from pathlib import Path, PurePosixPath

from flangeback.frames.model import MANIFEST, Frame
from flangeback.frames.scanning import files_below
from flangeback.saving import save_new

_SESSION, _KIT = "flangeback-session", "flangeback-kit"
OWN = re.compile(rf"{re.escape(MANIFEST)}|{_SESSION}(-\d+)?\.txt|{_KIT}(-\d+)?\.toml")
"""The names of what lies beside copies."""


@dataclass(frozen=True, slots=True)
class OtherFiles:
    """Files that are no frames, relative to the frames folder.

    `copied` says whether they were copied, `made` which of them now, `left` why those weren't that
    weren't, and folders that can't be listed.
    """

    files: tuple[str, ...] = ()
    copied: bool = False
    made: tuple[str, ...] = ()
    left: Mapping[str, str] = field(default_factory=dict)

    @property
    def kinds(self) -> Mapping[str, int]:
        """How many there are of each kind, by their suffixes, most first."""
        return _kinds(self.files)

    @property
    def kinds_copied(self) -> Mapping[str, int]:
        """The same of those that stand beside the copies, made now or before."""
        return _kinds(file for file in self.files if self.copied and file not in self.left)


def _kinds(files: Iterable[str]) -> Mapping[str, int]:
    suffixes = (PurePosixPath(file).suffix[1:].upper() or "no suffix" for file in files)
    return dict(Counter(suffixes).most_common())


def other_files(folder: Path, frames: Iterable[Frame], used: Iterable[Path] = ()) -> OtherFiles:
    """The regular files below a folder that are no frame's, in the order of their names.

    `used` are logs and kits, which are kept anyway: neither they nor files with their very bytes
    count, and what flangeback keeps in a folder that it filled doesn't either.
    """
    known = {
        name for frame in frames for file in frame.files for name in (file.file, *file.sidecars)
    }
    for path in used:
        with suppress(ValueError):  # It lies elsewhere.
            known.add(path.absolute().relative_to(folder.absolute()).as_posix())
    kept = [path for path in used if path.is_file()]
    rest = files_below(folder, known)
    files = (
        file
        for file in rest
        if not OWN.fullmatch(file)
        # Those of Path raise PermissionError.
        and os.path.isfile(folder / file)  # noqa: PTH113
        and not os.path.islink(folder / file)  # noqa: PTH114
        and not _is_one_of(folder / file, kept)
    )
    unlisted = (file for file in rest if os.path.isdir(folder / file))  # noqa: PTH112
    return OtherFiles(tuple(files), left=dict.fromkeys(unlisted, _UNLISTED))


_UNLISTED = "the system doesn't list this folder, and nothing is known of the frames in it"


def _is_one_of(path: Path, kept: Iterable[Path]) -> bool:
    with suppress(OSError):  # A copy of it will say why it can't be read.
        size = path.stat().st_size
        return any(size == one.stat().st_size and cmp(path, one, shallow=False) for one in kept)
    return False


def keep_used(
    out: Path, logs: Sequence[Path], kit: Path | None
) -> tuple[tuple[str, ...], str | None]:
    """The names under which logs and kit stand in `out`; each is put there unless it does already.

    Other contents get other numbers: flangeback-session.txt, flangeback-session-2.txt. Raises
    OSError, InputError.
    """
    names = tuple(_kept(out, _SESSION, ".txt", log.read_bytes()) for log in logs)
    return names, None if kit is None else _kept(out, _KIT, ".toml", kit.read_bytes())


def _kept(out: Path, stem: str, suffix: str, content: bytes) -> str:
    for number in count(1):
        name = f"{stem}{suffix}" if number == 1 else f"{stem}-{number}{suffix}"
        path = out / name
        if not path.exists() and not path.is_symlink():
            save_new(path, content)
            return name
        if path.is_file() and not path.is_symlink() and path.read_bytes() == content:
            return name
    raise AssertionError
