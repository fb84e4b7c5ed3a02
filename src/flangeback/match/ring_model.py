"""Where the aperture ring stood and how bright the light was, as a hidden Markov model.

L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech recognition",
Proc. IEEE 77(2), 1989; section III.A for forward-backward, V.A for the scaling. In its notation:

- State q_t: the hypothesis (which log entry held), the ring offset (stops by which the ring stood
  off that entry) and the brightness of the light (log2, on a grid).
- Observation O_t: log2 of the light that came through the lens. Emission b(q) is Student's t
  of the miss: O_t + stops of the entry + ring offset - brightness, over the spread at t.
- Transition a(q, q'): the brightness wanders (a discrete normal distribution) or steps; the ring
  stays, or is turned without a note; a new entry sets the ring offset to 0. Every entry has a prior
  for having been made between two observations.
- Forward: alpha_t+1(q') = b(q') sum_q alpha_t(q) a(q, q'). Backward: beta_t(q) = sum_q' a(q, q')
  b(q') beta_t+1(q'). Posterior: gamma_t = alpha_t beta_t / sum. Each is scaled to a sum of 1.
- How often the light steps, how often this person turns a ring without a note, and by how much
  scenes scatter isn't known: the model is run in a grid of such worlds. Each counts by its prior
  times the likelihood of all observations, which is the product of the scales (section III.A).

Within a burst the light doesn't move and no ring is turned without a note. What a scene adds to the
light is the same for all its frames, so there the emission depends on the last frame's miss.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from statistics import median

import numpy as np

from flangeback.match.grid import Array, Grid, carried
from flangeback.match.observation import Hypothesis, Observation, Posterior, SameScene

LIGHT_STEP_AT_ENTRY = 0.1
"""Probability of such a step at an entry: people turn to something else there."""
TURNED_AGAIN = 0.15
"""Relative probability that a ring which already stands off the log is turned to another offset."""
TURNED_BACK = 0.005
"""Relative probability that such a ring is turned back to what the log says."""
UNNOTED_AT_ENTRY = 0.35
"""Relative probability of an un-noted turn between an entry and the next frame."""
UNNOTED_NEAR_ENTRY = 0.2
"""The same where it is open whether an entry had been made: who notes a turn there notes both."""
LENS_DIFFERENCE = 0.2
"""Standard deviation, in stops, between lenses' transmission at one f-number (common practice)."""
_DEGREES_OF_FREEDOM = 8.0
"""Of Student's t, whose tails are longer than a normal distribution's."""
_GRID = 1.0
"""Step of the brightness grid, in the least of median spreads."""
_TURN_SPREADS = 2.0
"""An un-noted turn ends where it explains the observation within so many spreads."""
_BURST, _BETWEEN_BURSTS = 3.0, 60.0
"""Seconds up to which observations are one burst's; a longer gap counts as so many seconds more:
rings are turned between bursts."""
_LEAST_TURN = 1.0
"""Stops; smaller turns are no likelier."""
_HALF_STOPS = 0.4
"""Relative probability of a turn that ends between whole stops: those have the marks (ISO 517)."""
_SAME_STOPS = 0.25
"""Stops within which two f-numbers are the same."""


@dataclass(frozen=True, slots=True)
class Worlds:
    """What isn't known, as values each with its prior: every combination is a world.

    `spreads` are by how much scenes may scatter, over the spread that was measured: turns without a
    note and steps of the light are in that one. In `light_step_seconds` the light steps once by
    more than it wanders, in `unnoted_turn_seconds` a ring is turned once without a note: by who is
    careful, and by who forgets some. These and the priors above were tuned on
    tests/support/field_outings.py.
    """

    spreads: Sequence[tuple[float, float]] = ((1.0, 0.25), (0.75, 0.25), (0.55, 0.25), (0.4, 0.25))
    light_step_seconds: Sequence[tuple[float, float]] = ((2e4, 0.4), (2e3, 0.3), (500.0, 0.3))
    unnoted_turn_seconds: Sequence[tuple[float, float]] = ((1e5, 0.85), (1600.0, 0.15))


class _Axes:
    """The worlds as arrays of spreads by rates by 1 by 1, for ring offsets and brightness."""

    def __init__(self, worlds: Worlds) -> None:
        lights, persons = worlds.light_step_seconds, worlds.unnoted_turn_seconds
        self.shape = len(worlds.spreads), len(lights), len(persons)
        self.factors: Array = np.array([[[[one]]] for one, _ in worlds.spreads], np.float32)
        self.step_rates: Array = np.array(
            [[[1 / one]] for one, _ in lights for _ in persons], np.float32
        )
        self.turn_rates: Array = np.array(
            [[[1 / one]] for _ in lights for one, _ in persons], np.float32
        )
        self.prior: Array = _log(worlds.spreads)[:, None, None] + _log(lights)[:, None]


