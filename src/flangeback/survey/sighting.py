"""Every frame of a folder, seen just closely enough for a survey."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from flangeback.containers.kinds import FileKind
from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame, without_suffix
from flangeback.frames.reading import damaged_frame
from flangeback.frames.scanning import files_below, frames_of
from flangeback.survey.glance import Unusual, glance, glance_raw
from flangeback.survey.model import Sight

_JPEG_SUFFIXES = (".jpg", ".jpeg", ".jpe")
_SIDECAR = ".xmp"


def sights(folder: Path, progress: Callable[[int], None] | None = None) -> Iterator[Sight]:
    """The frames that `scan` finds, one at a time: what a glance is enough for, in the order of
    the names, then the others.

    `progress` is called with the count so far. Raises InputError when there is no such folder, or
    it can't be read; a folder without frames gives none.
    """
    for count, seen in enumerate(_sights(folder), 1):
        if progress:
            progress(count)
        yield seen


def _sights(folder: Path) -> Iterator[Sight]:
    by_stem: dict[str, list[str]] = {}
    for file in files_below(folder):
        if file.lower().endswith(_SIDECAR):
            continue
        by_stem.setdefault(_stem(file), []).append(file)
    lead = f"{folder}{os.sep}"
    rest: list[str] = []
    raw: set[str] = set()
    for files in by_stem.values():
        found = _glanced(lead, files)
        if found is None:
            rest += files
            continue
        raw.update(_suffix(file) for file in files if not _is_jpeg(file))
        yield from found
    known = set[str]()
    for frame in frames_of(folder, rest):
        known.update(file.file for file in frame.files)
        yield sight_of(frame)
    for file in rest:
        # A raw file that lost its content is known by its fellows.
        if file not in known and _suffix(file) in raw:
            yield sight_of(damaged_frame(folder, file, FileKind.RAW))


def _stem(file: str) -> str:
    return without_suffix(file).casefold()


def _suffix(file: str) -> str:
    return file[len(without_suffix(file)) :].casefold()


def _is_jpeg(file: str) -> bool:
    return file.lower().endswith(_JPEG_SUFFIXES)


def _glanced(lead: str, files: Sequence[str]) -> Sequence[Sight] | None:
    """The frames that files of one stem are; None where they have to be looked at closely."""
    jpegs = [file for file in files if _is_jpeg(file)]
    others = [file for file in files if not _is_jpeg(file)]
    if len(jpegs) > 1 or len(others) > 1:
        return None
    path = lead
    try:
        found = []
        for file in jpegs:
            path = lead + file
            found.append(glance(path, file))
        for file in others:
            path = lead + file
            found.append(glance_raw(path, file))
    except Unusual:
        return None
    except OSError as error:
        if not Path(path).is_file():  # A pipe, say.
            return None
        raise InputError(Problem(path, f"can't be read: {error.strerror}")) from None
    return found[:1] if len(found) > 1 and _one_release(*found) else found


def _one_release(picture: Sight, raw: Sight) -> bool:
    """Whether a JPEG and a raw file are one frame, as scan has it."""
    if picture.model and raw.model and picture.model != raw.model:
        return False
    return picture.time is None or raw.time is None or picture.time == raw.time


def sight_of(frame: Frame) -> Sight:
    """What the frame reader found."""
    data, time = frame.lens_data, frame.time
    return Sight(
        frame.file,
        frame.make,
        frame.model,
        frame.serial,
        None if time is None else time.at,
        None if time is None else time.offset,
        data.lens,
        data.says_lens,
        None if data.f_number is None else float(data.f_number),
        None if data.focal_length is None else float(data.focal_length),
        data.focal_length_35mm,
        None if data.widest_f_number is None else float(data.widest_f_number),
        frame.gps_time,
        frame.damage,
    )
