"""The shots of one body, in the order they were made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from itertools import groupby
from typing import NamedTuple

from flangeback.clock.counting import by_count, numbered
from flangeback.clock.model import (
    SECOND,
    ClockHistory,
    TrueTime,
    in_their_hours,
    microseconds,
    readings,
)
from flangeback.frames.model import Frame

_LEAST_APART = 1800 * SECOND
"""Microseconds that clocks are set by at the least, where they change by law."""


class Shot(NamedTuple):
    """One frame of a body.

    Its true time, by the log's clock, lies from `earliest` up to, not including, `latest`; `start`
    up to `end` is the body's own reading, in which the clock's error has no part. All four are
    whole microseconds.
    """

    frame: Frame
    earliest: int
    latest: int
    start: int
    end: int

    @property
    def at(self) -> float:
        """The middle of its true time, in seconds."""
        return (self.earliest + self.latest) / 2 / SECOND


def pause(shots: Sequence[Shot], place: int) -> float:
    """Seconds, at the longest, between the shots before and after a place; infinite at either end.

    Place p lies after p shots.
    """
    if not 0 < place < len(shots):
        return float("inf")
    return (shots[place].end - shots[place - 1].start) / SECOND


def shots_of(frames: Iterable[Frame], clock: ClockHistory) -> tuple[Shot, ...]:
    """The shots of one body; frames without a time have no place among them.

    Readings tell the order; where they are equal, the count in the names does.
    """
    shots = [
        _shot(frame, true, clock.reading(time, frame.file), microseconds(time.resolution))
        for frame in frames
        if (time := frame.time) is not None and (true := clock.true_time(frame)) is not None
    ]
    shots.sort(key=lambda shot: (shot.start, shot.frame.file))
    alike = (list(group) for _, group in groupby(shots, key=lambda shot: shot.start))
    shots = [shot for group in alike for shot in by_count(group, _number)]
    if clock.zone is None or all(shot.latest - shot.earliest < _LEAST_APART for shot in shots):
        return tuple(shots)
    spans = [(shot.earliest, shot.latest, _apart(shot, clock.zone)) for shot in shots]
    return tuple(
        shot._replace(earliest=first, latest=last) if (first, last) != span[:2] else shot
        for shot, span, (first, last) in zip(shots, spans, in_their_hours(spans), strict=True)
    )


def _shot(frame: Frame, true: TrueTime, start: int, resolution: int) -> Shot:
    """By a clock that is right both stretches are the same numbers, which are kept once."""
    earliest, latest, end = true.earliest, true.latest, start + resolution
    if (earliest, latest) == (start, end):
        earliest, latest = start, end
    return Shot(frame, earliest, latest, start, end)


def _apart(shot: Shot, zone: tzinfo) -> int:
    """Microseconds between the two instants that its reading may be, where clocks fall back."""
    assert shot.frame.time is not None
    first, second = readings(shot.frame.time, zone)
    return max(0, second - first)


def _number(shot: Shot) -> int:
    return numbered(shot.frame.stem)[1]
