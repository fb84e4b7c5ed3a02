"""The likelihood of each offset by which a body's stated clock may be off.

Times are seconds from the body's first shot, by its stated clock; an offset d means that the clock
is ahead by d more than stated, so that a change noted at time u was made at u + d among the shots.
Each term is the log of a likelihood ratio against entries that have nothing to do with the frames
(a Bayes factor; Kass and Raftery 1995, J. Am. Stat. Assoc. 90, 773).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flangeback.match.changes import ChangeKind
from flangeback.match.pauses import LEAST_PAUSE

Floats = NDArray[np.float64]

_AROUND = 600.0
"""Seconds before the first shot and after the last in which an entry still belongs to them."""
_BY_A_SHOT = 120.0
"""Seconds from a shot within which most changes are made: people change lenses to use them."""
_IN_LONG_PAUSE = 0.02
"""How often changes are made farther from any shot, against 1 near one."""
_IN_SHORT_PAUSE = {ChangeKind.LENS: 0.01, ChangeKind.RING: 0.05}
"""The same in pauses shorter than the change takes."""
_MISNOTED = 0.05
"""The share of entries that are wrong."""
_OUTSIDE, _ANY_OUTSIDE = -0.3, -2.0
"""For each entry before all shots or after them, and once for each side: shots may have been
deleted, or lie on another card."""
_IDLE = 0.2
"""The share of entries that no frame follows before the next one (judgement)."""
_LEAST_SCATTER = 0.2
"""Stops."""
_LIGHT_RANGE = 8.0
"""Stops within which a step may have any size where light or scene change at will."""
_WILD = 0.12
"""The share of such steps."""
_ANY_STEP = 2.0
"""Stops that changes of f-number amount to, for all that is known without the log."""
_LIGHT_WEIGHT = 0.95
"""What light counts, since neighbouring steps aren't independent of each other."""
_AT_ONCE = 500
"""Offsets weighed at once, to bound memory."""


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


def log_odds(
    shots: ShotSeries, changes: Sequence[NotedChange], offsets: Floats, late: float = 0.0
) -> Floats:
    """The log likelihood ratio of each offset by pauses and light.

    `late` seconds are how late notes may be.
    """
    light = _light_log_odds(shots, changes, offsets, late)
    light *= _LIGHT_WEIGHT
    tells = shots.light_tells
    weighed: Floats = np.logaddexp(np.log(tells) + light, np.log(1 - tells))
    pauses = _pause_log_odds(shots, changes, offsets, late)
    return weighed + pauses + _idle_log_odds(shots.times, changes, offsets)


def _pause_log_odds(
    shots: ShotSeries, changes: Sequence[NotedChange], offsets: Floats, late: float
) -> Floats:
    """Changes fall into pauses that are long enough, near shots."""
    rates = {kind: _Rates.of(shots.times, kind) for kind in ChangeKind}
    total = np.zeros(len(offsets))
    sides = np.zeros((2, len(offsets)), bool)
    for change in changes:
        rate = rates[change.kind or ChangeKind.RING]
        start, end = change.window
        found = rate.mean(start + offsets - late, end + offsets)
        outside = end + offsets < rate.edges[0], start + offsets > rate.edges[-1]
        sides |= outside
        term = np.log((1 - _MISNOTED) * found + _MISNOTED)
        total += np.where(outside[0] | outside[1], _OUTSIDE, term)
    total += _ANY_OUTSIDE * sides.sum(axis=0)
    return total


def _idle_log_odds(times: Floats, changes: Sequence[NotedChange], offsets: Floats) -> Floats:
    """Who notes a change mostly makes a frame before the next one.

    Entries before or after all shots don't count: their frames may lie on another card.
    """
    total = np.zeros(len(offsets))
    for change, following in pairwise(changes):
        made = np.searchsorted(times, change.window[0] + offsets)
        by_then = np.searchsorted(times, following.window[1] + offsets)
        among = (made > 0) & (made < len(times))
        total += np.where(among & (by_then == made), np.log(_IDLE / (1 - _IDLE)), 0.0)
    return total