@dataclass(frozen=True, slots=True)
class Smoothed:
    """What all observations come to: the posterior of each.

    `light_stepped_at` has the probability that the light itself stepped at an entry.
    """

    posteriors: Sequence[Posterior] = ()
    light_stepped_at: Mapping[int, float] = field(default_factory=dict)


def smooth(parts: Iterable[Sequence[Observation]], worlds: Worlds = Worlds()) -> Smoothed:
    """The posteriors of observations in the order of time, by forward-backward.

    The light of each part is modelled anew; the person is one.
    """
    told = [_Model(part, worlds).forward_backward() for part in parts if part]
    person = _log(worlds.unnoted_turn_seconds) + sum(part.likelihood for part in told)
    person = np.exp(person - np.logaddexp.reduce(person))
    stepped_at: dict[int, float] = defaultdict(float)
    for part in told:
        for entry, steps in part.light_stepped_at:
            stepped_at[entry] += float(person @ steps)
    posteriors = [
        _posterior(hypotheses, [person @ each for each in sums])
        for part in told
        for hypotheses, sums in zip(part.hypotheses, part.sums, strict=True)
    ]
    return Smoothed(posteriors, stepped_at)


def _log(worlds: Sequence[tuple[float, float]]) -> Array:
    """The logarithms of these worlds' priors."""
    found: Array = np.log([prior for _, prior in worlds])
    return found


