"""How much brightness scatters along an outing, in stops.

It is measured on the differences between neighbours: half of them are smaller than 0.67 standard
deviations of a normal scatter, so their median, times 1.48, is that deviation whatever the other
half does. A step, a cloud, a picture of the sky among pictures of walls leave it alone; light that
wanders, and scenes that differ, raise it, and evidence keeps still.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
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
_STANDS_OUT = 3.0
"""Deviations: 1 in 370 of a normal scatter."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a burst saw: the time in seconds, and the scene's brightness in stops."""

    at: float
    value: float


def scatter(looks: Sequence[Look], place: int) -> float | None:
    """The standard deviation of one look around a place, in stops; None when too few tell it."""
    return overall(looks[max(0, place - _NEIGHBOURS) : place + _NEIGHBOURS])


def overall(looks: Sequence[Look]) -> float | None:
    """The standard deviation of one of these looks, in stops; None when too few tell it.

    A median of few differences may by chance be small: it is raised by what chance may do.
    """
    return _deviation([abs(after.value - before.value) for before, after in pairwise(looks)])


def _deviation(steps: Sequence[float]) -> float | None:
    if len(steps) < _LEAST_DIFFERENCES:
        return None
    # Neighbours differ by two scatters, so by the square root of two of one.
    found = _TO_DEVIATION / math.sqrt(2) * median(steps) * (1 + 1.5 / len(steps))
    return max(FLOOR, found)


def within(bursts: Iterable[Sequence[float]]) -> float | None:
    """The standard deviation of one look from the others of its burst, which saw the same scene,
    in stops; None when too few tell it."""
    steps = [abs(after - before) for burst in bursts for before, after in pairwise(burst)]
    return _deviation(steps)


def stepped(before: Sequence[Look], after: Sequence[Look]) -> float | None:
    """By how many stops the light is another after than before; None unless it stands out."""
    spread = overall([*before, *after])
    if not before or not after or spread is None:
        return None
    step = median(look.value for look in after) - median(look.value for look in before)
    # A median of n is good to the deviation of one over their root, and wastes a third of them.
    apart = spread * math.sqrt(math.pi / 2 * (1 / len(before) + 1 / len(after)))
    return step if abs(step) > _STANDS_OUT * apart else None
