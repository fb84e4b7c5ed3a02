"""The likelihood of each offset by which a body's stated clock may be off.

Times are seconds from the body's first shot, by its stated clock; an offset d means that the clock
is ahead by d more than stated, so that a change noted at time u was made at u + d among the shots.
Each term is the log of a likelihood ratio against entries that have nothing to do with the frames
(a Bayes factor; Kass and Raftery 1995, J. Am. Stat. Assoc. 90, 773).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.match.changes import ChangeKind
from flangeback.match.pauses import LEAST_PAUSE

Floats = NDArray[np.float64]

BURST_GAP = 3.0
"""Seconds between shots of one burst, at the most."""
AROUND = 120.0
"""Seconds before the first shot and after the last in which an entry still belongs to them."""
_BY_A_SHOT = 240.0
"""Seconds from a shot within which most changes are made: people change lenses to use them."""
_IN_LONG_PAUSE = 0.1
"""How often changes are made farther from any shot, against 1 near one, by those who do so."""
_NEAR_SHOTS = 0.9
"""How likely a person does; others change lenses as they walk, or when they are back."""
_IN_SHORT_PAUSE = {ChangeKind.LENS: 0.01, ChangeKind.RING: 0.05}
"""The same in pauses shorter than the change takes."""
MISNOTED = 0.05
"""The share of entries that are wrong."""
_OUTSIDE, _ANY_OUTSIDE, _BOTH_SIDES = -0.1, -2.0, -0.5
"""For each entry before all shots or after them, once for any, and once more where there are both:
shots may have been deleted, or lie on another card."""
_UNNOTED, _MOST_UNNOTED = -0.1, -3.0
"""For each burst before all entries or after them, and for all at the most: who notes at all begins
to in time and goes on."""
_LATE_START, _OF_ALL_EARLY = -1.0, -3.0
"""For bursts before all entries at all, and times their share: who notes begins to in time."""
_IDLE_FIRST, _SOON = -1.0, 180.0
"""Where no frame follows the first entry and none begins within so many seconds of another: its
frames may lie on another card."""
_SHIFTED = -2.5
"""The same where shots begin before the log, which goes on after them: neither another card nor a
late start makes that of itself."""
_MANY, _ALL_IDLE = 3, -11.0
"""For so many entries of which at most the last meets a frame: who notes so many changes makes
frames among them."""
_HANDFUL_OR_OUTING = 8, 24
"""Shots up to which that tells nothing, as these are what was kept, or lie on a second card; and
from where on it tells all."""
_IDLE = {ChangeKind.LENS: 0.06, ChangeKind.RING: 0.2}
"""The share of entries that no frame follows before the next one (judgement)."""
_SOONER = 4.0
"""Times as often as over the whole outing frames are made once something was noted (judgement)."""
_LEAST_SCATTER = 0.2
"""Stops."""
_GAPS = (3.0, 30.0, 120.0)
"""Seconds between shots, whose classes have a scatter of their own where there are enough pairs."""
_ENOUGH = 8
_LIGHT_RANGE = 8.0
"""Stops within which a step may have any size where light or scene change at will."""
_WILD = 0.08
"""The share of such steps."""
AT_ONCE = 200_000
"""Changes times offsets that are weighed at once, to bound memory."""
_LIGHT_WEIGHT = 0.95
"""What light counts, since neighbouring steps aren't independent of each other."""


class NotedChange(NamedTuple):
    """A change that was noted within `window` (seconds from the first shot).

    `stops` is log2 N^2 of the f-number from then on, nan where it isn't known; `mounts` says that a
    lens was put on.
    """

    window: tuple[float, float]
    kind: ChangeKind | None
    stops: float
    mounts: bool = False


class ShotSeries(NamedTuple):
    """Shots of a body.

    Their times, log2 of the light that came through the lens (nan where it isn't known), and for
    each state of the body (a lens's key, `off`, or None before any entry) the log likelihood of
    what each shot says of its lens; `lens_by_chance` is that of all shots, if entries have nothing
    to do with them. `light_tells` is how likely light tells f-numbers: flash is set to suit them.
    """

    times: Floats
    light: Floats
    light_tells: float
    lens_terms: Mapping[str | None, Floats]
    lens_by_chance: float = 0.0


