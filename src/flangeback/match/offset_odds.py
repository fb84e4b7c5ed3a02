"""The likelihood of each offset by which a body's stated clock may be off.

Times are seconds from the body's first shot, by its stated clock; an offset d means that the clock
is ahead by d more than stated, so that a change noted at time u was made at u + d among the shots.
Each term is the log of a likelihood ratio against entries that have nothing to do with the frames
(a Bayes factor; Kass and Raftery 1995, J. Am. Stat. Assoc. 90, 773).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flangeback.match.changes import ChangeKind
from flangeback.match.pauses import LEAST_PAUSE

Floats = NDArray[np.float64]

BURST_GAP = 3.0
"""Seconds between shots of one burst, at the most."""
AROUND = 120.0
"""Seconds before the first shot and after the last in which an entry still belongs to them."""
_BY_A_SHOT = 120.0
"""Seconds from a shot within which most changes are made: people change lenses to use them."""
_IN_LONG_PAUSE = 0.1
"""How often changes are made farther from any shot, against 1 near one."""
_IN_SHORT_PAUSE = {ChangeKind.LENS: 0.01, ChangeKind.RING: 0.05}
"""The same in pauses shorter than the change takes."""
_MISNOTED = 0.05
"""The share of entries that are wrong."""
_OUTSIDE, _ANY_OUTSIDE, _BOTH_SIDES = -0.1, -2.0, -0.5
"""For each entry before all shots or after them, once for any, and once more where there are both:
shots may have been deleted, or lie on another card."""
_UNNOTED, _MOST_UNNOTED = -0.1, -3.0
"""For each burst before all entries or after them, and for all at the most: who notes at all begins
to in time and goes on."""
_IDLE = 0.2
"""The share of entries that no frame follows before the next one (judgement)."""
_LEAST_SCATTER = 0.2
"""Stops."""
_GAPS = (3.0, 30.0, 120.0)
"""Seconds between shots, whose classes have a scatter of their own where there are enough pairs."""
_ENOUGH = 8
_LIGHT_RANGE = 8.0
"""Stops within which a step may have any size where light or scene change at will."""
_WILD = 0.12
"""The share of such steps."""
_LIGHT_WEIGHT = 0.95
"""What light counts, since neighbouring steps aren't independent of each other."""


@dataclass(frozen=True, slots=True)
class NotedChange:
    """A change that was noted within `window` (seconds from the first shot).

    `stops` is log2 N^2 of the f-number from then on, nan where it isn't known.
    """

    window: tuple[float, float]
    kind: ChangeKind | None
    stops: float


@dataclass(frozen=True, slots=True)
class ShotSeries:
    """Shots of a body.

    Their times, log2 of the light that came through the lens (nan where it isn't known), and for
    each state of the body (a lens's key, `off`, or None before any entry) the log likelihood of
    what each shot says of its lens. `light_tells` is how likely light tells f-numbers at all: with
    flash, its power is set to suit them.
    """

    times: Floats
    light: Floats
    light_tells: float
    lens_terms: Mapping[str | None, Floats]


