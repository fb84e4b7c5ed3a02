"""The numbers of a tally's and a survey's drawings: shares, bars and stretches of time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from flangeback.clock.model import SECOND, instant
from flangeback.report.timeline import Axis, axis_of
from flangeback.survey.model import BodySurvey, Survey
from flangeback.tally.model import Count, Key, Tally
from flangeback.words import count, f_number, focal_length

SHADES = 5
"""Heat tables have so many shades above none."""
BAR = 100.0
"""Length of the longest bar."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One kind of frame: how many, how long its bar is, how many of those known were wide open."""

    name: str
    frames: int
    length: float
    wide_open: str


def bars(counts: Mapping[Key, Count], names: Iterable[str]) -> tuple[Bar, ...]:
    """A bar for each kind, the longest for the most frequent."""
    most = max((one.frames for one in counts.values()), default=1)
    return tuple(
        Bar(name, one.frames, BAR * one.frames / most, _share(one))
        for name, one in zip(names, counts.values(), strict=True)
    )


def _share(one: Count) -> str:
    return f"{100 * one.wide_open / one.known:.0f} %" if one.known else "–"


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a heat table: how many frames, and its shade, from 0 (none) to SHADES."""

    frames: int
    shade: int


@dataclass(frozen=True, slots=True)
class HeatTable:
    """Lenses down, f-numbers across."""

    f_numbers: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]


def heat_table(tally: Tally) -> HeatTable:
    """How often each lens was used at each f-number; shades are shares of the most frequent."""
    counts = {
        (str(lens), stop): one.frames for (lens, stop), one in tally.by_lens_and_f_number().items()
    }
    stops = sorted({stop for _, stop in counts}, key=lambda s: (s is None, s))
    most = max(counts.values(), default=1)
    rows = []
    for (lens,) in tally.by_lens():
        if lens is not None:
            frames = [counts.get((str(lens), stop), 0) for stop in stops]
            cells = tuple(Cell(n, -(-SHADES * n // most)) for n in frames)
            rows.append((str(lens), cells))
    return HeatTable(tuple(f_number(_number(stop)) for stop in stops), tuple(rows))


def _number(part: str | float | None) -> float | None:
    return None if part is None else float(part)


def focal_lengths(tally: Tally) -> tuple[Bar, ...]:
    """A bar for each focal length, with its 35 mm equivalent."""
    counts = {key: one for key, one in tally.by_focal_length().items() if key[0] is not None}
    return bars(counts, (_length(*map(_number, key)) for key in counts))


def _length(own: float | None, equivalent: float | None) -> str:
    if equivalent is None:
        return focal_length(own)
    return f"{focal_length(own)} (as {focal_length(equivalent)})"


# Surveys ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of frames: where it stands, what is written in it, and what its title says."""

    left: float
    right: float
    text: str
    title: str


@dataclass(frozen=True, slots=True)
class SurveyLane:
    """What one body's frames tell before there is a log."""

    body: str
    clusters: tuple[Block, ...]
    registered: tuple[Block, ...]


def survey_lanes(survey: Survey, width: float) -> tuple[Axis, tuple[SurveyLane, ...]]:
    """Every body's frames on one axis; each body's own clock is taken as it stands."""
    stretches = [
        stretch
        for body in survey.bodies
        for stretch in (*body.clusters, *(one for r in body.registered for one in r.stretches))
    ]
    times = [_seconds(at) for stretch in stretches for at in (stretch.start, stretch.end)]
    axis = axis_of(times, width)
    timed = (body for body in survey.bodies if body.clusters or body.registered)
    return axis, tuple(_survey_lane(body, axis) for body in timed)


def _survey_lane(body: BodySurvey, axis: Axis) -> SurveyLane:
    clusters = [(one, str(one.frames)) for one in body.clusters]
    registered = [
        (stretch, focal_length(found.focal_length))
        for found in body.registered
        for stretch in found.stretches
    ]
    blocks = [
        tuple(
            Block(
                axis.x(_seconds(one.start)),
                axis.x(_seconds(one.end)),
                text,
                f"{one.first} to {one.last}: {count(one.frames, 'frame')}",
            )
            for one, text in row
        )
        for row in (clusters, registered)
    ]
    return SurveyLane(str(body.name), *blocks)


def _seconds(at: datetime) -> float:
    return instant(at.replace(tzinfo=None)) / SECOND


def missing(body: BodySurvey) -> Sequence[tuple[str, int]]:
    """What the frames of a body lack, and how many lack it."""
    return (
        ("lens", body.lacks_lens),
        ("f-number", body.lacks_f_number),
        ("focal length", body.lacks_focal_length),
    )
