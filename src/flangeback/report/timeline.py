"""The numbers of a timeline: where on the page each time, lens, f-number and light stands.

Times are seconds on one scale, whatever their origin; places are in the units of an SVG drawing
(CSS px at full size), from its upper left corner.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

LONGEST_PAUSE = 900.0
"""Seconds; a longer time in which nothing happens is cut out of the axis."""
CUT_WIDTH = 34.0
_LEAST_STRETCH = 60.0
"""Seconds that a lone frame's stretch stands for."""
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440)
"""Minutes between the marks of an axis."""
_LEAST_BETWEEN_MARKS = 64.0
_LEAST_STOPS = 3.0
"""A scale of f-numbers or of light spans so many stops at least."""
_HALF_MARK = 6.0


class Stretch(NamedTuple):
    """A stretch of time, and where it begins and ends on the page."""

    start: float
    end: float
    left: float
    right: float


class Axis(NamedTuple):
    """Stretches of time side by side, with the long pauses between them cut out."""

    stretches: tuple[Stretch, ...]

    @property
    def width(self) -> float:
        """Where the last stretch ends."""
        return self.stretches[-1].right if self.stretches else 0.0

    @property
    def cuts(self) -> tuple[Stretch, ...]:
        """The pauses that are cut out, each with the room it still takes."""
        return tuple(
            Stretch(before.end, after.start, before.right, after.left)
            for before, after in pairwise(self.stretches)
        )

    def x(self, at: float) -> float:
        """Where a time stands; one before or after all others stands at the edge."""
        points = [p for s in self.stretches for p in ((s.start, s.left), (s.end, s.right))]
        after = bisect_right([time for time, _ in points], at)
        if after == 0:
            return points[0][1]
        if after == len(points):
            return points[-1][1]
        (start, left), (end, right) = points[after - 1], points[after]
        return left + (right - left) * (at - start) / (end - start)

    def marks(self, offset: float = 0.0) -> Iterator[float]:
        """The full minutes, quarters or hours that are marked; `offset` is the zone's, seconds."""
        scale = min(((s.right - s.left) / (s.end - s.start) for s in self.stretches), default=1)
        step = next((m * 60 for m in _STEPS if m * 60 * scale >= _LEAST_BETWEEN_MARKS), 86400)
        for one in self.stretches:
            first = math.ceil((one.start + offset) / step)
            last = math.floor((one.end + offset) / step)
            yield from (n * step - offset for n in range(first, last + 1))


def axis_of(times: Iterable[float], width: float, left: float = 0.0) -> Axis:
    """The axis on which all these times stand, from `left` on and `width` wide."""
    ordered = sorted(times)
    if not ordered:
        return Axis(())
    breaks = [n for n, (a, b) in enumerate(pairwise(ordered), 1) if b - a > LONGEST_PAUSE]
    ends = [(ordered[i], ordered[j - 1]) for i, j in pairwise([0, *breaks, len(ordered)])]
    lengths = [max(end - start, _LEAST_STRETCH) for start, end in ends]
    room = max(width - CUT_WIDTH * len(breaks), width / 3)
    stretches, x = [], left
    for (start, end), length in zip(ends, lengths, strict=True):
        share = room * length / sum(lengths)
        middle = (start + end) / 2
        stretches.append(Stretch(middle - length / 2, middle + length / 2, x, x + share))
        x += share + CUT_WIDTH
    return Axis(tuple(stretches))


class Point(NamedTuple):
    """One frame on the timeline: what it came to, what it was made with, and the scene's `light`.

    `f_number` is as the sensor saw it; `light` is in EV at ISO 100. What isn't known is None.
    """

    at: float
    lens: str | None = None
    f_number: float | None = None
    light: float | None = None


def exposure_value(f_number: float, time: float, iso: int) -> float:
    """EV at ISO 100 of a scene exposed so: log2(N^2 / t) - log2(S / 100) (ISO 2720)."""
    return math.log2(f_number**2 / time) - math.log2(iso / 100)


