"""Several outings at once: each folder with a session log of its own is one."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.frames.model import MANIFEST
from flangeback.frames.scanning import files_below
from flangeback.kit.places import NAME as KIT
from flangeback.words import listed

LOG = "session.txt"


@dataclass(frozen=True)
class OutingFolder:
    """The folder of an outing's frames.

    `name` is what it is called among several, relative to what they lie in, with `/`; it is empty
    for one alone. `kit` is a kit file that lies above it and not in it.
    """

    folder: Path
    name: str = ""
    kit: Path | None = None

    @property
    def title(self) -> str:
        """What a page about it is called."""
        return self.name or self.folder.resolve().name


def find_outings(
    folders: Sequence[Path], logs: Sequence[Path] | None = None
) -> tuple[OutingFolder, ...]:
    """The outings in some folders: each of them, or those below one that has no log of its own.

    `logs` are session logs that were named, which go with one folder alone. Raises InputError for
    logs with several folders, for the only folder where it isn't there, and where one outing holds
    another. Of several folders, one that isn't there is an outing that fails when it is read.
    """
    if len(folders) == 1 and not folders[0].is_dir():
        text, expected = "there is no such folder", "the folder with the frames"
        raise InputError.at(folders[0], text, expected)
    if logs and len(folders) > 1:
        text = "a log that is named goes with one folder"
        raise InputError(Problem(str(logs[0]), text, expected=f"a {LOG} in each folder"))
    found = [folders[0]] if logs else [each for folder in folders for each in _below(folder)]
    if found == list(folders) and len(folders) == 1:
        folder = folders[0]
        above = folder.resolve().parent if folder.name in ("", "..") else folder.parent
        return (OutingFolder(folder, kit=_kit_above(folder, above)),)
    _check(found)
    above = folders[0] if len(folders) == 1 else _common(folders)
    return tuple(
        OutingFolder(
            folder,
            Path(os.path.relpath(_whole(folder), _whole(above))).as_posix(),
            _kit_above(folder, above),
        )
        for folder in found
    )


def _common(folders: Sequence[Path]) -> Path:
    """The folder that holds them all. Raises InputError where no one does, on several drives."""
    try:
        return Path(os.path.commonpath(map(_whole, folders)))
    except ValueError:
        drives = listed(sorted({_whole(folder).drive for folder in folders}))
        text = f"these folders lie on several drives: {drives}"
        raise InputError(Problem("", text, expected="a run for each drive")) from None


def files_outside(folders: Iterable[Path], outings: Iterable[OutingFolder]) -> Iterator[str]:
    """The files below some folders that lie in none of their outings, but for the kit.

    They are relative to their folder. Raises InputError where one can't be read.
    """
    inside = [_whole(outing.folder) for outing in outings]
    for folder in folders:
        place = _whole(folder)
        if place.is_dir() and place not in inside:
            for file in files_below(place):
                if file != KIT and not any(one in (place / file).parents for one in inside):
                    yield file


def _kit_above(folder: Path, above: Path) -> Path | None:
    kit = above / KIT
    return kit if kit.is_file() and not (folder / KIT).exists() else None


def _below(folder: Path) -> Iterator[Path]:
    """The folder itself where it has a log or none below it does, else those below that have."""
    if (folder / LOG).exists():
        yield folder
        return
    found = list[Path]()
    for place, below, files in os.walk(folder):
        below.sort()
        if LOG in files or MANIFEST in files:
            below.clear()  # What lies in an outing, or among copies, is no outing of its own.
        if LOG in files and MANIFEST not in files:
            found.append(Path(place))
    yield from found or [folder]


def _check(folders: Sequence[Path]) -> None:
    """No frame may belong to two outings."""
    for one, other in combinations(folders, 2):
        outer, inner = sorted((_whole(one), _whole(other)), key=lambda path: len(path.parts))
        if outer == inner or outer in inner.parents:
            text = f"its frames are those of {one} too"
            expected = "each folder once, and none inside another"
            raise InputError(Problem(str(other), text, expected=expected))


def _whole(folder: Path) -> Path:
    return folder.resolve()
