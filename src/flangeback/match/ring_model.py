"""Where the aperture ring stood and how bright the light was, as a hidden Markov model.

L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech recognition",
Proc. IEEE 77(2), 1989; section III.A for forward-backward, V.A for the scaling. In its notation:

- State q_t: the hypothesis (which log entry held), the ring offset (stops by which the ring stood
  off that entry), the brightness of the light (log2, on a grid), and the sky: sun or shade.
- Observation O_t: log2 of the light that came through the lens. Emission b(q) is Student's t
  of the miss: O_t + stops of the entry + ring offset - brightness, over the spread at t. Its tails
  are long: scenes lie in the shade, or against the sky.
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
from itertools import pairwise
from statistics import median
from typing import NamedTuple

import numpy as np

from flangeback.match.grid import Array, Grid, moved, step_density
from flangeback.match.observation import Hypothesis, Observation, Posterior, SameScene
from flangeback.match.ring_turns import Rows, Ways, blocks, pairs, ways
from flangeback.match.worlds import WORLDS, World, Worlds

UNNOTED_NEAR_ENTRY = 0.2
"""The same where it is open whether an entry had been made: who notes a turn there notes both."""
LENS_DIFFERENCE = 0.2
"""Standard deviation, in stops, between lenses' transmission at one f-number (common practice)."""
_GRID = 0.7
"""Step of the brightness grid, in median spreads."""
_BURST, _BETWEEN_BURSTS, _LONGEST = 3.0, 60.0, 300.0
"""Seconds up to which observations are one burst's; a longer gap counts as so many seconds more, up
to a limit: rings are turned between bursts."""
_NEVER = 1e-15
"""Probabilities that count as 0: processors take long over numbers that are too small for them."""
_TELLS_NOTHING = 1e-6
"""The weight up to which a world is left out of the way back: it adds as little to gamma."""
_LOG_WITHOUT_WEIGHT = -20.0
"""Log of the weight, over the heaviest world's, from which on a world isn't carried further."""
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
    every = Worlds.of(worlds)
    states = [_States(seen, grid, every) for seen in observations]
    steps, weights = _forward(states, grid, every)
    stepped_at: dict[int, float] = defaultdict(float)
    kept = np.flatnonzero(weights > _TELLS_NOTHING)
    weights = weights[kept]
    beta = np.ones_like(steps[-1].alpha.take(kept, axis=1))
    sums: list[Array] = []
    while steps:
        step = steps.pop()
        alpha = step.alpha.take(kept, axis=1)
        sums.append(weights @ (alpha * beta).sum(axis=(0, 3)))
        if steps:
            onward = beta / step.scale[kept, None, None]
            kept = step.left[kept]
            step.move.keep(kept)
            for entry, stepped in step.move.light_stepped(
                steps[-1].alpha.take(kept, axis=1), onward
            ):
                stepped_at[entry] += float(weights @ stepped)
            beta = step.move.backward(onward)
    return Smoothed([*map(_posterior, states, reversed(sums))], stepped_at)


class _Step(NamedTuple):
    """Alpha of an observation, scaled to a sum of 1 in each world, and the sums before that.

    With the move that led there. Both are of those of the move's worlds that are `left` after it.
    """

    move: _Move
    left: Rows
    alpha: Array
    scale: Array


def _forward(states: Sequence[_States], grid: Grid, worlds: Worlds) -> tuple[list[_Step], Array]:
    """The steps forward, and the weights of the worlds that are left at the end."""
    first, seen = states[0], states[0].seen
    emission = first.by_scatter[worlds.which]
    alpha = np.zeros((2, *emission.shape), np.float32)
    for one, block in first.blocks:
        # Nothing can tell whether the ring stood as logged at the very first: it is believed.
        made = _made(seen, seen.hypotheses[0], one)
        alpha[:, :, block.start] = made * emission[:, block.start]
    steps: list[_Step] = []
    logs = worlds.log_prior
    for old, new in pairwise((first, *states)):
        move = _Move(old, new, grid, worlds)
        alpha = move.forward(alpha) if steps else alpha
        scale = alpha.sum(axis=(0, 2, 3))
        logs = logs + np.log(scale)
        left = np.flatnonzero(logs > logs.max() + _LOG_WITHOUT_WEIGHT)
        if len(left) < len(logs):
            alpha, scale, logs = alpha.take(left, axis=1), scale[left], logs[left]
            worlds = worlds.only(left)
        alpha = _above(alpha / scale[:, None, None])
        steps.append(_Step(move, left, alpha, scale))
    weights = np.exp(logs - logs.max())
    return steps, weights / weights.sum()