def _light_log_odds(
    shots: ShotSeries, changes: Sequence[NotedChange], offsets: Floats, late: float
) -> Floats:
    """Where the f-number changes the light through the lens steps, and nowhere else.

    By what is logged, the brightness of the scene goes on from shot to shot.

    Shots within the window of a change tell nothing, and are left out.
    """
    known = ~np.isnan(shots.light)
    times, light = shots.times[known], shots.light[known]
    if len(times) < 3:
        return np.zeros(len(offsets))
    scatter = max(_LEAST_SCATTER, 1.4826 * float(np.median(np.abs(np.diff(light)))) / np.sqrt(2))
    stops = np.array([np.nan, *(change.stops for change in changes)])
    starts = np.maximum.accumulate([change.window[0] - late for change in changes])
    ends = np.maximum.accumulate([change.window[1] for change in changes])
    turned = min(0.5, np.count_nonzero(np.diff(stops[1:])) / (len(times) - 1))
    total = np.zeros(len(offsets))
    for at in range(0, len(offsets), _AT_ONCE):
        noted = times - offsets[at : at + _AT_ONCE, None]
        made = np.searchsorted(ends, noted, "right")
        is_open = made != np.searchsorted(starts, noted, "right")
        logged = np.where(is_open, np.nan, stops[made])
        total[at : at + _AT_ONCE] = _steadiness(light, logged, scatter, turned)
    return total


def _steadiness(light: Floats, logged: Floats, scatter: float, turned: float) -> Floats:
    """For each row of logged stops, the log likelihood ratio of the scene's steps.

    Stops are nan where they are open. The steps are those from shot to shot, held against shots of
    which the share `turned` follows a change of f-number that nobody knows.
    """
    at = np.where(np.isnan(logged), 0, np.arange(logged.shape[1]))
    before = np.maximum.accumulate(at, axis=1)[:, :-1]
    raw = light[1:] - light[before]
    step = raw + logged[:, 1:] - np.take_along_axis(logged, before, axis=1)
    spread = scatter * np.sqrt(2)
    goes_on = (1 - _WILD) * _student(step, spread) + _WILD / _LIGHT_RANGE
    unknown = (1 - turned) * _student(raw, spread) + turned * _student(raw, _ANY_STEP)
    found: Floats = np.nansum(np.log(goes_on / unknown), axis=1)
    return found


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
class _Rates:
    """How often changes of a kind are made in each stretch between `edges`."""

    edges: Floats
    rate: Floats

    @classmethod
    def of(cls, times: Floats, kind: ChangeKind) -> _Rates:
        edges, rates = [float(times[0]) - _AROUND], list[float]()
        for end in (*times.tolist(), float(times[-1]) + _AROUND):
            start, length = edges[-1], end - edges[-1]
            cuts = [(end, 1.0 if length > LEAST_PAUSE[kind] else _IN_SHORT_PAUSE[kind])]
            if length > 2 * _BY_A_SHOT:
                far = (end - _BY_A_SHOT, _IN_LONG_PAUSE)
                cuts = [(start + _BY_A_SHOT, 1.0), far, (end, 1.0)]
            for cut, rate in cuts:
                edges.append(cut)
                rates.append(rate)
        return cls(np.array(edges), np.array(rates))

    def mean(self, starts: Floats, ends: Floats) -> Floats:
        """The mean rate from each start to its end, against the mean over all."""
        whole = np.concatenate([[0.0], np.cumsum(self.rate * np.diff(self.edges))])
        usual = whole[-1] / (self.edges[-1] - self.edges[0])
        inside = np.interp(ends, self.edges, whole) - np.interp(starts, self.edges, whole)
        found: Floats = inside / (ends - starts) / usual
        return found


def _student(miss: Floats, scatter: float) -> Floats:
    """The density of Student's t with 4 degrees of freedom."""
    density: Floats = 0.375 / scatter * (1 + (miss / scatter) ** 2 / 4) ** -2.5
    return density
