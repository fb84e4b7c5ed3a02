"""Where the aperture ring stood and how bright the light was, as a hidden Markov model.

L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech recognition",
Proc. IEEE 77(2), 1989; section III.A for forward-backward, V.A for the scaling. In its notation:

- State q_t: the hypothesis (which log entry held), the ring offset (stops by which the ring stood
  off that entry), the brightness of the light (log2, on a grid), and the sky: sun or shade.
- Observation O_t: log2 of the light that came through the lens. Emission b(q) is Student's t
  of the miss: O_t + stops of the entry + ring offset - brightness, over the spread at t.
- Transition a(q, q'): the brightness wanders (a discrete normal distribution) or steps, up into the
  sun or down into the shade in turn: what a cloud took comes back, as a turned ring doesn't. The
  ring stays, or is turned without a note; a new entry sets the ring offset to 0. Every entry has a
  prior for having been made between two observations.
- Forward: alpha_t+1(q') = b(q') sum_q alpha_t(q) a(q, q'). Backward: beta_t(q) = sum_q' a(q, q')
  b(q') beta_t+1(q'). Posterior: gamma_t = alpha_t beta_t / sum. Each is scaled to a sum of 1.

What differs from person to person and from day to day isn't known: whether turns are forgotten, how
often the light steps, how much scenes scatter. Each combination is a world. All worlds are run at
once, along an axis of every array (the sky's is before it), and gamma is the mean over them,
weighed by prior times likelihood: the product of the scales (section III.A, problem 1).

What a scene adds to the light is the same for all its frames, so there the emission depends on the
last frame's miss; where the light steps meanwhile, by just as much as the frames differ.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import pairwise
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.match.grid import Array, Grid, moved, step_density
from flangeback.match.observation import Hypothesis, Observation, Posterior, SameScene
from flangeback.match.worlds import WORLDS, World, Worlds

_Rows = NDArray[np.intp]
TURNED_AGAIN = 0.15
"""Relative probability that a ring which already stands off the log is turned to another offset."""
TURNED_BACK = 0.003
"""Relative probability that such a ring is turned back to what the log says."""
UNNOTED_AT_ENTRY = 0.35
"""Relative probability of an un-noted turn between an entry and the next frame."""
UNNOTED_NEAR_ENTRY = 0.2
"""The same where it is open whether an entry had been made: who notes a turn there notes both."""
LENS_DIFFERENCE = 0.2
"""Standard deviation, in stops, between lenses' transmission at one f-number (common practice)."""
_DEGREES_OF_FREEDOM = 15.0
"""Of Student's t, whose tails are longer than a normal distribution's."""
_GRID = 0.7
"""Step of the brightness grid, in median spreads."""
_BURST, _BETWEEN_BURSTS, _LONGEST = 3.0, 60.0, 300.0
"""Seconds up to which observations are one burst's; a longer gap counts as so many seconds more, up
to a limit: rings are turned between bursts."""
_NEVER = 1e-15
"""Probabilities that count as 0: processors take long over numbers that are too small for them."""
_TELLS_NOTHING = 1e-6
"""The weight up to which a world is left out of the way back: it adds as little to gamma."""
_LEAST_TURN = 1.0
"""Stops; smaller turns are no likelier."""
_SAME_STOPS = 0.25
"""Stops within which two f-numbers are the same."""


@dataclass(frozen=True, slots=True)
class Smoothed:
    """What all observations come to: the posterior of each.

    `light_stepped_at` has the probability that the light itself stepped at an entry.
    """

    posteriors: Sequence[Posterior] = ()
    light_stepped_at: Mapping[int, float] = field(default_factory=dict)


def smooth(observations: Sequence[Observation], worlds: Sequence[World] = WORLDS) -> Smoothed:
    """The posteriors of observations in the order of time, by forward-backward in each world."""
    if not observations:
        return Smoothed()
    cell = median(seen.spread for seen in observations) * _GRID
    implied = [seen.light + one.stops for seen in observations for one in seen.hypotheses]
    grid = Grid(min(implied), max(implied), cell)
    every = Worlds(worlds)
    states = [_States(seen, grid, every) for seen in observations]
    moves = [_Move(old, new, grid, every) for old, new in pairwise(states)]
    alphas, scales = _forward(states[0], moves, every.which)
    logs = every.log_prior + np.log(scales).sum(axis=0)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    stepped_at: dict[int, float] = defaultdict(float)
    kept = np.flatnonzero(weights > _TELLS_NOTHING)
    weights, alpha = weights[kept], alphas.pop()[:, kept]
    beta = np.ones_like(alpha)
    sums: list[Array] = [weights @ alpha.sum(axis=(0, 3))]
    while alphas:
        alpha, move = alphas.pop()[:, kept], moves.pop()
        onward = beta / scales.pop()[kept, None, None]
        move.keep(kept)
        for entry, stepped in move.light_stepped(alpha, onward):
            stepped_at[entry] += float(weights @ stepped)
        beta = move.backward(onward)
        sums.append(weights @ (alpha * beta).sum(axis=(0, 3)))
    return Smoothed([*map(_posterior, states, reversed(sums))], stepped_at)


