"""Every frame of a folder, seen just closely enough for a survey."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame
from flangeback.frames.scanning import files_below, frames_of
from flangeback.survey.glance import Unusual, glance
from flangeback.survey.model import Sight

_JPEG_SUFFIXES = (".jpg", ".jpeg", ".jpe")
_SIDECAR = ".xmp"


def sights(folder: Path, progress: Callable[[int], None] | None = None) -> Iterator[Sight]:
    """The frames that `scan` finds, one at a time: JPEG files that stand alone, in the order of
    their names, then the others.

    `progress` is called with the count so far. Raises InputError when there is no such folder, or
    it can't be read; a folder without frames gives none.
    """
    files = files_below(folder)
    stems = Counter(_stem(file) for file in files if not file.lower().endswith(_SIDECAR))
    lead = f"{folder}{os.sep}"
    count, rest = 0, []
    for file in files:
        alone = file.lower().endswith(_JPEG_SUFFIXES) and stems[_stem(file)] == 1
        found = _glanced(lead + file, file) if alone else None
        if found is None:
            rest.append(file)
            continue
        count += 1
        if progress:
            progress(count)
        yield found
    for frame in frames_of(folder, rest):
        count += 1
        if progress:
            progress(count)
        yield sight_of(frame)


def _stem(file: str) -> str:
    return file.rpartition(".")[0].casefold() or file


def _glanced(path: str, file: str) -> Sight | None:
    """The frame, None where it has to be looked at closely."""
    try:
        return glance(path, file)
    except Unusual:
        return None
    except OSError as error:
        if not Path(path).is_file():  # A pipe, say.
            return None
        raise InputError(Problem(path, f"can't be read: {error.strerror}")) from None


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
