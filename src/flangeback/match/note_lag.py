"""By how much a person's notes follow the changes, which all changes of an outing tell.

Somebody who notes a change before going on makes no frame between change and note. Who notes it
later has made frames with the new setting by then, which stand before the note.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from flangeback.match.changes import LATEST_NOTE
from flangeback.match.offset_odds import MISNOTED, ChangeOdds, Floats

_HABITS = ((0.02, 0.7), (0.5, 0.15), (0.98, 0.15))
"""The share of changes that are noted after going on, and how likely somebody has that habit
(judgement)."""
_DRIFTED = 8.0
"""Seconds by which a clock may be off unseen: it drifts, and was set with a finger."""
_MARKED, _OPEN = 0.04, 0.17
"""How likely a shot was made on the other side of a change than its note says, from where on it is
doubted, and left open: more likely than where nothing but the habits of people speaks for it."""
_CERTAIN = 0.8
"""How likely a change must have been made about its note, for the note to count as late."""
_BY_LIGHT = 0.9
"""What the light counts beside the pauses, since each change is weighed as if it were the only one
near."""
_PARTS, _LEAST = 128, 1e-9
"""Stretches of the time in which a change may have been made, and what stands for never."""


class BesideNotes(NamedTuple):
    """What lies beside the notes of a body's changes.

    `shares` has shots to doubt, and how likely each was made on the other side of the change noted
    beside it. `lags` has for changes, by their number among those with a time, from 0, the seconds
    by which they may well have been made before their notes' windows.
    """

    shares: Mapping[int, float] = {}
    lags: Mapping[int, float] = {}


class _Made(NamedTuple):
    """How likely a change had been made at each of some times (`edges`), against one made anywhere.

    That is where it's noted `in_time`, and where it is `after` going on.
    """

    number: int
    edges: Floats
    in_time: Floats
    after: Floats

    def noted(self, shares: Floats) -> Floats:
        """How likely it was noted so by each habit, which has such shares of the second kind."""
        found: Floats = (1 - shares) * self.in_time[-1] + shares * self.after[-1]
        return found


def beside_notes(bodies: Sequence[ChangeOdds]) -> Sequence[BesideNotes]:
    """What lies beside the notes of each body's changes. One person made those of all bodies."""
    made = [[*_made(odds)] for odds in bodies]
    shares, prior = np.array(_HABITS).T
    told = np.log(prior)
    for one in (one for those in made for one in those):
        told += np.log(MISNOTED + (1 - MISNOTED) * one.noted(shares))
    habits = np.exp(told - told.max())
    habits /= habits.sum()
    return [_beside(odds, those, shares, habits) for odds, those in zip(bodies, made, strict=True)]


def _made(odds: ChangeOdds) -> Iterator[_Made]:
    """When each change was made that lies among the shots, by pauses and light."""
    by_pauses = {n: rate for rate, numbers in odds.by_pauses.items() for n in numbers}
    tells = _BY_LIGHT * odds.light_tells
    for rate, numbers in odds.by_light.items():
        which = [n for n in numbers if odds.kinds[n] is not None]
        starts, ends = odds.starts[which, None], odds.ends[which, None]
        # More precise notes than those to the minute are made the sooner.
        latest = LATEST_NOTE * np.minimum(1.0, (ends - starts) / 60)
        first, last = starts - latest - _DRIFTED, ends + _DRIFTED
        edges = first + (last - first) * np.linspace(0.0, 1.0, _PARTS + 1)
        sums = tells * rate.often(edges) + (1 - tells) * by_pauses[numbers[0]].often(edges)
        often, middles = np.diff(sums), (edges[:, 1:] + edges[:, :-1]) / 2
        by_habit = []
        for after in (0.0 * latest, latest):
            # The note was made from some seconds before the change up to that much after it.
            soonest, most = middles - _DRIFTED, middles + _DRIFTED + after
            noted = np.clip(np.minimum(ends, most) - np.maximum(starts, soonest), _LEAST, None)
            found = np.cumsum(often * noted / (2 * _DRIFTED + after) / (ends - starts), axis=1)
            by_habit.append(np.pad(found, ((0, 0), (1, 0))))
        is_among = (edges[:, -1] > rate.edges[0]) & (edges[:, 0] < rate.edges[-1])
        for at in np.flatnonzero(is_among):
            in_time, late = (found[at] for found in by_habit)
            yield _Made(which[at], edges[at], in_time, late)


def _beside(odds: ChangeOdds, made: Sequence[_Made], shares: Floats, habits: Floats) -> BesideNotes:
    marked, lags = dict[int, float](), dict[int, float]()
    for one in made:
        # Of each habit, how likely by each time; that it was misnoted tells of no time.
        every = (1 - MISNOTED) * habits / (MISNOTED + (1 - MISNOTED) * one.noted(shares))
        by_then = every @ (1 - shares) * one.in_time + every @ shares * one.after
        start, end = odds.starts[one.number], odds.ends[one.number]
        opens = float(np.interp(_OPEN, by_then, one.edges))
        begin, opened, noted_from, noted_to, last = np.searchsorted(
            odds.times, (one.edges[0], min(opens, start), start, end, one.edges[-1])
        )
        # What pauses then tell is certain only where it was noted about then at all.
        opened = opened if by_then[-1] >= _CERTAIN else noted_from
        if opened < noted_from:
            lags[one.number] = start - opens
        beside = np.interp(odds.times[begin:last], one.edges, by_then)
        for at in (*range(begin, opened), *range(noted_to, last)):
            share = beside[at - begin] if at < opened else by_then[-1] - beside[at - begin]
            if share >= max(_MARKED, marked.get(at, 0.0)):
                marked[at] = float(share)
    return BesideNotes(marked, lags)