def _forward(
    first: _States, moves: Sequence[_Move], which: _Rows
) -> tuple[list[Array], list[Array]]:
    """Alpha of each observation, scaled to a sum of 1 in each world, and the sums before that."""
    emission = first.by_scatter[which]
    alpha = np.zeros((2, *emission.shape), np.float32)
    for one, block in first.blocks:
        # Nothing can tell whether the ring stood as logged at the very first: it is believed.
        made = _made(first.seen, first.seen.hypotheses[0], one)
        alpha[:, :, block.start] = made * emission[:, block.start]
    alphas: list[Array] = []
    scales: list[Array] = []
    for move in (None, *moves):
        alpha = move.forward(alphas[-1]) if move else alpha
        scales.append(alpha.sum(axis=(0, 2, 3)))
        alpha = alpha / scales[-1][:, None, None]
        alpha[alpha < _NEVER] = 0.0
        alphas.append(alpha)
    return alphas, scales


class _States:
    """The states at one observation: arrays of a hypothesis's ring offsets, 0 first, by brightness.

    `blocks` has each hypothesis's rows, `by_scatter` the emission with each scatter, `implied` the
    brightness by each row.
    """

    def __init__(self, seen: Observation, grid: Grid, worlds: Worlds) -> None:
        self.seen = seen
        self.blocks = [*_blocks(seen.hypotheses)]
        rows = [(one.stops, offset) for one in seen.hypotheses for offset in (0.0, *one.offsets)]
        self.offsets = [offset for _, offset in rows]
        self.stops = [stops + offset for stops, offset in rows]
        self.implied: Array = seen.light + np.array(self.stops)
        self.miss: Array = (self.implied[:, None] - grid.values).astype(np.float32)
        spreads = (seen.spread * worlds.scatters).astype(np.float32)[:, None, None]
        self.by_scatter: Array = student_t(self.miss / spreads) / spreads


def _blocks(hypotheses: Sequence[Hypothesis]) -> Iterator[tuple[Hypothesis, slice]]:
    """Each with the rows of its ring offsets, 0 first."""
    start = 0
    for one in hypotheses:
        end = start + 1 + len(one.offsets)
        yield one, slice(start, end)
        start = end


def _posterior(states: _States, sums: Array) -> Posterior:
    """The posterior of an observation, of the probability of each of its rows."""
    rows = sums.tolist()
    off: dict[float, float] = defaultdict(float)
    for offset, probability in zip(states.offsets, rows, strict=True):
        if offset:
            off[offset] += probability
    likeliest = max(off, key=off.__getitem__, default=0.0)
    turned = [
        (stops, probability)
        for stops, offset, probability in zip(states.stops, states.offsets, rows, strict=True)
        if offset
    ]
    return Posterior(
        tuple(sum(rows[block]) for _, block in states.blocks),
        tuple(rows[block.start] for _, block in states.blocks),
        tuple(
            sum(found for stops, found in turned if abs(stops - one.stops) < _SAME_STOPS)
            for one in states.seen.hypotheses
        ),
        likeliest if off.get(likeliest) else 0.0,
    )


