"""Frames of a folder that flangeback filled itself: their values are its own."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from flangeback.errors import InputError
from flangeback.frames.model import Frame, LensData
from flangeback.frames.scanning import is_of_copies
from flangeback.words import some_of

if TYPE_CHECKING:
    from flangeback.copies.records import Record
    from flangeback.log import SessionLog


def own_frames(frames: Iterable[Frame], folder: Path) -> frozenset[str]:
    """The names of the frames whose lens data flangeback wrote itself.

    The manifest in their folder says so: a better log replaces them. Empty where the folder isn't
    one of copies.

    Raises InputError where the manifest can't be read.
    """
    if not is_of_copies(folder):
        return frozenset()
    from flangeback.copies.manifest import Manifest

    with Manifest(folder) as manifest:
        return frozenset(
            frame.file
            for frame in frames
            for name in (frame.file, *frame.sidecars)
            if (record := manifest.get(name)) and _says(frame.lens_data, record)
        )


def check_times(folder: Path, logs: Iterable[SessionLog]) -> None:
    """Raises InputError where clock lines would move times of copies that are the true ones."""
    if not any(log.clocks for log in logs) or not is_of_copies(folder):
        return
    from flangeback.copies.manifest import Manifest
    from flangeback.copies.touched import TIME_NAMES

    with Manifest(folder) as manifest:
        timed = [one.copy for one in manifest.records() if one.values.keys() & TIME_NAMES]
    if timed:
        text = f"carries the true time already (--set-time), in {some_of(timed)}"
        expected = "a log without clock lines, or the frames that these copies were made from"
        raise InputError.at(folder, text, expected)


def _says(data: LensData, record: Record) -> bool:
    written = record.values
    return bool(written) and (
        data.lens in (record.whole.get("LensModel"), written.get("LensModel"))
        and data.f_number == _number(written.get("FNumber"))
        and data.focal_length == _number(written.get("FocalLength"))
    )


def _number(text: str | None) -> Fraction | None:
    from flangeback.copies.stated import fraction, numbers

    return None if text is None else fraction(*numbers(text)[0])
