"""The files beside the frames: movies, sound, documents, exports that are no frames."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from filecmp import cmp
from pathlib import Path, PurePosixPath

from flangeback.frames.model import Frame
from flangeback.frames.scanning import is_of_copies

_OF_SYSTEMS = frozenset(["thumbs.db", "desktop.ini", "system volume information", "lost+found"])
"""What operating systems leave in folders (common practice); names that begin with a dot, too."""


@dataclass(frozen=True, slots=True)
class OtherFiles:
    """Files that are no frames, relative to the frames folder.

    `copied` says whether they were copied, `made` which of them now, `left` why those weren't that
    weren't.
    """

    files: tuple[str, ...] = ()
    copied: bool = False
    made: tuple[str, ...] = ()
    left: Mapping[str, str] = field(default_factory=dict)

    @property
    def kinds(self) -> Mapping[str, int]:
        """How many there are of each kind, by their suffixes, most first."""
        suffixes = (PurePosixPath(file).suffix[1:].upper() or "no suffix" for file in self.files)
        return dict(Counter(suffixes).most_common())


def other_files(
    folder: Path, frames: Iterable[Frame], used: Iterable[Path] = ()
) -> tuple[str, ...]:
    """The regular files below a folder that are no frame's, in the order of their names.

    `used` are logs and kits, which are kept anyway: neither they nor files with their very bytes
    count. What operating systems leave is passed over, and so are folders that flangeback filled.
    """
    known = {
        name for frame in frames for file in frame.files for name in (file.file, *file.sidecars)
    }
    kept = [path for path in used if path.is_file()]
    found = (file for file in _files(folder) if file not in known)
    return tuple(sorted(file for file in found if not _is_one_of(folder / file, kept)))


def _is_one_of(path: Path, kept: Iterable[Path]) -> bool:
    return any(
        path.stat().st_size == one.stat().st_size and cmp(path, one, shallow=False) for one in kept
    )


def _files(folder: Path) -> Iterator[str]:
    for at, folders, names in os.walk(folder):
        folders[:] = [
            name
            for name in folders
            if not _is_passed_over(name) and not is_of_copies(Path(at) / name)
        ]
        for name in names:
            path = Path(at) / name
            if not _is_passed_over(name) and os.path.isfile(path) and not path.is_symlink():  # noqa: PTH113
                yield path.relative_to(folder).as_posix()


def _is_passed_over(name: str) -> bool:
    return name.startswith(".") or name.lower() in _OF_SYSTEMS