class _Move:
    """From the states at one observation to those at the next.

    `stays` and `steps` have the probabilities that the ring goes from each row to each while the
    light goes on, or steps; worlds come first. Within a scene, rings that are turned are followed
    (`turns`) while the light goes on, and those that are left alone (`still`) while it steps.
    """

    def __init__(self, old: _States, new: _States, grid: Grid, worlds: Worlds) -> None:
        self.old, self.new, self.grid = old, new, grid
        seen = new.seen
        seconds = max(seen.at - old.seen.at, 1.0)
        one_lens = old.seen.hypotheses[0].lens == seen.hypotheses[-1].lens
        self.lenses = 0.0 if one_lens else LENS_DIFFERENCE
        self.wander = grid.wander(round(seconds), self.lenses)
        self.same = seen.same_scene.probability if seen.same_scene else 0.0
        ring, self.is_entry = self._ring(seconds, worlds.unnoted_turn_seconds)
        # Of a telegraph process: after an even number of steps the light is as it was.
        means = worlds.light_step_seconds
        steps = -np.expm1(-2 * seconds * seen.light_step_ratio / means) / 2
        # Nobody who turns to something else takes the same picture.
        at_entry = 1 - (1 - steps) * (1 - worlds.light_step_at_entry * (1 - self.same))
        light = np.where(self.is_entry, at_entry[:, None, None], steps[:, None, None])
        self.steps: Array = (ring * light).astype(np.float32)
        self.stays: Array = (ring * (1 - light)).astype(np.float32)
        self._which = worlds.which
        self.turns, self.still = _followed(old.seen.hypotheses, seen.hypotheses)
        self._tied = self._same_scene(seen.same_scene) if seen.same_scene else np.zeros(0)
        rises = new.implied[self.still.new] - old.implied[self.still.old]
        self._cells: _Rows = np.rint(rises / grid.cell).astype(int)
        # Emissions are densities times that root: 1 in the middle of a spread of 1.
        rising = math.sqrt(2 * math.pi) * self.same * step_density(rises)
        self._rises: Array = rising.astype(np.float32)[:, None, :, None]

    def keep(self, worlds: _Rows) -> None:
        """Leave out all worlds but these."""
        self.stays, self.steps = self.stays[worlds], self.steps[worlds]
        self._which = self._which[worlds]

    @property
    def emission(self) -> Array:
        """How likely each new state makes the observation, in each world."""
        emission: Array = self.new.by_scatter[self._which]
        return emission

    def _ring(self, seconds: float, means: Array) -> tuple[Array, Array]:
        """Probabilities that the ring goes from each row to each, and where that is an entry.

        Rings are turned without a note once in so many seconds (`means`).
        """
        seen, shape = self.new.seen, (len(self.old.offsets), len(self.new.offsets))
        stays, goes, at_entry = np.zeros(shape), np.zeros(shape), np.zeros(shape, bool)
        for one, other, rows, columns in self._pairs():
            made, is_entry = _made(seen, one, other), other.entry > one.entry
            stand, turned = _turns((0.0, *other.offsets), is_entry=is_entry)
            stays[rows, columns] = made * stand
            goes[rows, columns] = made * turned
            at_entry[rows, columns] = is_entry
        gap = min(seconds + (_BETWEEN_BURSTS if seconds > _BURST else 0.0), _LONGEST)
        share = -np.expm1(-gap / means)
        share *= seen.unnoted_ratio / (1 + (seen.unnoted_ratio - 1) * share)
        if len(seen.hypotheses) > 1:
            share *= UNNOTED_NEAR_ENTRY
        share = share[:, None, None]
        ring: Array = (1 - share) * stays + share * goes
        return ring, at_entry

    def _pairs(self) -> Iterator[tuple[Hypothesis, Hypothesis, slice, slice]]:
        """Hypotheses that may follow each other, with their rows."""
        for one, rows in self.old.blocks:
            for other, columns in self.new.blocks:
                if other.entry >= one.entry:
                    yield one, other, rows, columns

    def _same_scene(self, scene: SameScene) -> Array:
        """The emission of each of the followed turns within a scene, by brightness."""
        spread = math.hypot(scene.spread, self.lenses)
        miss = self.new.miss[self.turns.new] - scene.share * self.old.miss[self.turns.old]
        return student_t(miss / spread) * np.float32(scene.probability / spread)

    def forward(self, alpha: Array) -> Array:
        """What comes of alpha, emission included."""
        found: Array = _onto(self.stays) @ (alpha @ self.wander)
        found += _onto(self.steps) @ (alpha[::-1] @ self.grid.steps)
        found *= (1 - self.same) * self.emission
        if self.same:
            turns, still = self.turns, self.still
            tied = alpha.take(turns.old, axis=2)
            tied *= self._tied
            found += _brought(self.stays, turns.places, turns.of_new, tied)
            stepped = moved(alpha[::-1], still.old, -self._cells)
            stepped *= self._rises
            found += _brought(self.steps, still.places, still.of_new, stepped)
        return found

    def backward(self, beta: Array) -> Array:
        """What comes before beta, emission included."""
        seen = (1 - self.same) * self.emission * beta
        found: Array = (self.stays @ seen) @ self.wander
        found += (self.steps @ seen[::-1]) @ _onto(self.grid.steps[::-1])
        if self.same:
            turns, still = self.turns, self.still
            tied = beta.take(turns.new, axis=2)
            tied *= self._tied
            found += _brought(self.stays, turns.places, turns.of_old, tied)
            stepped = moved(beta[::-1], still.new, self._cells)
            stepped *= self._rises[::-1]
            found += _brought(self.steps, still.places, still.of_old, stepped)
        return found

    def light_stepped(self, alpha: Array, beta: Array) -> Iterator[tuple[int, Array]]:
        """Each entry that may have been made here, with the probability that the light stepped too.

        That has an element for each world.
        """
        if not self.is_entry.any():
            return
        stepped = alpha[::-1] @ self.grid.steps
        seen = (1 - self.same) * self.emission * beta
        both = (self.steps * (stepped @ _onto(seen))).sum(axis=0)
        if self.same:
            old, new, *_ = self.still
            tied = self._rises[::-1] * moved(beta[::-1], new, self._cells)
            both[:, old, new] += self.steps[:, old, new] * (alpha[:, :, old] * tied).sum(
                axis=(0, 3)
            )
        for one, other, rows, columns in self._pairs():
            for entry in range(one.entry + 1, other.entry + 1):
                yield entry, both[:, rows, columns].sum(axis=(1, 2))


