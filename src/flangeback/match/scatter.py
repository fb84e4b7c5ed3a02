"""By how much brightness scatters along an outing, in stops: from scene to scene, and within one.

Deviations are measured by medians: steps of the light and single scenes unlike the others don't
raise them.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from flangeback.match.observation import SameScene

_TO_DEVIATION = 1.4826
"""A normal standard deviation over the median of absolute deviations: 1 / 0.6745."""
_LEAST_SPREAD = 0.1
"""Stops. Marked times and f-numbers are rounded by up to that (1/60 s stands for 1/64, f/5.6 for
5.657; APEX, ISO 517), and a ring is set by hand."""
_LEAST_DIFFERENCES = 5
"""With fewer, no spread is known."""
_GAPS = (3.0, 10.0, 30.0, 120.0)
"""Seconds between observations, whose classes are learnt apart; beyond the last, scenes are
new."""
_ROUNDS = 6
"""Of expectation-maximisation."""
_PRIOR_WEIGHT, _PRIOR_SAME = 4.0, (0.9, 0.5, 0.4, 0.2)
"""Before anything is seen: how likely a scene stays, by class, as if seen so many times."""


@dataclass(frozen=True, slots=True)
class Sample:
    """The brightness of a scene (log2) at a time (seconds), where the f-number is known."""

    at: float
    brightness: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Two observations by one entry, one after the other.

    `seconds` between them and the `difference` of their brightness.
    """

    seconds: float
    difference: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """The standard deviations of one body's observations.

    `scenes` from scene to scene, `own` of one observation within a scene; and the probability that
    a scene stays, by class of gap.
    """

    scenes: float
    own: float
    stays: tuple[float, ...] = _PRIOR_SAME

    def same_scene(self, seconds: float, spread: float) -> SameScene | None:
        """How an observation lies to the one before it, so many seconds ago.

        None where nothing ties them. `spread` is that of scenes at this place.
        """
        gap = bisect_left(_GAPS, seconds)
        if gap == len(_GAPS):
            return None
        own = min(self.own, spread)
        share = (spread**2 - own**2) / spread**2
        return SameScene(self.stays[gap], own * math.sqrt(1 + share), share)


def learn_scatter(pairs: Sequence[Pair]) -> Scatter | None:
    """The scatter that these pairs show, None when they are too few.

    A mixture of pairs of one scene and of two, by expectation-maximisation.
    """
    apart = deviation([pair.difference for pair in pairs if pair.seconds > _GAPS[1]])
    scenes = apart or deviation([pair.difference for pair in pairs])
    if scenes is None:
        return None
    found = Scatter(scenes, min(scenes, _LEAST_SPREAD))
    tied = [pair for pair in pairs if pair.seconds <= _GAPS[-1]]
    for _ in range(_ROUNDS):
        same = [_same(found, pair) for pair in tied]
        sums = [[_PRIOR_WEIGHT * prior, _PRIOR_WEIGHT] for prior in _PRIOR_SAME]
        for pair, part in zip(tied, same, strict=True):
            into = sums[bisect_left(_GAPS, pair.seconds)]
            into[0] += part
            into[1] += 1
        own = _own_spread([abs(pair.difference) for pair in tied], same)
        others = [pair.difference for pair, part in zip(tied, same, strict=True) if part < 0.5] + [
            pair.difference for pair in pairs if pair.seconds > _GAPS[-1]
        ]
        scenes = max(own, deviation(others) or found.scenes)
        found = Scatter(scenes, own, tuple(one / whole for one, whole in sums))
    return found


def _own_spread(differences: Sequence[float], weights: Sequence[float]) -> float:
    """The deviation of one observation, by the weighted median of absolute differences."""
    half = sum(weights) / 2
    if 2 * half < _LEAST_DIFFERENCES:
        return _LEAST_SPREAD
    for difference, weight in sorted(zip(differences, weights, strict=True)):
        half -= weight
        if half <= 0:
            return max(_LEAST_SPREAD, _TO_DEVIATION / math.sqrt(2) * difference)
    return _LEAST_SPREAD


def _same(scatter: Scatter, pair: Pair) -> float:
    """The probability that both are of one scene."""
    stays = scatter.stays[bisect_left(_GAPS, pair.seconds)]
    one = stays * _normal(pair.difference, math.sqrt(2) * scatter.own)
    other = (1 - stays) * _normal(pair.difference, math.sqrt(2) * scatter.scenes)
    return one / (one + other) if one + other else 0.0


def _normal(value: float, spread: float) -> float:
    return math.exp(-((value / spread) ** 2) / 2) / spread


def spread_of(samples: Sequence[Sample]) -> float | None:
    """The standard deviation of one sample, in stops; None when too few tell it."""
    return deviation([after.brightness - before.brightness for before, after in pairwise(samples)])


def deviation(differences: Sequence[float]) -> float | None:
    """The standard deviation of one value, by the differences between neighbours.

    None when they are too few.
    """
    if len(differences) < _LEAST_DIFFERENCES:
        return None
    # Neighbours differ by the square root of two deviations of one. A median of few differences may
    # be small by chance: it is raised by what chance may do.
    middle = median(abs(one) for one in differences) * (1 + 1.5 / len(differences))
    return max(_LEAST_SPREAD, _TO_DEVIATION / math.sqrt(2) * middle)