@dataclass(frozen=True, slots=True)
class ChangeOdds:
    """How likely each of some changes was made at any time among the shots.

    `windows` are those of the changes, `by_light` and `by_pauses` their rates, with and without
    the light.
    """

    times: Floats
    light_tells: float
    windows: Sequence[tuple[float, float]]
    by_light: Sequence[_Rate]
    by_pauses: Sequence[_Rate]

    @classmethod
    def of(cls, shots: ShotSeries, changes: Sequence[NotedChange]) -> ChangeOdds:
        """What pauses and light tell of these changes, in the order in which they were noted."""
        pauses = {kind: _Rate.by_pauses(shots.times, kind) for kind in ChangeKind}
        light = _Light.of(shots)
        by_step: dict[tuple[ChangeKind, float], _Rate] = {}
        by_light, before = list[_Rate](), np.nan
        for change in changes:
            step = change.stops - before if change.kind is not None else np.nan
            before = change.stops
            key = change.kind or ChangeKind.RING, round(float(step), 3)
            if light is None or np.isnan(step):
                by_light.append(pauses[key[0]])
            else:
                if key not in by_step:
                    by_step[key] = light.weighed(pauses[key[0]], key[1])
                by_light.append(by_step[key])
        by_pauses = [pauses[change.kind or ChangeKind.RING] for change in changes]
        windows = [change.window for change in changes]
        return cls(shots.times, shots.light_tells, windows, by_light, by_pauses)

    def at(self, offsets: Floats, late: float = 0.0) -> Floats:
        """The log likelihood ratio of each offset; `late` seconds are how late notes may be."""
        pauses = self._made(self.by_pauses, offsets, late)
        light = self._made(self.by_light, offsets, late) - pauses
        tells = self.light_tells
        told = np.logaddexp(np.log(tells) + _LIGHT_WEIGHT * light, np.log(1 - tells))
        found: Floats = pauses + told + self.outside(offsets) + self._idle(offsets)
        return found

    def _made(self, rates: Sequence[_Rate], offsets: Floats, late: float) -> Floats:
        total = np.zeros(len(offsets))
        for (start, end), rate in zip(self.windows, rates, strict=True):
            found = rate.mean(start + offsets - late, end + offsets)
            term = np.log((1 - _MISNOTED) * found + _MISNOTED)
            total += np.where(rate.is_outside(start + offsets, end + offsets), 0.0, term)
        return total

    def outside(self, offsets: Floats) -> Floats:
        """Most entries lie among the shots, and few shots before the first or after the last."""
        first, last = self.times[0] - AROUND, self.times[-1] + AROUND
        starts = np.sort([start for start, _ in self.windows])
        ends = np.sort([end for _, end in self.windows])
        before = np.searchsorted(ends, first - offsets)
        after = len(starts) - np.searchsorted(starts, last - offsets, "right")
        once = _ANY_OUTSIDE * (before + after > 0) + _BOTH_SIDES * (np.minimum(before, after) > 0)
        bursts = self.times[np.append(True, np.diff(self.times) > BURST_GAP)]
        apart = len(bursts) - np.searchsorted(bursts, ends[-1] + offsets)
        apart += np.searchsorted(bursts, starts[0] + offsets)
        unnoted = np.maximum(_UNNOTED * apart, _MOST_UNNOTED)
        found: Floats = _OUTSIDE * (before + after) + once + unnoted
        return found

    def _idle(self, offsets: Floats) -> Floats:
        """Who notes a change mostly makes a frame before the next one.

        Entries before or after all shots don't count: their frames may lie on another card.
        """
        total = np.zeros(len(offsets))
        for (start, _), (_, end) in pairwise(self.windows):
            made = np.searchsorted(self.times, start + offsets)
            by_then = np.searchsorted(self.times, end + offsets)
            among = (made > 0) & (made < len(self.times))
            total += np.where(among & (by_then == made), np.log(_IDLE / (1 - _IDLE)), 0.0)
        return total


def lens_log_odds(
    shots: ShotSeries, states: Sequence[tuple[float, str | None]], offsets: Floats
) -> Floats:
    """The log likelihood of what shots say of their lens, for each offset.

    `states` are what stood on the body from a time on, in order; None stood before the first.
    """
    total = np.zeros(len(offsets))
    starts = [-np.inf, *(at for at, _ in states), np.inf]
    for number, state in enumerate([None, *(state for _, state in states)]):
        whole = np.concatenate([[0.0], np.cumsum(shots.lens_terms[state])])
        first = np.searchsorted(shots.times, starts[number] + offsets)
        last = np.searchsorted(shots.times, starts[number + 1] + offsets)
        total += whole[last] - whole[first]
    return total


