"""Every frame of a folder, as a survey needs it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from flangeback.frames.model import Frame
from flangeback.frames.scanning import files_below, frames_of
from flangeback.survey.model import Sight


def sights(folder: Path, progress: Callable[[int], None] | None = None) -> Iterator[Sight]:
    """The frames that `scan` finds, in the order of the names.

    `progress` is called with the count of files so far. Raises InputError when there is no such
    folder, or it can't be read; a folder without frames gives none.
    """
    return map(sight_of, frames_of(folder, files_below(folder), progress))


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