class Band(NamedTuple):
    """A lens on the body, from `left` to `right`."""

    lens: str
    left: float
    right: float


def lens_bands(points: Sequence[Point], axis: Axis) -> tuple[Band, ...]:
    """One band for each lens that stood through frames in a row.

    It reaches halfway to the frames on other lenses, and not over a cut.
    """
    return tuple(
        Band(lens, *_ends(points, run, axis))
        for run in _in_a_row(points, axis, lambda point: point.lens)
        if (lens := points[run[0]].lens) is not None
    )


def _in_a_row(
    points: Sequence[Point], axis: Axis, likeness: Callable[[Point], object]
) -> Iterator[Sequence[int]]:
    """The numbers of points that are alike and in one stretch."""
    starts = [one.start for one in axis.stretches]
    stretches = [bisect_right(starts, point.at) for point in points]
    for _, run in groupby(range(len(points)), lambda n: (likeness(points[n]), stretches[n])):
        yield list(run)


def _ends(points: Sequence[Point], run: Sequence[int], axis: Axis) -> tuple[float, float]:
    """Where a band of these points begins and ends: halfway to a neighbour, if that is near."""

    def end(number: int, way: int) -> float:
        x, other = axis.x(points[number].at), number + way
        has_other = 0 <= other < len(points)
        if has_other and abs(points[other].at - points[number].at) <= LONGEST_PAUSE:
            return x + (axis.x(points[other].at) - x) / 2
        return x + way * _HALF_MARK

    return end(run[0], -1), end(run[-1], 1)


class Scale(NamedTuple):
    """A scale of stops or EV: `low` stands at `bottom`, `high` at `top`."""

    low: float
    high: float
    top: float
    bottom: float

    def y(self, value: float) -> float:
        """Where a value stands."""
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - share * (self.bottom - self.top)


def scale_of(values: Sequence[float], top: float, bottom: float) -> Scale:
    """The scale on which all these values stand, with some stops to spare."""
    low, high = (min(values), max(values)) if values else (0.0, 0.0)
    spare = max(0.0, _LEAST_STOPS - (high - low)) / 2
    return Scale(low - spare, high + spare, top, bottom)


class Step(NamedTuple):
    """The f-number that stood from `left` to `right`, at the height `y`."""

    f_number: float
    left: float
    right: float
    y: float


def f_number_steps(points: Sequence[Point], axis: Axis, scale: Scale) -> tuple[Step, ...]:
    """The stepped line of f-numbers: `scale` is of stops, -log2 N^2, so that wide open is up."""
    return tuple(
        Step(f_number, *_ends(points, run, axis), scale.y(stops(f_number)))
        for run in _in_a_row(points, axis, lambda point: (point.lens, point.f_number))
        if (f_number := points[run[0]].f_number) is not None
    )


def stops(f_number: float) -> float:
    """An f-number as stops of light let through: -log2 N^2."""
    return -2 * math.log2(f_number)


def light_paths(points: Sequence[Point], axis: Axis, scale: Scale) -> tuple[str, ...]:
    """The scene's light as SVG polylines, broken at cuts and where it isn't known.

    A lone point is a line from it to itself.
    """
    paths = []
    for run in _in_a_row(points, axis, lambda point: point.light is None):
        known = [(points[n].at, light) for n in run if (light := points[n].light) is not None]
        corners = [f"{axis.x(at):.1f},{scale.y(light):.1f}" for at, light in known]
        if corners:
            paths.append(" ".join(corners if len(corners) > 1 else corners * 2))
    return tuple(paths)


def rows_of_marks(places: Sequence[float], width: float, most: int = 4) -> tuple[int, ...]:
    """In which row each mark stands, so that marks of this width don't cover one another.

    `places` rise. Where `most` rows aren't enough, marks overlap in the last.
    """
    ends = [-math.inf] * most
    rows = []
    for place in places:
        row = next((n for n, end in enumerate(ends) if place - end >= width), most - 1)
        ends[row] = place
        rows.append(row)
    return tuple(rows)