def _posterior(hypotheses: Sequence[Hypothesis], sums: Sequence[Array]) -> Posterior:
    """The posterior of an observation, by the probabilities of each hypothesis's ring offsets."""
    offsets: dict[float, float] = defaultdict(float)
    turned: list[tuple[float, float]] = []
    for one, probabilities in zip(hypotheses, sums, strict=True):
        for offset, probability in zip((0.0, *one.offsets), probabilities.tolist(), strict=True):
            offsets[offset] += probability
            turned.append((one.stops + offset, probability if offset else 0.0))
    del offsets[0.0]
    likeliest = max(offsets, key=offsets.__getitem__, default=0.0)
    offset = likeliest if offsets.get(likeliest) else 0.0
    if len(hypotheses) == 1:  # Many have these two alike.
        return Posterior((1.0,), (float(sums[0][0]),), (0.0,), offset)
    return Posterior(
        tuple(float(each.sum()) for each in sums),
        tuple(float(each[0]) for each in sums),
        tuple(
            sum(found for stops, found in turned if abs(stops - one.stops) < _SAME_STOPS)
            for one in hypotheses
        ),
        offset,
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """What one part comes to, for each person: the log `likelihood` of its observations.

    `sums` has of each observation, for each hypothesis, persons by ring offsets.
    """

    hypotheses: Sequence[Sequence[Hypothesis]]
    likelihood: Array
    sums: Sequence[Sequence[Array]]
    light_stepped_at: Sequence[tuple[int, Array]]


class _States:
    """One hypothesis at one observation.

    Arrays have axes of spreads, rates, ring offsets (0 first) and brightness. `turned` is the
    emission where an un-noted turn may have ended.
    """

    def __init__(
        self, seen: Observation, hypothesis: Hypothesis, grid: Array, factors: Array
    ) -> None:
        self.hypothesis = hypothesis
        self.offsets = (0.0, *hypothesis.offsets)
        implied = seen.light + hypothesis.stops + np.array(self.offsets)
        miss = implied[:, None] - grid
        self.miss: Array = miss.astype(np.float32)
        spreads = seen.spread * factors
        self.emission = student_t(self.miss / spreads) / spreads
        # Before it is rounded: just at the limit, single precision would tell otherwise.
        self.turned = self.emission * (np.abs(miss) < _TURN_SPREADS * seen.spread)


class _Move:
    """From a hypothesis at one observation to the same or a later one at the next.

    A new entry forgets where the ring stood: then the rows of all ring offsets count as one.
    """

    def __init__(
        self, before: Observation, seen: Observation, old: _States, new: _States, model: _Model
    ) -> None:
        axes, grid = model.axes, model.grid
        one, other = old.hypothesis, new.hypothesis
        self.new, self.grid = new, grid
        self.seconds = max(seen.at - before.at, 1.0)
        self.made = _made(seen, one, other)
        self.entries = range(one.entry + 1, other.entry + 1)
        self.stays = slice(0, 1) if self.entries else slice(None)
        lenses = LENS_DIFFERENCE if one.lens != other.lens else 0.0
        self.wander = grid.wander(round(self.seconds), lenses)
        self.same = seen.same_scene.probability if seen.same_scene else 0.0
        self.step = self._light_step(seen, axes.step_rates)
        turns = self._turn(seen, axes.turn_rates) * _turns(new.offsets, is_new=bool(self.entries))
        self.stay = self.made * (1 - self.step) * (1 - turns.sum(axis=-1, keepdims=True))
        self.turns = self.made * turns
        self.step *= self.made
        if seen.same_scene is not None:
            # Of turns within a scene, those from the log's stop and back to it are followed.
            scene = _Scene(seen.same_scene, seen.spread, axes.factors)
            self.same_stays = scene.emission(new.miss[self.stays], old.miss)
            self.same_turns = scene.emission(new.miss, old.miss[:1])
            self.same_backs = scene.emission(new.miss[:1], old.miss)

    def _light_step(self, seen: Observation, rates: Array) -> Array:
        # Light that comes and goes, as clouds do, is as likely as not another after a long time.
        steps: Array = -np.expm1(-2 * self.seconds * seen.light_step_ratio * rates) / 2
        if self.entries:
            # Nobody who turns to something else takes the same picture.
            steps = np.minimum(1.0, steps + LIGHT_STEP_AT_ENTRY * (1 - self.same))
        return steps

    def _turn(self, seen: Observation, rates: Array) -> Array:
        seconds = self.seconds + (_BETWEEN_BURSTS if self.seconds > _BURST else 0.0)
        near = UNNOTED_NEAR_ENTRY if len(seen.hypotheses) > 1 else 1.0
        turns: Array = -np.expm1(-seconds * seen.unnoted_ratio * rates) * near
        return turns

    def _rows(self, states: Array) -> Array:
        return states.sum(axis=2, keepdims=True) if self.entries else states

    def forward(self, alpha: Array, into: Array) -> None:
        """Add what comes of alpha, emission included; keep what `backward` counts by."""
        rows = self._rows(alpha)
        wandered, stepped = carried(rows, self.wander), carried(rows, self.grid.steps)
        self.stepped = stepped if self.entries else None
        new = self.new
        moved = (1 - self.same) * self.stay * wandered + self.step * stepped
        into[:, :, self.stays] += new.emission[:, :, self.stays] * moved
        into += new.turned * ((1 - self.same) * (self.turns.swapaxes(-1, -2) @ wandered))
        if self.same:
            into[:, :, self.stays] += self.stay * self._rows(self.same_stays * alpha)
            into += self.turns[..., 0, :, None] * self.same_turns * alpha[:, :, :1]
            if not self.entries:
                backs = self.turns[..., 1:, :1] * (self.same_backs * alpha)[:, :, 1:]
                into[:, :, :1] += backs.sum(axis=2, keepdims=True)

    def backward(self, alpha: Array, beta: Array) -> Array:
        """What comes before beta, emission included."""
        stays = self.new.emission[:, :, self.stays] * beta[:, :, self.stays]
        turns = self.turns @ (self.new.turned * beta)
        moved = carried((1 - self.same) * (self.stay * stays + turns), self.wander)
        moved += self.step * carried(stays, self.grid.steps)
        if self.stepped is not None:
            self.light_stepped: Array = (self.step * self.stepped * stays).sum(axis=(2, 3))
        if not self.same:
            return moved
        turned = np.zeros_like(alpha)
        turned[:, :, :1] = self.turns[..., :1, :] @ (self.same_turns * beta)
        if not self.entries:
            backs = self.same_backs * beta[:, :, :1]
            turned[:, :, 1:] = self.turns[..., 1:, :1] * backs[:, :, 1:]
        found: Array = self.stay * self.same_stays * beta[:, :, self.stays] + turned + moved
        return found


class _Scene:
    """What ties an observation to the one before it, for each spread."""

    def __init__(self, scene: SameScene, spread: float, factors: Array) -> None:
        own = spread**2 * (1 - scene.share)
        spreads = (spread * factors) ** 2
        mine = np.minimum(own, spreads)
        self._share = 1 - mine / spreads
        rest = scene.spread**2 - own * (1 + scene.share)
        self._spread = np.sqrt(np.maximum(rest, 0) + mine * (1 + self._share))
        self._probability = scene.probability

    def emission(self, miss: Array, before: Array) -> Array:
        found: Array = student_t((miss - self._share * before) / self._spread) * (
            self._probability / self._spread
        )
        return found


class _Model:
    """The model over these observations, which are at least one."""

    def __init__(self, observations: Sequence[Observation], worlds: Worlds) -> None:
        self.observations = observations
        self.axes = _Axes(worlds)
        least = min(factor for factor, _ in worlds.spreads)
        cell = median(seen.spread for seen in observations) * least * _GRID
        implied = [seen.light + one.stops for seen in observations for one in seen.hypotheses]
        self.grid = Grid(min(implied), max(implied), cell)
        self.states = [
            [_States(seen, one, self.grid.values, self.axes.factors) for one in seen.hypotheses]
            for seen in observations
        ]
        self.moves = [list(self._moves(at)) for at in range(1, len(observations))]

    def _moves(self, at: int) -> Iterator[tuple[int, int, _Move]]:
        """The moves from one observation to the next, between hypotheses by their numbers."""
        before, seen = self.observations[at - 1 : at + 1]
        for i, old in enumerate(self.states[at - 1]):
            for j, new in enumerate(self.states[at]):
                if new.hypothesis.entry >= old.hypothesis.entry:
                    yield i, j, _Move(before, seen, old, new, self)

    def forward_backward(self) -> _Told:
        """What the observations come to by gamma, each world with its share."""
        forward, scales = self._forward()
        shape = self.axes.shape
        joint = np.log(scales).sum(axis=0).reshape(shape) + self.axes.prior
        likelihood = np.logaddexp.reduce(joint, axis=(0, 1))
        weights = np.exp(joint - likelihood)

        def by_person(worlds: Array) -> Array:
            apart = worlds.reshape(*shape, *worlds.shape[2:])
            found: Array = np.einsum("slp,slp...->p...", weights, apart)
            return found

        beta = [np.ones_like(alpha) for alpha in forward[-1]]
        sums = [[by_person(alpha.sum(axis=-1)) for alpha in forward[-1]]]
        stepped: list[tuple[int, Array]] = []
        for at in range(len(self.observations) - 1, 0, -1):
            before = forward[at - 1]
            onward = [part / scales[at][..., None, None] for part in beta]
            beta = [np.zeros_like(alpha) for alpha in before]
            for i, j, move in self.moves[at - 1]:
                beta[i] += move.backward(before[i], onward[j])
                stepped += ((entry, by_person(move.light_stepped)) for entry in move.entries)
            both = zip(before, beta, strict=True)
            sums.append([by_person((one * part).sum(axis=-1)) for one, part in both])
        hypotheses = [seen.hypotheses for seen in self.observations]
        return _Told(hypotheses, likelihood, sums[::-1], stepped)

    def _forward(self) -> tuple[list[list[Array]], list[Array]]:
        """Alpha of each observation, scaled to a sum of 1, and the sums before that."""
        first = self.states[0]
        alpha = [self._nothing(one) for one in first]
        for into, one in zip(alpha, first, strict=True):
            # Nothing can tell whether the ring stood as logged at the very first: it is believed.
            made = _made(self.observations[0], first[0].hypothesis, one.hypothesis)
            into[:, :, 0] = made * one.emission[:, :, 0]
        forward: list[list[Array]] = []
        scales: list[Array] = []
        for at in range(len(self.observations)):
            if at:
                alpha = [self._nothing(one) for one in self.states[at]]
                for i, j, move in self.moves[at - 1]:
                    move.forward(forward[-1][i], alpha[j])
            scales.append(sum(part.sum(axis=(2, 3)) for part in alpha))
            forward.append([part / scales[-1][..., None, None] for part in alpha])
        return forward, scales

    def _nothing(self, states: _States) -> Array:
        spreads, lights, persons = self.axes.shape
        return np.zeros((spreads, lights * persons, *states.miss.shape), np.float32)


def student_t(miss: Array) -> Array:
    """Density of Student's t with 8 degrees of freedom, 1 for a miss of 0: (1 + x^2 / 8)^-4.5."""
    base = 1 + miss * miss / _DEGREES_OF_FREEDOM
    squared = base * base
    found: Array = 1 / (squared * squared * np.sqrt(base))
    return found


def _made(seen: Observation, old: Hypothesis, new: Hypothesis) -> float:
    """The prior that the entries from one hypothesis to another were made just before."""
    return math.prod(seen.made.get(n, 1.0) for n in range(old.entry + 1, new.entry + 1))


@cache
def _turns(offsets: tuple[float, ...], *, is_new: bool) -> Array:
    """Probabilities that a ring is turned without a note, from each of its offsets to each.

    The less it is turned, the likelier. Under a new entry there is one row, from 0.
    """
    to = np.array(offsets, np.float32)
    sizes = np.abs(to[: 1 if is_new else None, None] - to)
    marks = np.where(np.isclose(to, np.rint(to)), 1.0, _HALF_STOPS)
    turns: Array = np.where(sizes > 0, marks / np.maximum(sizes, _LEAST_TURN), 0.0)
    turns /= np.maximum(turns.sum(axis=1, keepdims=True), 1.0)
    if is_new:
        return turns * UNNOTED_AT_ENTRY
    turns[1:] *= TURNED_AGAIN
    turns[1:, 0] = TURNED_BACK
    return turns
