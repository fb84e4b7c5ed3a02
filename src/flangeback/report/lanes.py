"""The timeline of an outing: one lane for each body, all on one axis of true time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import accumulate
from typing import NamedTuple

from flangeback.clock.model import SECOND, instant, placed
from flangeback.log.model import ClockReference, SessionLog
from flangeback.log.names import frame_stem
from flangeback.match.changes import BodyTimeline, Change
from flangeback.match.model import FrameMatch, Matches, Source
from flangeback.report.runs import shown_fill
from flangeback.report.timeline import (
    Axis,
    Band,
    Point,
    Scale,
    Step,
    axis_of,
    exposure_value,
    f_number_steps,
    lens_bands,
    light_paths,
    rows_of_marks,
    scale_of,
    stops,
)
from flangeback.words import clock_time, duration

LEFT = 12.0
_LEAST_WIDTH, _MOST_WIDTH = 1080.0, 6000.0
SHEET = _LEAST_WIDTH + 3 * LEFT
"""Width of a drawing that is read on a sheet of paper; a wider one goes on below, in strips."""
_PER_FRAME = 7.0
"""Width of the drawing for each frame, between the least and the most."""
_PER_LETTER = 6.2
MARK = 9.0
"""Width of a frame's mark."""
_LABEL = 18.0
"""Width of the number of an entry's line."""
ROW = 12.0
"""Height of a row of marks or of entries."""
TOP, TITLE = 24.0, 20.0
"""Heights of the axis's marks, and of a body's name above its lane."""


class Label(NamedTuple):
    """What is said of a place on the axis."""

    x: float
    text: str


class EntryMark(NamedTuple):
    """An entry of a log, and the stretch in which its change may have fallen."""

    log: str
    line: int
    text: str
    left: float
    right: float
    row: int = 0


class Rows(NamedTuple):
    """Where each row of a lane stands, from its top: none takes room that has nothing in it.

    `stops` and `light` are the two ends of a scale.
    """

    bands: float
    stops: tuple[float, float]
    marks: float
    clocks: float
    light: tuple[float, float]
    height: float


def rows_of(
    *, entries: int, marks: int, bands: bool, stops: bool, clocks: bool, light: bool
) -> Rows:
    """The rows of a lane: `entries` and `marks` are in so many rows."""
    of_entries = entries * ROW + 4 if entries else 0
    heights = (of_entries, 22 * bands, 64 * stops, marks * ROW + 4, 18 * clocks, 54 * light)
    _, at_bands, at_stops, at_marks, at_clocks, at_light, end = accumulate(heights, initial=4)
    scales = (at_stops + 12, at_stops + 50), (at_light + 6, at_light + 44)
    return Rows(at_bands, scales[0], at_marks, at_clocks, scales[1], end)


class Lane(NamedTuple):
    """One body's part of the drawing; `marks` are its frames: place, height, number of match."""

    body: str
    rows: Rows
    bands: tuple[Band, ...]
    steps: tuple[Step, ...]
    marks: tuple[tuple[float, float, int], ...]
    entries: tuple[EntryMark, ...]
    clocks: tuple[Label, ...]
    light: tuple[str, ...]
    light_scale: Scale | None


class Timeline(NamedTuple):
    """The whole drawing; `untimed` counts the frames that have no place on it."""

    axis: Axis
    hours: tuple[Label, ...]
    pauses: tuple[str, ...]
    lanes: tuple[Lane, ...]
    untimed: int

    @property
    def tops(self) -> Sequence[float]:
        """Where each lane begins, and where the last ends."""
        return tuple(accumulate((TITLE + lane.rows.height for lane in self.lanes), initial=TOP))

    @property
    def strips(self) -> Sequence[float]:
        """Where each strip of the drawing begins when it is cut to the width of a sheet."""
        return tuple(n * SHEET for n in range(math.ceil((self.axis.width + 2 * LEFT) / SHEET)))


def timeline_of(matches: Matches, logs: Sequence[SessionLog]) -> Timeline:
    """The timeline of all frames that have a time."""
    timed = [(n, found) for n, found in enumerate(matches.frames) if found.time is not None]
    width = min(max(_LEAST_WIDTH, len(timed) * _PER_FRAME), _MOST_WIDTH)
    axis = axis_of((_seconds(found.time) for _, found in timed), width, LEFT)
    by_body: dict[str | None, list[tuple[int, FrameMatch]]] = {}
    for number, found in sorted(timed, key=lambda one: _seconds(one[1].time)):
        by_body.setdefault(found.body, []).append((number, found))
    offsets = (found.time.utcoffset() for found in matches.frames if found.time is not None)
    return Timeline(
        axis,
        tuple(hours_of(axis, next(offsets, None) or timedelta(0))),
        tuple(_length(cut.end - cut.start) for cut in axis.cuts),
        tuple(
            _lane(body, by_body[body], axis, matches, logs)
            for body in sorted(by_body, key=lambda body: (body is None, body))
        ),
        len(matches.frames) - len(timed),
    )


def _seconds(at: datetime | None) -> float:
    return instant(at) / SECOND if at is not None else 0.0


def hours_of(axis: Axis, offset: timedelta) -> Iterator[Label]:
    """The axis's marks, `offset` from UTC; a new day says its date. None covers another."""
    shift = offset.total_seconds()
    marks = list(axis.marks(shift))
    marked = [any(one.start <= at <= one.end for at in marks) for one in axis.stretches]
    starts = (one.start for one, has in zip(axis.stretches, marked, strict=True) if not has)
    epoch = datetime(1970, 1, 1)
    shown = [(at, epoch + timedelta(seconds=round(at + shift))) for at in (*marks, *starts)]
    years = "%Y-%m-%d" if len({time.year for _, time in shown}) > 1 else "%m-%d"
    day, free = None, 0.0
    for at, time in sorted(shown):
        text = clock_time(time, seconds=False)
        text = text if time.date() == day else f"{time:{years}} {text}"
        if axis.x(at) >= free:
            yield Label(axis.x(at), text)
            day, free = time.date(), axis.x(at) + _PER_LETTER * len(text) + 8


