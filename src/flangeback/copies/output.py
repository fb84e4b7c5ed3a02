"""The output folder: where it may lie, what stands in it, whether there is room."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from flangeback.errors import InputError, Problem

UNFINISHED = ".flangeback-part"
"""How the name of a copy ends while it is being made; such names also begin with a dot."""

_SPARE = 1 << 20
"""Bytes left over for the manifest and the file system's own needs."""


def check_place(frames: Path, out: Path) -> None:
    """Raises InputError where `out` is the frames folder, lies in it, or holds it."""
    if out.exists() and not out.is_dir():
        raise InputError(Problem(str(out), "is a file", expected="a folder for the copies"))
    if _lies_in(out, frames):
        text = "is the frames folder, or lies in it: originals are never written to"
        raise InputError(Problem(str(out), text, expected="a folder outside the frames"))
    if _lies_in(frames, out):
        text = "holds the frames folder: originals are never written to"
        raise InputError(Problem(str(out), text, expected="a folder outside the frames"))


def _lies_in(inner: Path, outer: Path) -> bool:
    """By the folders themselves, so that links and other spellings don't hide it."""
    place = inner.resolve()
    return any(_same(folder, outer) for folder in (place, *place.parents))


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def unfinished_name(target: Path) -> Path:
    """Where a copy is made before it takes its name."""
    return target.with_name(f".{target.name}{UNFINISHED}")


def clear_unfinished(out: Path) -> None:
    """Removes what a killed run left half made."""
    for path in out.rglob(f".*{UNFINISHED}"):
        path.unlink(missing_ok=True)


def check_room(out: Path, needed: int) -> None:
    """Raises InputError unless the disk has `needed` bytes."""
    place = next(folder for folder in (out, *out.resolve().parents) if folder.exists())
    free = shutil.disk_usage(place).free
    if free < needed + _SPARE:
        text = f"no room on the disk: {_shown(needed)} needed, {_shown(free)} free"
        raise InputError(Problem(str(out), text, expected="a folder on a disk with more room"))


def _shown(size: int) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.1f} MB"


def files_in(out: Path) -> Iterator[str]:
    """Every file below `out`, relative to it."""
    for at, _, names in os.walk(out):
        for name in names:
            yield (Path(at) / name).relative_to(out).as_posix()
