"""The output folder: where it may lie, what it can hold, what stands in it."""

from __future__ import annotations

import os
import shutil
import unicodedata
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

from flangeback.errors import InputError, Problem
from flangeback.frames.scanning import files_below, is_of_copies
from flangeback.system import is_part, part_name, remove

_SPARE = 1 << 20
"""Bytes left over for the manifest and the file system's own needs."""
_LONGEST_NAME = 255
_DELICATE = frozenset('<>:"\\|?*')
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul"] + [f"{kind}{n}" for kind in ("com", "lpt") for n in range(1, 10)]
)
"""What some file systems don't take in a name, or as one (common practice)."""


def check_place(frames: Path, out: Path) -> None:
    """Raises InputError where `out` is the frames folder, lies in it, or holds it."""
    if not (there := nearest(out)).is_dir():
        raise InputError.at(there, "is a file", "a folder for the copies")
    is_inside = lies_in(out, frames)
    if is_inside or lies_in(frames, out):
        what = "is the frames folder, or lies in it" if is_inside else "holds the frames folder"
        text = f"{what}: originals are never written to"
        raise InputError.at(out, text, "a folder outside the frames")


def lies_in(inner: Path, outer: Path) -> bool:
    """Whether a path lies in a folder, or is it.

    Told by the folders themselves, so that links and other spellings don't hide it.
    """
    place = inner.resolve()
    return any(is_same_file(folder, outer) for folder in (place, *place.parents))


def is_same_file(one: Path, other: Path) -> bool:
    """Whether two paths lead to one file or folder that is there."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def check_room(out: Path, needed: int) -> None:
    """Raises InputError unless the disk has `needed` bytes, or doesn't say what it has."""
    disk = shutil.disk_usage(nearest(out))
    # Some network file systems state no size at all (f_blocks of statvfs, POSIX.1-2017).
    if disk.total and disk.free < needed + _SPARE:
        needs = f"{_shown(needed + _SPARE)} needed, {_shown(_SPARE)} of it to spare"
        text = f"no room on the disk: {needs}, {_shown(disk.free)} free"
        raise InputError.at(out, text, "a folder on a disk with more room")


def nearest(out: Path) -> Path:
    """The folder itself, or the nearest above it that is there."""
    return next(folder for folder in (out, *out.resolve().parents) if folder.exists())


def _shown(size: int) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.1f} MB"


def check_names(out: Path, copies: Collection[str]) -> None:
    """Raises InputError where the disk can't hold the names of the copies, or tell them apart.

    The disk is asked, with empty files of such names in a folder of their own that is removed.
    """
    alike = groupby(sorted(set(copies), key=folded), folded)
    confused = [found for _, names in alike if len(found := sorted(names)) > 1]
    delicate = {name for copy in copies for name in copy.split("/") if _is_delicate(name)}
    if not confused and not delicate:
        return
    above = nearest(out)
    with TemporaryDirectory(prefix=part_name(above).name, dir=above) as place:
        problems = [*_confused(Path(place), confused), *_impossible(Path(place), delicate)]
    if problems:
        raise InputError(problems)


def folded(name: str) -> str:
    """What names have in common that some disks take for one."""
    return unicodedata.normalize("NFC", name).casefold()


def _is_delicate(name: str) -> bool:
    stem = name.partition(".")[0].lower()
    is_long = len(os.fsencode(name)) > _LONGEST_NAME // 2
    is_reserved = name[-1] in ". " or stem in _RESERVED
    # Not all disks hold what is no text: control characters, bytes that aren't UTF-8.
    return bool(set(name) & _DELICATE) or is_reserved or is_long or not name.isprintable()


def _confused(place: Path, groups: Iterable[list[str]]) -> Iterator[Problem]:
    for number, names in enumerate(groups):
        made = set()
        for name in names:
            path = place / str(number) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()
            made.add((path.stat().st_dev, path.stat().st_ino))
        if len(made) < len(names):
            text = "the disk for the copies doesn't tell these names apart: " + ", ".join(names)
            yield Problem("", text, expected="other names for the frames, or another disk")


def _impossible(place: Path, names: Iterable[str]) -> Iterator[Problem]:
    for name in sorted(names):
        try:
            (place / name).touch()
            with suppress(OSError):
                (place / name).unlink()
        except OSError as error:
            text = f"the disk for the copies can't hold this name: {error.strerror}"
            yield Problem(name, text, expected="another name for the frame, or another disk")


def clear_unfinished(out: Path) -> None:
    """Removes what a killed run left half made, by this version's names or an earlier one's."""
    for at, folders, names in os.walk(out):
        folders[:] = [name for name in folders if not is_of_copies(Path(at) / name)]
        for path in (Path(at) / name for name in names):
            if is_part(path.name) or path.match(".*.flangeback-part"):
                with suppress(OSError):
                    remove(path)


def others_in(out: Path, known: Iterable[str]) -> Iterator[str]:
    """Every file below `out` that isn't one of the known, whatever way the disk spells those.

    Hidden files, half made ones among them, and what operating systems leave are passed over.
    """
    exact = set(known)
    spelled = {folded(name): name for name in exact}
    for name in files_below(out):
        alike = spelled.get(folded(name))
        is_known = name in exact or (alike is not None and is_same_file(out / name, out / alike))
        if not is_known and not os.path.isdir(out / name):  # noqa: PTH112
            yield name