def _brought(ring: Array, places: _Rows, of_row: Array, parts: Array) -> Array:
    """What pairs of rows bring to each row; the ring goes so with the probabilities at places."""
    shares = ring.reshape(len(ring), 1, -1).take(places, axis=2)
    brought: Array = (shares * of_row) @ parts
    return brought


def _onto(rows: Array) -> Array:
    """The same in each world, with rows for columns."""
    return rows.swapaxes(-1, -2)


def student_t(miss: Array) -> Array:
    """Density of Student's t with 15 degrees of freedom, 1 for a miss of 0: (1 + x^2 / 15)^-8."""
    base = 1 + miss * miss / _DEGREES_OF_FREEDOM
    fourth = base * base
    fourth *= fourth
    found: Array = 1 / (fourth * fourth)
    return found


class _Turns(NamedTuple):
    """Rows that a ring goes from and to, pair by pair, and their places in the table of all pairs.

    For each old row `of_old` has 1 at its pairs and 0 at others, `of_new` for each new row.
    """

    old: _Rows
    new: _Rows
    places: _Rows
    of_old: Array
    of_new: Array


@lru_cache(maxsize=64)
def _followed(
    before: tuple[Hypothesis, ...], after: tuple[Hypothesis, ...]
) -> tuple[_Turns, _Turns]:
    """What is followed within a scene: rings that stay, are turned from the log, or back to it.

    And of these what nobody turned without a note.
    """
    sides = (
        np.array([(x, one.entry) for one in those for x in (0.0, *one.offsets)]).T
        for those in (before, after)
    )
    (one, old_entry), (other, new_entry) = (side[:, :, None] for side in sides)
    is_noted, is_later = old_entry < new_entry.T, old_entry <= new_entry.T
    is_still = np.where(is_noted, other.T == 0, is_later & (one == other.T))
    is_turned = is_later & ((one == 0) | (other.T == 0) | (one == other.T))
    return _pairs_of(is_turned), _pairs_of(is_still)


def _pairs_of(table: NDArray[np.bool_]) -> _Turns:
    """The pairs of an old row and a new one that are true."""
    old, new = np.nonzero(table)
    of_old, of_new = (
        (np.arange(count)[:, None] == rows).astype(np.float32)
        for count, rows in zip(table.shape, (old, new), strict=True)
    )
    return _Turns(old, new, old * table.shape[1] + new, of_old, of_new)


def _made(seen: Observation, old: Hypothesis, new: Hypothesis) -> float:
    """The prior that the entries from one hypothesis to another were made just before."""
    return math.prod(seen.made.get(n, 1.0) for n in range(old.entry + 1, new.entry + 1))


@cache
def _turns(offsets: tuple[float, ...], *, is_entry: bool) -> tuple[Array, Array]:
    """Probabilities that a ring goes from each offset to each: untouched, and maybe turned.

    That is without a note; the less it is turned, the likelier. A new entry forgets where it stood.
    """
    to = np.array(offsets)
    sizes = np.abs(to[:, None] - to)
    turns: Array = np.where(sizes > 0, 1 / np.maximum(sizes, _LEAST_TURN), 0.0)
    if len(offsets) > 1:
        turns /= turns.sum(axis=1, keepdims=True)
    turns[1:] *= TURNED_AGAIN
    turns[1:, 0] = TURNED_BACK
    turns = UNNOTED_AT_ENTRY * turns[:1] if is_entry else turns
    stand = np.eye(*turns.shape)
    return stand, turns + (1 - turns.sum(axis=1, keepdims=True)) * stand
