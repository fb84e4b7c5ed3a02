"""By how much brightness scatters along an outing, in stops: from scene to scene, and within one.

Deviations are measured by medians: steps of the light and single scenes unlike the others don't
raise them.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from flangeback.match.observation import WANDER, SameScene

if TYPE_CHECKING:
    from flangeback.match.grid import Array

_TO_DEVIATION = 1.4826
"""A normal standard deviation over the median of absolute deviations: 1 / 0.6745."""
_LEAST_SPREAD = 0.1
"""Stops. Marked times and f-numbers are rounded by up to that (1/60 s stands for 1/64, f/5.6 for
5.657; APEX, ISO 517), and a ring is set by hand."""
_LEAST_DIFFERENCES = 5
"""With fewer, no spread is known."""
_GAPS = (3.0, 10.0, 30.0, 120.0)
"""Seconds between observations, whose classes are learnt apart where pictures tell nothing; up to
the first it is one burst, beyond the last scenes are new."""
_LIKENESS = (0.6, 0.75, 0.95)
"""Correlations of pictures' layouts, whose classes are learnt apart; beyond the last one it is the
same picture, but for its exposure."""
_ROUNDS = 6
"""Of expectation-maximisation."""
_PRIOR_WEIGHT, _PRIOR_SAME = 4.0, (0.9, 0.5, 0.4, 0.2, 0.0, 0.1, 0.5, 0.9, 0.98)
"""Before anything is seen: how likely a scene stays, by class of gap and of likeness (judgement),
as if seen so many times."""
_PRIOR_SCENES, _PRIOR_OWN, _SPREAD_WEIGHT = 0.7, 0.25, 5.0
"""Stops from scene to scene, and from burst to burst of one scene, as if seen so many times (common
practice)."""


class Pair(NamedTuple):
    """Two observations by one entry, one after the other.

    `seconds` between them, the `difference` of their brightness, and the `likeness` of the pictures
    (None where it isn't known).
    """

    seconds: float
    difference: float
    likeness: float | None = None

    @property
    def kind(self) -> int:
        """The class of gap, or of likeness where that is known."""
        if self.likeness is None:
            return bisect_left(_GAPS, self.seconds)
        return len(_GAPS) + 1 + bisect_left(_LIKENESS, self.likeness)

    @property
    def is_burst(self) -> bool:
        """Whether both are of one burst."""
        return self.seconds <= _GAPS[0]


class Scatter(NamedTuple):
    """The standard deviations of one body's observations.

    `scenes` from scene to scene, `own` of one observation within a scene, `in_burst` within a
    burst; and the probability that a scene stays, by kind of pair.
    """

    scenes: float
    own: float
    in_burst: float
    stays: Sequence[float] = _PRIOR_SAME

    def same_scene(self, pair: Pair, spread: float) -> SameScene | None:
        """How an observation lies to the one before it.

        None where nothing ties them. `spread` is that of scenes at this place.
        """
        probability = self.stays[pair.kind]
        if not probability:
            return None
        own = min(self.own_of(pair), spread)
        share = (spread**2 - own**2) / spread**2
        apart = math.sqrt(own**2 * (1 + share) + WANDER**2 * pair.seconds / 600)
        return SameScene(probability, apart, share)

    def own_of(self, pair: Pair) -> float:
        """The deviation of one of these observations, if they are of one scene."""
        return self.in_burst if pair.is_burst else self.own


def learn_scatter(pairs: Sequence[Pair]) -> Scatter | None:
    """The scatter that these pairs show, None when they are too few.

    A mixture of pairs of one scene and of two, by expectation-maximisation.
    """
    apart = deviation([pair.difference for pair in pairs if pair.seconds > _GAPS[1]])
    scenes = apart or deviation([pair.difference for pair in pairs])
    if scenes is None:
        return None
    import numpy as np

    in_burst = min(scenes, _LEAST_SPREAD)
    found = Scatter(scenes, min(scenes, _PRIOR_OWN), in_burst)
    known = sum(pair.likeness is not None for pair in pairs) / len(pairs)
    # Weighted medians want them in this order.
    pairs = sorted(pairs, key=lambda pair: abs(pair.difference))
    sizes = np.array([abs(pair.difference) for pair in pairs])
    kinds = np.array([pair.kind for pair in pairs])
    burst = np.array([pair.is_burst for pair in pairs])
    kind_count, prior = len(_PRIOR_SAME), _PRIOR_WEIGHT * np.array(_PRIOR_SAME)
    for _ in range(_ROUNDS):
        stays = np.array(found.stays)[kinds]
        one = stays * _normal(sizes, np.where(burst, found.in_burst, found.own))
        other = (1 - stays) * _normal(sizes, found.scenes)
        either = one + other
        same = np.divide(one, either, out=np.zeros_like(one), where=either > 0)
        changed, spread = _spread(sizes, 1 - same)
        scenes = spread if changed >= _LEAST_DIFFERENCES else found.scenes
        stayed, own = _spread(sizes[~burst], same[~burst])
        seen, all_seen = np.bincount(kinds, same, kind_count), np.bincount(kinds, None, kind_count)
        found = Scatter(
            max(_with_prior(scenes, changed, _PRIOR_SCENES, known), in_burst),
            _with_prior(own, stayed, _PRIOR_OWN),
            _spread(sizes[burst], same[burst])[1],
            ((prior + seen) / (_PRIOR_WEIGHT + all_seen)).tolist(),
        )
    # It is the same picture, whatever its light did: between clouds pairs of one differ, too.
    return found._replace(stays=[*found.stays[:-1], _PRIOR_SAME[-1]])


def _with_prior(spread: float, count: float, prior: float, share: float = 1.0) -> float:
    """A deviation that was seen so many times, and its prior, with this share of its weight."""
    weight = _SPREAD_WEIGHT * share
    if not weight:
        return spread
    return math.sqrt((weight * prior**2 + count * spread**2) / (weight + count))


def _spread(sizes: Array, weights: Array) -> tuple[float, float]:
    """How many absolute differences there are, by their weights, and the deviation of one value.

    That is told by their weighted median. They rise.
    """
    count = float(weights.sum())
    if count < _LEAST_DIFFERENCES:
        return count, _LEAST_SPREAD
    middle = float(sizes[weights.cumsum().searchsorted(count / 2)])
    return count, max(_LEAST_SPREAD, _TO_DEVIATION / math.sqrt(2) * middle)


def _normal(differences: Array, spread: Array | float) -> Array:
    """The density of two values' difference, but for a factor."""
    import numpy as np

    density: Array = np.exp(-((differences / spread) ** 2) / 4) / spread
    return density


def spread_of(brightness: Sequence[float]) -> float | None:
    """The standard deviation of one value, in stops; None when too few tell it."""
    return deviation([after - before for before, after in pairwise(brightness)])


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