@dataclass(frozen=True, slots=True)
class _Light:
    """The steps of light from each lit shot to the next, and by how much they scatter (stops)."""

    times: Floats
    steps: Floats
    spread: Floats

    @classmethod
    def of(cls, shots: ShotSeries) -> _Light | None:
        """None where too few are lit."""
        known = ~np.isnan(shots.light)
        times, steps = shots.times[known], np.diff(shots.light[known])
        if len(steps) < 2:
            return None
        spread = np.full(len(steps), _spread(steps))
        gaps = np.searchsorted(_GAPS, np.diff(times))
        for gap in range(len(_GAPS) + 1):
            if np.count_nonzero(gaps == gap) >= _ENOUGH:
                spread[gaps == gap] = _spread(steps[gaps == gap])
        return cls(times, steps, spread)

    def weighed(self, rate: _Rate, stops: float) -> _Rate:
        """How often a turn by so many stops is made where rates are such, as the steps have it.

        Outside the lit shots nothing is told: the mean stands there.
        """
        ratio = self._density(self.steps + stops) / self._density(self.steps)
        place = np.searchsorted(self.times, (rate.edges[:-1] + rate.edges[1:]) / 2) - 1
        lit = (place >= 0) & (place < len(ratio))
        length = np.diff(rate.edges) * rate.rate
        told = ratio[place[lit]]
        factor = np.full(len(place), np.average(told, weights=length[lit]))
        factor[lit] = told
        return replace(rate, rate=rate.rate * factor, whole=_whole(rate.edges, rate.rate * factor))

    def _density(self, steps: Floats) -> Floats:
        found: Floats = (1 - _WILD) * _student(steps, self.spread) + _WILD / _LIGHT_RANGE
        return found


def _spread(steps: Floats) -> float:
    """A normal standard deviation by the median of absolute deviations."""
    return max(_LEAST_SCATTER, 1.4826 * float(np.median(np.abs(steps))))


@dataclass(frozen=True, slots=True)
class _Rate:
    """How often changes are made in each stretch between `edges`; `whole` is the sum up to each."""

    edges: Floats
    rate: Floats
    whole: Floats

    @classmethod
    def by_pauses(cls, times: Floats, kind: ChangeKind) -> _Rate:
        """Changes of a kind are made in pauses that are long enough, near shots."""
        edges, rates = [float(times[0]) - AROUND], list[float]()
        for end in (*times.tolist(), float(times[-1]) + AROUND):
            start, length = edges[-1], end - edges[-1]
            cuts = [(end, 1.0 if length > LEAST_PAUSE[kind] else _IN_SHORT_PAUSE[kind])]
            if length > 2 * _BY_A_SHOT:
                far = (end - _BY_A_SHOT, _IN_LONG_PAUSE)
                cuts = [(start + _BY_A_SHOT, 1.0), far, (end, 1.0)]
            for cut, rate in cuts:
                edges.append(cut)
                rates.append(rate)
        found = np.array(edges), np.array(rates)
        return cls(*found, _whole(*found))

    def is_outside(self, starts: Floats, ends: Floats) -> NDArray[np.bool_]:
        """Whether a change noted between these was made before all shots, or after them."""
        found: NDArray[np.bool_] = (ends < self.edges[0]) | (starts > self.edges[-1])
        return found

    def mean(self, starts: Floats, ends: Floats) -> Floats:
        """The mean rate from each start to its end, against the mean over all."""
        usual = self.whole[-1] / (self.edges[-1] - self.edges[0])
        inside = np.interp(ends, self.edges, self.whole) - np.interp(starts, self.edges, self.whole)
        found: Floats = inside / (ends - starts) / usual
        return found


def _whole(edges: Floats, rate: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(rate * np.diff(edges))])


def _student(miss: Floats, scatter: Floats) -> Floats:
    """The density of Student's t with 4 degrees of freedom."""
    tail = 1 + (miss / scatter) ** 2 / 4
    density: Floats = 0.375 / scatter / (tail * tail * np.sqrt(tail))
    return density
