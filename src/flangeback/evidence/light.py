"""Brightness along an outing, in stops: how much it scatters, where it steps, where a look fits.

All thresholds follow from the scatter that the frames themselves show. It is measured on the
differences between neighbours: half of them are smaller than 0.67 standard deviations of a normal
scatter, so their median, times 1.48, is that deviation whatever the other half does. A step, a
cloud, a picture of the sky among pictures of walls leave it alone; light that wanders, and scenes
that differ, raise it, and evidence keeps still.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

_TO_DEVIATION = 1.4826
"""A normal deviation over the median of its absolute values: 1 / 0.6745."""
FLOOR = 0.1
"""Stops. No scatter is taken for less: marked times and f-numbers are rounded by up to that (1/60 s
stands for 1/64, f/5.6 for 5.657; APEX, ISO 517), and a ring is set by hand."""
_NEIGHBOURS = 12
"""Looks to either side whose scatter counts for a place."""
_LEAST_DIFFERENCES = 5
"""With fewer, the scatter isn't known."""
LEVEL = 5
"""Looks whose median is the level of the light."""
FITS = 3.0
"""Deviations within which a look belongs to a level: 1 in 370 of a normal scatter doesn't."""
SURE = 4.0
"""Deviations by which a look must miss what it is said not to be: 1 in 16,000."""
STEP = 5.0
"""Deviations that make a step. It is looked for at every place of an outing, some hundreds, and
pictures scatter with longer tails than a normal one: at 5, those of Student's t with 6 degrees of
freedom still give less than one false step in 400 places."""
LEAST_STEP = 0.7
"""Stops. Rings click in halves or whole stops (common practice), and below a half, with its half
of scatter, there is no telling."""
_TOGETHER = 900.0
"""Seconds. Light of longer ago says nothing of now (common practice: the sun moves on)."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a burst saw: the time in seconds, and the scene's brightness in stops."""

    at: float
    value: float


@dataclass(frozen=True, slots=True)
class Step:
    """The brightness changes by `size` stops right before the look at `place`."""

    place: int
    size: float


def scatter(looks: Sequence[Look], place: int) -> float | None:
    """The standard deviation of one look around a place, in stops; None when too few tell it.

    A median of few differences may by chance be small: it is raised by what chance may do.
    """
    near = _deviation(looks[max(0, place - _NEIGHBOURS) : place + _NEIGHBOURS])
    return None if near is None else max(FLOOR, near)


def _deviation(looks: Sequence[Look]) -> float | None:
    steps = [abs(after.value - before.value) for before, after in pairwise(looks)]
    if len(steps) < _LEAST_DIFFERENCES:
        return None
    # Neighbours differ by two scatters, so by the square root of two of one.
    return _TO_DEVIATION / math.sqrt(2) * median(steps) * (1 + 1.5 / len(steps))


def level(looks: Sequence[Look], at: float) -> tuple[float, int] | None:
    """The median of these looks, of those near `at` in time, and how many they are."""
    near = [look.value for look in looks if abs(look.at - at) <= _TOGETHER]
    return (median(near), len(near)) if near else None


def level_deviation(scatter: float, count: int) -> float:
    """That of the median of `count` looks; a median wastes a third of them (pi / 2)."""
    return scatter * math.sqrt((math.pi / 2 if count > 2 else 1.0) / count)


def sides(
    before: Sequence[Look], after: Sequence[Look], looks: Sequence[tuple[Look, Look]], spread: float
) -> Iterator[int]:
    """For each look of an uncertain stretch: -1 if it was made before the ring was turned, 1 if
    after, 0 if it can't be told. `looks` are pairs, with the earlier and the later f-number;
    `before` and `after` the looks around the stretch, `spread` their scatter."""
    known = _steady_level(before, after, spread)
    for old, new in looks:
        yield 0 if known is None else _side(old.value - known[0], new.value - known[0], known[1])


def _steady_level(
    before: Sequence[Look], after: Sequence[Look], spread: float
) -> tuple[float, float] | None:
    """The level of the light and its looks' deviation; None unless it is one on both sides."""
    if not before or not after:
        return None
    old = level(before[-LEVEL:], after[0].at)
    new = level(after[:LEVEL], before[-1].at)
    if old is None or new is None:
        return None
    apart = abs(new[0] - old[0])
    allowed = math.hypot(level_deviation(spread, old[1]), level_deviation(spread, new[1]))
    if apart > FITS * allowed:
        return None
    middle = (old[0] + new[0]) / 2
    return middle, math.sqrt(spread**2 + (allowed / 2) ** 2 + (apart / 2) ** 2)


def _side(old: float, new: float, deviation: float) -> int:
    """Which of two misses is none."""
    fits = min(FITS * deviation, abs(new - old) - SURE * deviation)
    if abs(old) <= fits:
        return -1
    return 1 if abs(new) <= fits else 0


def find_step(looks: Sequence[Look], start: int, end: int, usable: Sequence[bool]) -> Step | None:
    """The first step inside looks[start:end], the stretch between two logged changes.

    The light before it may lie before `start`; `usable` says which looks may speak for it. After
    it, the light stays until `end`, and from there on is what it was before: if that isn't so,
    it was the light that changed, and no ring.
    """
    best: tuple[float, Step] | None = None
    for place in range(start + 1, end):
        found = _step_at(looks, place, end, usable)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
    return None if best is None else best[1]


def _step_at(
    looks: Sequence[Look], place: int, end: int, usable: Sequence[bool]
) -> tuple[float, Step] | None:
    spread = scatter(looks, place)
    earlier = [looks[n] for n in range(max(0, place - LEVEL), place) if usable[n]]
    at = looks[place].at
    old, new = level(earlier, at), level(looks[place : min(end, place + LEVEL)], at)
    if spread is None or old is None or new is None:
        return None
    size = new[0] - old[0]
    deviation = math.hypot(level_deviation(spread, old[1]), level_deviation(spread, new[1]))
    if abs(size) < max(LEAST_STEP, STEP * deviation):
        return None
    if not (_is_sharp(looks, place, old[0], size) and _stays(looks, place, end, old[0], size)):
        return None
    if not _returns(looks, end, old[0], size):
        return None
    return abs(size) / deviation, Step(place, size)


def _is_sharp(looks: Sequence[Look], place: int, old: float, size: float) -> bool:
    """Whether the looks on either side of the place belong to the levels of theirs."""
    share = [(looks[n].value - old) / size for n in (place - 1, place)]
    return share[0] < 0.4 and share[1] > 0.6


def _stays(looks: Sequence[Look], place: int, end: int, old: float, size: float) -> bool:
    """Whether, up to the next entry, the light keeps to its new level."""
    back = sum((looks[n].value - old) / size < 0.5 for n in range(place, end))
    return back <= (end - place) / 4


def _returns(looks: Sequence[Look], end: int, old: float, size: float) -> bool:
    """Whether, with the next entry's f-number, the light is the old one; so if there is none."""
    if end >= len(looks):
        return True
    new = level(looks[end : end + LEVEL], looks[end - 1].at)
    return new is None or (new[0] - old) / size < 0.5