class ChangeOdds(NamedTuple):
    """How likely each of some changes was made at any time among the shots.

    They were noted between `starts` and `ends`, at last that a lens was mounted where
    `ends_mounted`; `by_light` and `by_pauses` say which go by which rate, with and without the
    light; `idle` is what each tells that no frame follows (log), `kinds` what hands do for it.
    """

    times: Floats
    light_tells: float
    starts: Floats
    ends: Floats
    by_light: Mapping[_Rate, Sequence[int]]
    by_pauses: Mapping[_Rate, Sequence[int]]
    by_any_pauses: Mapping[_Rate, Sequence[int]]
    idle: Floats
    ends_mounted: bool
    kinds: Sequence[ChangeKind | None]

    @classmethod
    def of(cls, shots: ShotSeries, changes: Sequence[NotedChange]) -> ChangeOdds:
        """What pauses and light tell of these changes, in the order in which they were noted."""
        pauses = {kind: _Rate.by_pauses(shots.times, kind, _IN_LONG_PAUSE) for kind in ChangeKind}
        anywhere = {kind: _Rate.by_pauses(shots.times, kind, 1.0) for kind in ChangeKind}
        light = _Light.of(shots)
        by_step: dict[tuple[ChangeKind, float], _Rate] = {}
        by_light, by_pauses, by_any_pauses = (defaultdict[_Rate, list[int]](list) for _ in range(3))
        before = np.nan
        for number, change in enumerate(changes):
            step = change.stops - before if change.kind is not None else np.nan
            before = change.stops
            key = change.kind or ChangeKind.RING, round(float(step), 3)
            rate = pauses[key[0]]
            by_pauses[rate].append(number)
            by_any_pauses[anywhere[key[0]]].append(number)
            if light is not None and not np.isnan(step):
                if key not in by_step:
                    by_step[key] = light.weighed(rate, key[1])
                rate = by_step[key]
            by_light[rate].append(number)
        windows = [change.window for change in changes]
        # An entry between two others of one time, in the hour that runs twice, has no room left.
        starts, ends = np.array([(start, max(end, start + 1)) for start, end in windows]).T
        # A lens is put on to be used; the first entry names one, too.
        shares = np.array([_IDLE[change.kind or ChangeKind.LENS] for change in changes])
        # Who rarely makes a frame makes none in a short while.
        lasts = np.maximum(0.0, np.append(starts[1:] - ends[:-1], 0.0))
        often = (
            _SOONER * np.count_nonzero(begins_burst(shots.times)) / max(1.0, np.ptp(shots.times))
        )
        shares += (1 - shares) * np.exp(-often * lasts)
        idle = np.minimum(0.0, np.log(shares / np.maximum(1 - shares, 0.5)))
        return cls(
            shots.times,
            shots.light_tells,
            starts,
            ends,
            by_light,
            by_pauses,
            by_any_pauses,
            idle,
            changes[-1].mounts,
            [change.kind for change in changes],
        )

    def at(self, offsets: Floats, late: Floats | float = 0.0) -> Floats:
        """The log likelihood ratio of each offset; `late` seconds are how late notes may be."""
        found, late = self.outside(offsets), np.broadcast_to(late, offsets.shape)
        # By most offsets no change falls among the shots, and nothing else is told.
        first, last = self.times[0] - AROUND, self.times[-1] + AROUND
        meets = (offsets + self.ends.max() >= first) & (offsets + self.starts.min() - late <= last)
        places = np.flatnonzero(meets)
        for some in np.array_split(places, 1 + len(places) * len(self.starts) // AT_ONCE):
            found[some] += self._among(offsets[some], late[some])
        return found

    def beside_notes(self, before: float, after: float, usual: float) -> Floats:
        """How likely each shot lies on the other side of a change than the note of it says.

        The share `usual` of changes was made up to so many seconds before the note, or after it.
        """
        found = np.zeros(len(self.times))
        changes = ((rate, at) for rate, which in self.by_light.items() for at in which)
        for rate, at in changes:
            start, end = self.starts[at], self.ends[at]
            first, last = start - before, end + after
            cuts = np.searchsorted(self.times, (first, start, end, last))
            if self.kinds[at] is None or (cuts[0] == cuts[1] and cuts[2] == cuts[3]):
                continue
            noted = rate.sums(np.array((first, start, end, last))) - rate.sums(first)
            exact = (1 - usual) * (noted[2] - noted[1]) / (end - start)
            other = usual * noted[3] / (last - first)
            made = (rate.sums(self.times) - rate.sums(first)) / noted[3]
            for some, share in ((slice(*cuts[:2]), made), (slice(*cuts[2:]), 1 - made)):
                beside = other / (other + exact) * share[some]
                found[some] = np.maximum(found[some], beside)
        return found

    def _among(self, offsets: Floats, late: Floats) -> Floats:
        """What changes tell that fall among the shots."""
        starts, ends = self.starts[:, None] + offsets, self.ends[:, None] + offsets
        pauses, anywhere, light = (
            sum(rate.log_odds(starts[which] - late, ends[which]) for rate, which in rates.items())
            for rates in (self.by_pauses, self.by_any_pauses, self.by_light)
        )
        tells = self.light_tells
        told = np.logaddexp(np.log(tells) + _LIGHT_WEIGHT * (light - pauses), np.log(1 - tells))
        habits = np.log(_NEAR_SHOTS) + pauses, np.log(1 - _NEAR_SHOTS) + anywhere
        found: Floats = np.logaddexp(*habits) + told + self._idle(starts, ends)
        return found

    def outside(self, offsets: Floats) -> Floats:
        """Most entries lie among the shots, and few shots before the first or after the last."""
        first, last = self.times[0] - AROUND, self.times[-1] + AROUND
        starts, ends = np.sort(self.starts), np.sort(self.ends)
        before = np.searchsorted(ends, first - offsets)
        after = len(starts) - np.searchsorted(starts, last - offsets, "right")
        once = _ANY_OUTSIDE * (before + after > 0) + _BOTH_SIDES * (np.minimum(before, after) > 0)
        bursts = self.times[begins_burst(self.times)]
        early = np.searchsorted(bursts, starts[0] + offsets)
        apart = early + len(bursts) - np.searchsorted(bursts, ends[-1] + offsets)
        goes_on = (after > 0) | (starts[-1] + offsets > self.times[-1]) & self.ends_mounted
        unnoted = np.maximum(_UNNOTED * apart, _MOST_UNNOTED) + _SHIFTED * ((early > 1) & goes_on)
        unnoted += (_LATE_START + _OF_ALL_EARLY * early / len(bursts)) * (early > 1)
        if len(ends) >= _MANY:
            share = float(np.interp(len(self.times), _HANDFUL_OR_OUTING, (0.0, 1.0)))
            by_first, by_last = (
                np.searchsorted(starts, at - offsets) for at in self.times[[0, -1]]
            )
            unnoted += _ALL_IDLE * share * (by_first == by_last)
        by_first, soon = (np.searchsorted(ends, self.times[0] - by - offsets) for by in (0, _SOON))
        unnoted += _IDLE_FIRST * ((by_first > 1) & (by_first == soon))
        found: Floats = _OUTSIDE * (before + after) + once + unnoted
        return found

    def _idle(self, starts: Floats, ends: Floats) -> Floats:
        """Who notes a change mostly makes a frame before the next one.

        Entries before or after all shots don't count: their frames may lie on another card.
        """
        made = np.searchsorted(self.times, starts[:-1])
        by_then = np.searchsorted(self.times, ends[1:])
        is_idle = (made > 0) & (made < len(self.times)) & (by_then == made)
        found: Floats = self.idle[:-1] @ is_idle
        return found


def lens_log_odds(
    shots: ShotSeries,
    states: Sequence[tuple[tuple[float, float], str | None]],
    offsets: Floats,
    late: Floats | float = 0.0,
) -> Floats:
    """The log likelihood of what shots say of their lens, for each offset.

    `states` are what stood on the body from some time within a window on, in order; None stood
    before the first. Shots within the window count by what suits them better, and so do those up to
    `late` seconds before it.
    """
    total, reached, before = np.zeros(len(offsets)), np.zeros(len(offsets), int), None
    terms = shots.lens_terms
    whole = {state: _sums(term) for state, term in terms.items()}
    pairs = dict.fromkeys(pairwise([None, *(state for _, state in states)]))
    either = {(one, two): _sums(np.maximum(terms[one], terms[two])) for one, two in pairs}
    for (start, end), state in states:
        first = np.maximum(reached, np.searchsorted(shots.times, start + offsets - late))
        last = np.maximum(first, np.searchsorted(shots.times, end + offsets))
        total += whole[before][first] - whole[before][reached]
        total += either[before, state][last] - either[before, state][first]
        reached, before = last, state
    total += whole[before][-1] - whole[before][reached]
    return total


def begins_burst(times: Floats) -> NDArray[np.bool_]:
    """Which shots are the first of a burst."""
    return np.append(True, np.diff(times) > BURST_GAP)


def _sums(terms: Floats) -> Floats:
    return np.append(0.0, np.cumsum(terms))


class _Light(NamedTuple):
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
        return _Rate(rate.edges, rate.rate * factor, _sums(length * factor))

    def _density(self, steps: Floats) -> Floats:
        found: Floats = (1 - _WILD) * _student(steps, self.spread) + _WILD / _LIGHT_RANGE
        return found


def _spread(steps: Floats) -> float:
    """A normal standard deviation by the median of absolute deviations."""
    return max(_LEAST_SCATTER, 1.4826 * float(median(np.abs(steps).tolist())))


@dataclass(frozen=True, slots=True, eq=False)
class _Rate:
    """How often changes are made in each stretch between `edges`; `whole` is the sum up to each."""

    edges: Floats
    rate: Floats
    whole: Floats

    @classmethod
    def by_pauses(cls, times: Floats, kind: ChangeKind, far_from_shots: float) -> _Rate:
        """Changes of a kind are made in pauses that are long enough, near shots or elsewhere."""
        edges, rates = [float(times[0]) - AROUND], list[float]()
        for end in (*times.tolist(), float(times[-1]) + AROUND):
            start, length = edges[-1], end - edges[-1]
            cuts = [(end, 1.0 if length > LEAST_PAUSE[kind] else _IN_SHORT_PAUSE[kind])]
            if length > 2 * _BY_A_SHOT:
                far = (end - _BY_A_SHOT, far_from_shots)
                cuts = [(start + _BY_A_SHOT, 1.0), far, (end, 1.0)]
            for cut, rate in cuts:
                edges.append(cut)
                rates.append(rate)
        return cls(np.array(edges), np.array(rates), _sums(np.array(rates) * np.diff(edges)))

    def sums(self, times: Floats) -> Floats:
        """The sum of the rates up to each time."""
        found: Floats = np.interp(times, self.edges, self.whole)
        return found

    def often(self, times: Floats) -> Floats:
        """The same against the mean over all, in seconds."""
        found: Floats = self.sums(times) / (self.whole[-1] / (self.edges[-1] - self.edges[0]))
        return found

    def log_odds(self, starts: Floats, ends: Floats) -> Floats:
        """For each column, what changes tell that were noted between these, one in a row.

        It is the mean rate from start to end against the mean over all; those outside tell nothing.
        """
        found: Floats = self.terms(starts, ends).sum(axis=0)
        return found

    def terms(self, starts: Floats, ends: Floats) -> Floats:
        """The same of each change."""
        inside = self.often(ends) - self.often(starts)
        term = np.log((1 - MISNOTED) * inside / (ends - starts) + MISNOTED)
        is_outside = (ends < self.edges[0]) | (starts > self.edges[-1])
        found: Floats = np.where(is_outside, 0.0, term)
        return found


def _student(miss: Floats, scatter: Floats) -> Floats:
    """The density of Student's t with 4 degrees of freedom."""
    tail = 1 + (miss / scatter) ** 2 / 4
    density: Floats = 0.375 / scatter / (tail * tail * np.sqrt(tail))
    return density
