"""How likely each entry by order held between slate frames, where marks and entries don't fit.

A slate frame may have been forgotten, made by accident or not be told from a picture. Every way in
which marks and entries go together is weighed, by the steps of the light at the marks, with
forward-backward (L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77(2), 1989).
States 0, 2, 4 and so on are the entries, and the one after each is what holds if a change after it
wasn't noted. Moves from state to state are made at marks, and within parts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from flangeback.match.scatter import deviation

CERTAIN = 0.99
"""The probability from which on an entry is taken to hold where marks and entries don't fit."""
_BY_ACCIDENT, _NOT_NOTED, _FORGOTTEN = 0.02, 0.005, 0.02
"""Priors that a mark marks nothing, that its `then` is missing, and, for each part, that a mark is
missing there (judgement)."""
_A_PICTURE = 0.5
"""Prior that a doubtful mark is a picture, or one before any frame marks nothing."""
_LEAST_SPREAD, _USUAL_SPREAD = 0.7, 1.0
"""Stops by which the light steps otherwise than logged (common practice)."""
_UNKNOWN = 0.3
"""Relative density of a step where the f-number isn't known on both sides."""


@dataclass(frozen=True, slots=True)
class MarkedPart:
    """Frames from one mark to the next: log2 of the light that came through the lens.

    `doubtful` says that the mark before it may be a picture, `several` that it may be two marks.
    """

    lights: Sequence[float]
    doubtful: bool = False
    several: bool = False


@dataclass(frozen=True, slots=True)
class _Steps:
    """The densities of steps of the light, over that of the likeliest.

    `stops` are the f-numbers of the states (2 log2 N, None where not known).
    """

    stops: Sequence[float | None]
    spread: float

    def density(self, step: float | None, old: int, new: int) -> float:
        """Of a step in stops, None where it isn't known, from one state to another."""
        if step is None:
            return 1.0
        one, other = self.stops[old], self.stops[new]
        if old != new and (one is None or other is None):
            return _UNKNOWN
        miss = (step - ((one or 0.0) - (other or 0.0))) / self.spread
        # Student's t with four degrees of freedom: light steps by more than a normal one.
        return float((1 + miss * miss / 4) ** -2.5)

    def within(self, part: MarkedPart, entry: int) -> float:
        """How much likelier the next entry was made at some place within a part than not."""
        ratios = [
            self.density(after - before, entry, entry + 2)
            / self.density(after - before, entry, entry)
            for before, after in pairwise(part.lights)
        ]
        return sum(ratios) / len(ratios) if ratios else 1.0


def entry_odds(
    parts: Sequence[MarkedPart], steps: Sequence[float | None], stops: Sequence[float | None]
) -> Sequence[Sequence[float]]:
    """For each part the probability that each entry, and no other, held in it.

    `steps` are those of the light at the marks, in stops; None where that isn't known. What is lost
    to 1 is the probability of two entries, or of none that the log has.
    """
    light = _Steps([one for stop in stops for one in (stop, None)], _spread(parts))
    last = 2 * len(stops) - 2
    within = [list(_within(light, part, last)) for part in parts]
    at_marks = [
        list(_at_mark(light, step, last, after, is_first=not before.lights))
        for (before, after), step in zip(pairwise(parts), steps, strict=True)
    ]
    starts = [[1.0, *[0.0] * (last + 1)]]
    for inside, mark in zip(within, at_marks, strict=False):
        starts.append(_scaled(_along(_along(starts[-1], inside), mark)))
    ends = [[0.0] * (last + 2)]
    ends[0][last:] = [1.0, 1.0]
    if last:
        ends[0][last - 2] = _FORGOTTEN
    for inside, mark in zip(within[:0:-1], at_marks[::-1], strict=True):
        ends.insert(0, _scaled(_back(_back(ends[0], inside), mark)))
    found = []
    for start, end, inside in zip(starts, ends, within, strict=True):
        whole = sum(a * b for a, b in zip(_along(start, inside), end, strict=True)) or 1.0
        held = [a * (1 - _FORGOTTEN) * b / whole for a, b in zip(start, end, strict=True)]
        found.append(held[::2])
    return found


def _at_mark(
    light: _Steps, step: float | None, last: int, part: MarkedPart, *, is_first: bool
) -> Iterator[tuple[int, int, float]]:
    """The moves at the mark before a part: from state to state, with their weights.

    It `is_first` where no frame is known before it.
    """
    stays = _A_PICTURE if part.doubtful or is_first else _BY_ACCIDENT
    twice = (1 - stays) / 2 if part.several else 0.0
    goes = 1 - stays - twice - _NOT_NOTED
    for entry in range(0, last + 1, 2):
        yield entry, entry, stays * light.density(step, entry, entry)
        yield entry, entry + 1, _NOT_NOTED * light.density(step, entry, entry + 1)
        if entry < last:
            yield entry, entry + 2, goes * light.density(step, entry, entry + 2)
            yield entry + 1, entry + 2, light.density(step, entry + 1, entry + 2)
        if entry + 2 < last:
            yield entry, entry + 4, twice * light.density(step, entry, entry + 4)


def _within(light: _Steps, part: MarkedPart, last: int) -> Iterator[tuple[int, int, float]]:
    """The moves within a part."""
    for state in range(last + 2):
        yield state, state, 1 - _FORGOTTEN
    for entry in range(0, last, 2):
        yield entry, entry + 2, _FORGOTTEN * light.within(part, entry)


def _spread(parts: Sequence[MarkedPart]) -> float:
    """By how many stops the light of neighbouring frames differs, as far as parts show it."""
    found = deviation([b - a for part in parts for a, b in pairwise(part.lights)])
    return max(_LEAST_SPREAD, math.sqrt(2) * found if found else _USUAL_SPREAD)


def _along(states: Sequence[float], moves: Sequence[tuple[int, int, float]]) -> list[float]:
    """The weights of states after moves."""
    found = [0.0] * len(states)
    for old, new, weight in moves:
        found[new] += states[old] * weight
    return found


def _back(states: Sequence[float], moves: Sequence[tuple[int, int, float]]) -> list[float]:
    """The weights of states before moves, given those after."""
    return _along(states, [(new, old, weight) for old, new, weight in moves])


def _scaled(states: Sequence[float]) -> list[float]:
    whole = sum(states) or 1.0
    return [one / whole for one in states]