class _States:
    """The states at one observation: arrays of a hypothesis's ring offsets, 0 first, by brightness.

    `blocks` has each hypothesis's rows, `by_scatter` the emission with each scatter, `implied` the
    brightness by each row.
    """

    def __init__(self, seen: Observation, grid: Grid, worlds: Worlds) -> None:
        self.seen = seen
        self.blocks = [*blocks(seen.hypotheses)]
        rows = [(one.stops, offset) for one in seen.hypotheses for offset in (0.0, *one.offsets)]
        self.offsets = [offset for _, offset in rows]
        self.stops = [stops + offset for stops, offset in rows]
        self.implied: Array = seen.light + np.array(self.stops)
        self.miss: Array = (self.implied[:, None] - grid.values).astype(np.float32)
        spreads = (seen.spread * worlds.scatters).astype(np.float32)[:, None, None]
        self.by_scatter: Array = student_t_5(self.miss / spreads) / spreads

    def shape(self, first: int) -> tuple[Hypothesis, ...]:
        """The hypotheses by what their ways depend on, with entries counted from one of them."""
        return tuple(
            Hypothesis(n - first, 0.0, offsets) for n, _, offsets, _ in self.seen.hypotheses
        )


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
        first = old.seen.hypotheses[0].entry
        found = ways(old.shape(first), new.shape(first))
        self.turns, self.still, self.is_entry = found.turns, found.still, found.is_noted
        ring = self._ring(found, seconds, worlds.unnoted_turn_seconds)
        # Of a telegraph process: after an even number of steps the light is as it was.
        means = worlds.light_step_seconds
        steps = -np.expm1(-2 * seconds * seen.light_step_ratio / means) / 2
        # Nobody who turns to something else takes the same picture.
        at_entry = 1 - (1 - steps) * (1 - worlds.light_step_at_entry * (1 - self.same))
        light = np.where(self.is_entry, at_entry[:, None, None], steps[:, None, None])
        self.steps: Array = (ring * light).astype(np.float32)
        self.stays: Array = (ring * (1 - light)).astype(np.float32)
        self._which = worlds.which
        self._tied = self._same_scene(seen.same_scene) if seen.same_scene else np.zeros(0)
        rises = new.implied[self.still.new] - old.implied[self.still.old]
        self._cells: Rows = np.rint(rises / grid.cell).astype(int)
        # Emissions are densities times that root: 1 in the middle of a spread of 1.
        rising = math.sqrt(2 * math.pi) * self.same * step_density(rises)
        self._rises: Array = rising.astype(np.float32)[:, None, :, None]

    def keep(self, worlds: Rows) -> None:
        """Leave out all worlds but these."""
        self.stays, self.steps = self.stays[worlds], self.steps[worlds]
        self._which = self._which[worlds]

    @property
    def emission(self) -> Array:
        """How likely each new state makes the observation, in each world."""
        emission: Array = self.new.by_scatter[self._which]
        return emission

    def _ring(self, found: Ways, seconds: float, means: Array) -> Array:
        """Probabilities that the ring goes from each row to each.

        Rings are turned without a note once in so many seconds (`means`).
        """
        seen = self.new.seen
        gap = min(seconds + (_BETWEEN_BURSTS if seconds > _BURST else 0.0), _LONGEST)
        share = -np.expm1(-gap / means)
        share *= seen.unnoted_ratio / (1 + (seen.unnoted_ratio - 1) * share)
        if len(seen.hypotheses) > 1:
            share *= UNNOTED_NEAR_ENTRY
        share = share[:, None, None]
        ring: Array = (1 - share) * found.stays + share * found.goes
        for one, other, rows, columns in self._pairs() if seen.made else ():
            ring[:, rows, columns] *= _made(seen, one, other)
        return ring

    def _pairs(self) -> Iterator[tuple[Hypothesis, Hypothesis, slice, slice]]:
        return pairs(self.old.seen.hypotheses, self.new.seen.hypotheses)

    def _same_scene(self, scene: SameScene) -> Array:
        """The emission of each of the followed turns within a scene, by brightness."""
        spread = math.hypot(scene.spread, self.lenses)
        miss = self.new.miss[self.turns.new] - scene.share * self.old.miss[self.turns.old]
        return student_t_15(miss / spread) * np.float32(scene.probability / spread)

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
        seen = _above((1 - self.same) * self.emission * beta)
        found: Array = (self.stays @ seen) @ self.wander
        # Steps into the shade are those into the sun the other way round.
        found += (self.steps @ seen[::-1]) @ self.grid.steps
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


def _above(values: Array) -> Array:
    """The same, with 0 for what counts as that."""
    values *= values >= _NEVER
    return values


def _brought(ring: Array, places: Rows, of_row: Array, parts: Array) -> Array:
    """What pairs of rows bring to each row; the ring goes so with the probabilities at places."""
    shares = ring.reshape(len(ring), 1, -1).take(places, axis=2)
    brought: Array = (shares * of_row) @ parts
    return brought


def _onto(rows: Array) -> Array:
    """The same in each world, with rows for columns."""
    return rows.swapaxes(-1, -2)


def student_t_5(miss: Array) -> Array:
    """Density of Student's t with 5 degrees of freedom, 1 for a miss of 0: (1 + x^2 / 5)^-3."""
    base = 1 + miss * miss / 5
    found: Array = 1 / (base * base * base)
    return found


def student_t_15(miss: Array) -> Array:
    """The same with 15 degrees of freedom: (1 + x^2 / 15)^-8."""
    base = 1 + miss * miss / 15
    fourth = base * base
    fourth *= fourth
    found: Array = 1 / (fourth * fourth)
    return found


def _made(seen: Observation, old: Hypothesis, new: Hypothesis) -> float:
    """The prior that the entries from one hypothesis to another were made just before."""
    return math.prod(seen.made.get(n, 1.0) for n in range(old.entry + 1, new.entry + 1))