def _length(seconds: float) -> str:
    """A pause in a few letters: 25m, 3h, 12d."""
    for unit, letter in ((86400, "d"), (3600, "h")):
        if seconds >= 2 * unit:
            return f"{seconds / unit:.0f}{letter}"
    return f"{seconds / 60:.0f}m"


def _lane(
    body: str | None,
    frames: Sequence[tuple[int, FrameMatch]],
    axis: Axis,
    matches: Matches,
    logs: Sequence[SessionLog],
) -> Lane:
    points = [_point(found) for _, found in frames]
    known = [stops(point.f_number) for point in points if point.f_number is not None]
    light = [point.light for point in points if point.light is not None]
    places = [axis.x(point.at) for point in points]
    rows_of_frames = rows_of_marks(places, MARK)
    timeline = matches.timelines.get(body)
    entries = sorted(_entries(timeline, frames, axis, logs), key=lambda one: one.left + one.right)
    # In two rows where their lines' numbers would overlap.
    rows_of_entries = rows_of_marks([(e.left + e.right) / 2 for e in entries], _LABEL, most=2)
    bands = lens_bands(points, axis)
    clocks = tuple(_clocks(timeline, frames, axis, logs)) if timeline is not None else ()
    rows = rows_of(
        entries=1 + max(rows_of_entries, default=-1),
        marks=1 + max(rows_of_frames),
        bands=bool(bands),
        stops=bool(known),
        clocks=bool(clocks),
        light=bool(light),
    )
    marks = zip(places, rows_of_frames, frames, strict=True)
    light_scale = scale_of(light, *rows.light) if light else None
    return Lane(
        body or "no body of the kit",
        rows,
        bands,
        f_number_steps(points, axis, scale_of(known, *rows.stops)),
        tuple((x, rows.marks + row * ROW, number) for x, row, (number, _) in marks),
        tuple(e._replace(row=row) for e, row in zip(entries, rows_of_entries, strict=True)),
        clocks,
        light_paths(points, axis, light_scale) if light_scale else (),
        light_scale,
    )


def _point(found: FrameMatch) -> Point:
    fill, frame = shown_fill(found), found.frame
    number = fill.f_number if fill is not None else None
    through = number or frame.lens_data.f_number
    time, iso = frame.exposure.time, frame.exposure.iso
    return Point(
        _seconds(found.time),
        None if fill is None else fill.lens.key,
        None if number is None else float(number),
        exposure_value(float(through), float(time), iso) if through and time and iso else None,
    )


def _entries(
    timeline: BodyTimeline | None,
    frames: Sequence[tuple[int, FrameMatch]],
    axis: Axis,
    logs: Sequence[SessionLog],
) -> Iterator[EntryMark]:
    """The changes that the log claims for a body, and the entries that name its frames."""
    texts = {(log.file, n): line.strip() for log in logs for n, line in enumerate(log.lines, 1)}
    for change in timeline.changes if timeline else ():
        if timeline and (change.setting is not None or change.before is not None):
            place = (change.log, change.line)
            yield EntryMark(*place, texts.get(place, ""), *_stretch(change, timeline, axis))
    named: dict[tuple[str, int], float] = {}
    for _, found in frames:
        if found.by is Source.NAME and found.log is not None and found.log_line is not None:
            named.setdefault((found.log, found.log_line), axis.x(_seconds(found.time)))
    for place, x in named.items():
        yield EntryMark(*place, texts.get(place, ""), x, x)


def _stretch(change: Change, timeline: BodyTimeline, axis: Axis) -> tuple[float, float]:
    """Where on the axis a change may have fallen: in its window, between the shots around it."""
    shots = timeline.shots
    first, last = change.places[0], change.places[-1]
    left = shots[first - 1].earliest if first else -float("inf")
    right = shots[last].latest if last < len(shots) else float("inf")
    if change.window is not None:
        left, right = max(left, change.window[0]), min(right, change.window[1])
    return axis.x(min(left, right) / SECOND), axis.x(max(left, right) / SECOND)


def _clocks(
    timeline: BodyTimeline,
    frames: Sequence[tuple[int, FrameMatch]],
    axis: Axis,
    logs: Sequence[SessionLog],
) -> Iterator[Label]:
    """Photos of a clock, and by how much each misses the line through all of them."""
    by_stem = {frame_stem(found.frame.file).casefold(): found for _, found in frames}
    for word in (word for log in logs for word in log.clocks):
        if not isinstance(word, ClockReference):
            continue
        found = by_stem.get(word.frame.name.casefold())
        if found is None or found.frame.time is None or word.body not in (None, found.body):
            continue
        reading = instant(placed(found.frame.time, timeline.clock.zone))
        ahead = reading - (instant(word.shows.earliest) + instant(word.shows.latest)) / 2
        missed = (ahead - timeline.clock.at(found.frame).ahead_at(reading)) / SECOND
        text = (
            f"{word.frame.name} shows a clock (line {word.line}): the body's is "
            f"{duration(timedelta(microseconds=ahead))} {'ahead' if ahead >= 0 else 'behind'}, "
            f"{abs(missed):.0f} s off what the frames go by"
        )
        yield Label(axis.x(_seconds(found.time)), text)
