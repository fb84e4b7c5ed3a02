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
- How often the light steps and rings are turned without a note is re-estimated from the expected
  counts of those transitions (Baum-Welch, section III.C), with a prior.

Within a burst the light doesn't move and no ring is turned without a note. What a scene adds to the
light is the same for all its frames, so there the emission depends on the last frame's miss.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from statistics import median

import numpy as np

from flangeback.match.grid import Array, Grid
from flangeback.match.observation import Hypothesis, Observation, Posterior, SameScene

UNNOTED_TURN_SECONDS = 2400.0
"""Seconds in which a ring is turned once without a note. A prior like the next six: tuned on
tests/support/simulate.py, shown on outings that were made apart from it."""
LIGHT_STEP_SECONDS = 900.0
"""Seconds in which the light steps once by more than it wanders."""
LIGHT_STEP_AT_ENTRY = 0.1
"""Probability of such a step at an entry: people turn to something else there."""
TURNED_AGAIN = 0.15
"""Relative probability that a ring which already stands off the log is turned to another offset."""
TURNED_BACK = 0.02
"""Relative probability that such a ring is turned back to what the log says."""
UNNOTED_AT_ENTRY = 0.35
"""Relative probability of an un-noted turn between an entry and the next frame."""
UNNOTED_NEAR_ENTRY = 0.2
"""The same where it is open whether an entry had been made: who notes a turn there notes both."""
LENS_DIFFERENCE = 0.2
"""Standard deviation, in stops, between lenses' transmission at one f-number (common practice)."""
_DEGREES_OF_FREEDOM = 8.0
"""Of Student's t, whose tails are longer than a normal distribution's."""
_PRIOR_SECONDS, _PRIOR_ENTRIES = 3600.0, 5.0
"""Weight of the priors in re-estimation: as if observed for so long, and at so many entries."""
_MOST_SECONDS = 600.0
"""A gap between observations counts as no more in re-estimation."""
_GRID = 0.7
"""Step of the brightness grid, in median spreads."""
_TURN_SPREADS = 2.0
"""An un-noted turn ends where it explains the observation within so many spreads."""
_BURST, _BETWEEN_BURSTS = 3.0, 60.0
"""Seconds up to which observations are one burst's; a longer gap counts as so many seconds more:
rings are turned between bursts."""
_LEAST_TURN = 1.0
"""Stops; smaller turns are no likelier."""
_SAME_STOPS = 0.25
"""Stops within which two f-numbers are the same."""


@dataclass(frozen=True, slots=True)
class Rates:
    """What is re-estimated: how often the light steps and a ring is turned without a note.

    The first two are seconds for one such event, the last is the probability of a light step at an
    entry.
    """

    light_step_seconds: float = LIGHT_STEP_SECONDS
    unnoted_turn_seconds: float = UNNOTED_TURN_SECONDS
    light_step_at_entry: float = LIGHT_STEP_AT_ENTRY


@dataclass(frozen=True, slots=True)
class Smoothed:
    """What all observations come to: the posterior of each, and the rates as re-estimated.

    `light_stepped_at` has the probability that the light itself stepped at an entry.
    """

    posteriors: Sequence[Posterior] = ()
    light_stepped_at: Mapping[int, float] = field(default_factory=dict)
    rates: Rates = Rates()


def smooth(observations: Sequence[Observation], passes: int = 2) -> Smoothed:
    """The posteriors of observations in the order of time, by forward-backward.

    Each of the `passes` but the first goes by the rates that the one before re-estimated.
    """
    if not observations:
        return Smoothed()
    model, rates = _Model(observations), Rates()
    for _ in range(passes):
        gammas, counts = model.forward_backward(rates)
        rates = model.rates(gammas, counts)
    return Smoothed([*map(_posterior, model.states, gammas)], counts.light_stepped_at, rates)


def _posterior(states: Sequence[_States], gamma: Sequence[Array]) -> Posterior:
    """The posterior of an observation."""
    sums = [part.sum(axis=1).tolist() for part in gamma]
    offsets: dict[float, float] = defaultdict(float)
    turned: list[tuple[float, float]] = []
    for one, probabilities in zip(states, sums, strict=True):
        for offset, probability in zip(one.offsets, probabilities, strict=True):
            offsets[offset] += probability
            turned.append((one.hypothesis.stops + offset, probability if offset else 0.0))
    del offsets[0.0]
    likeliest = max(offsets, key=offsets.__getitem__, default=0.0)
    offset = likeliest if offsets.get(likeliest) else 0.0
    if len(states) == 1:  # Many have these two alike.
        return Posterior((1.0,), (sums[0][0],), (0.0,), offset)
    return Posterior(
        tuple(map(sum, sums)),
        tuple(probabilities[0] for probabilities in sums),
        tuple(
            sum(found for stops, found in turned if abs(stops - one) < _SAME_STOPS)
            for one in (state.hypothesis.stops for state in states)
        ),
        offset,
    )


@dataclass(slots=True)
class _Counts:
    """Expected counts of transitions."""

    light_steps: float = 0.0
    unnoted_turns: float = 0.0
    light_stepped_at: dict[int, float] = field(default_factory=lambda: defaultdict(float))


class _States:
    """One hypothesis at one observation: arrays of ring offsets (0 first) by brightness.

    `turned` is the emission where an un-noted turn may have ended.
    """

    def __init__(self, seen: Observation, hypothesis: Hypothesis, grid: Array) -> None:
        self.hypothesis = hypothesis
        self.offsets = (0.0, *hypothesis.offsets)
        implied = seen.light + hypothesis.stops + np.array(self.offsets)
        miss = implied[:, None] - grid
        self.miss: Array = miss.astype(np.float32)
        self.emission = student_t(self.miss / seen.spread) / seen.spread
        # Before it is rounded: just at the limit, single precision would tell otherwise.
        self.turned = self.emission * (np.abs(miss) < _TURN_SPREADS * seen.spread)


class _Move:
    """From a hypothesis at one observation to the same or a later one at the next.

    A new entry forgets where the ring stood: then the rows of all ring offsets count as one.
    """

    def __init__(
        self, before: Observation, seen: Observation, old: _States, new: _States, grid: Grid
    ) -> None:
        one, other = old.hypothesis, new.hypothesis
        self.new = new
        self.light_step_ratio, self.unnoted_ratio = seen.light_step_ratio, seen.unnoted_ratio
        self.seconds = max(seen.at - before.at, 1.0)
        self.made = _made(seen, one, other)
        self.entries = range(one.entry + 1, other.entry + 1)
        self.stays = slice(0, 1) if self.entries else slice(None)
        self.grid = grid
        lenses = LENS_DIFFERENCE if one.lens != other.lens else 0.0
        self.wander = grid.wander(round(self.seconds), lenses)
        self.turns = _turns(new.offsets, is_new=bool(self.entries))
        self.same = seen.same_scene.probability if seen.same_scene else 0.0
        if len(seen.hypotheses) > 1:
            self.turns = self.turns * UNNOTED_NEAR_ENTRY
        if seen.same_scene is not None:
            # Of turns within a scene, those from the log's stop and back to it are followed.
            scene = seen.same_scene
            old_miss = scene.share * old.miss
            self.same_stays = self.made * _same_scene(scene, new.miss[self.stays] - old_miss)
            self.same_turns = _same_scene(scene, new.miss - old_miss[:1])
            self.same_backs = _same_scene(scene, new.miss[:1] - old_miss)

    def _light_step(self, rates: Rates) -> float:
        steps = _once(self.seconds, rates.light_step_seconds / self.light_step_ratio)
        if self.entries:
            # Nobody who turns to something else takes the same picture.
            steps = min(1.0, steps + rates.light_step_at_entry * (1 - self.same))
        return self.made * steps

    def _turn(self, rates: Rates) -> float:
        seconds = self.seconds + (_BETWEEN_BURSTS if self.seconds > _BURST else 0.0)
        return self.made * _once(seconds, rates.unnoted_turn_seconds / self.unnoted_ratio)

    def _rows(self, states: Array) -> Array:
        return states.sum(axis=0, keepdims=True) if self.entries else states

    def forward(self, alpha: Array, into: Array, rates: Rates) -> None:
        """Add what comes of alpha, emission included; keep what `backward` counts by."""
        rows = self._rows(alpha)
        self.wandered, self.stepped = rows @ self.wander, rows @ self.grid.steps
        self.turn, self.step = self._turn(rates), self._light_step(rates)
        new, turn = self.new, self.turn
        moved = self.made * (1 - self.same) * self.wandered + self.step * self.stepped
        into[self.stays] += new.emission[self.stays] * moved
        into += new.turned * ((turn * (1 - self.same) * self.turns).T @ self.wandered)
        if self.same:
            into[self.stays] += self._rows(self.same_stays * alpha)
            into += turn * self.turns[0][:, None] * self.same_turns * alpha[0]
            if not self.entries:
                into[0] += turn * (self.turns[1:, 0] @ (self.same_backs * alpha)[1:])

    def backward(self, alpha: Array, beta: Array, counts: _Counts) -> Array:
        """What comes before beta, emission included."""
        new, turn = self.new, self.turn
        stays = new.emission[self.stays] * beta[self.stays]
        turns = (turn * (1 - self.same) * self.turns) @ (new.turned * beta)
        moved: Array = (self.made * (1 - self.same) * stays + turns) @ self.wander
        moved += self.step * (stays @ self.grid.steps)
        counts.unnoted_turns += float(np.vdot(self.wandered, turns))
        steps = self.step * float(np.vdot(self.stepped, stays))
        for entry in self.entries:
            counts.light_stepped_at[entry] += steps
        counts.light_steps += 0.0 if self.entries else steps
        if not self.same:
            return moved
        turned = np.zeros_like(alpha)
        turned[0] = turn * (self.turns[0] @ (self.same_turns * beta))
        if not self.entries:
            turned[1:] = turn * self.turns[1:, :1] * (self.same_backs * beta[0])[1:]
        counts.unnoted_turns += float(np.vdot(alpha, turned))
        return self.same_stays * beta[self.stays] + turned + moved


class _Model:
    """The model over these observations, which are at least one."""

    def __init__(self, observations: Sequence[Observation]) -> None:
        self.observations = observations
        cell = median(seen.spread for seen in observations) * _GRID
        implied = [seen.light + one.stops for seen in observations for one in seen.hypotheses]
        self.grid = Grid(min(implied), max(implied), cell)
        self.states = [
            [_States(seen, one, self.grid.values) for one in seen.hypotheses]
            for seen in observations
        ]
        self.moves = [list(self._moves(at)) for at in range(1, len(observations))]

    def _moves(self, at: int) -> Iterator[tuple[int, int, _Move]]:
        """The moves from one observation to the next, between hypotheses by their numbers."""
        before, seen = self.observations[at - 1 : at + 1]
        for i, old in enumerate(self.states[at - 1]):
            for j, new in enumerate(self.states[at]):
                if new.hypothesis.entry >= old.hypothesis.entry:
                    yield i, j, _Move(before, seen, old, new, self.grid)

    def forward_backward(self, rates: Rates) -> tuple[list[list[Array]], _Counts]:
        """Gamma of each observation, by hypothesis, and the expected counts."""
        forward, scales = self._forward(rates)
        counts = _Counts()
        beta = [np.ones_like(alpha) for alpha in forward[-1]]
        gammas = [forward[-1]]
        for at in range(len(self.observations) - 1, 0, -1):
            before = forward[at - 1]
            onward = [part / scales[at] for part in beta]
            beta = [np.zeros_like(alpha) for alpha in before]
            for i, j, move in self.moves[at - 1]:
                beta[i] += move.backward(before[i], onward[j], counts)
            gammas.append([one * part for one, part in zip(before, beta, strict=True)])
        return gammas[::-1], counts

    def _forward(self, rates: Rates) -> tuple[list[list[Array]], list[float]]:
        """Alpha of each observation, scaled to a sum of 1, and the sums before that."""
        first = self.states[0]
        alpha = [np.zeros_like(one.emission) for one in first]
        for into, one in zip(alpha, first, strict=True):
            # Nothing can tell whether the ring stood as logged at the very first: it is believed.
            made = _made(self.observations[0], first[0].hypothesis, one.hypothesis)
            into[0] = made * one.emission[0]
        forward: list[list[Array]] = []
        scales: list[float] = []
        for at in range(len(self.observations)):
            if at:
                alpha = [np.zeros_like(one.emission) for one in self.states[at]]
                for i, j, move in self.moves[at - 1]:
                    move.forward(forward[-1][i], alpha[j], rates)
            scales.append(sum(float(part.sum()) for part in alpha))
            forward.append([part / scales[-1] for part in alpha])
        return forward, scales

    def rates(self, gammas: Sequence[Sequence[Array]], counts: _Counts) -> Rates:
        """The rates that the expected counts give, with their priors."""
        times = [seen.at for seen in self.observations]
        gaps = (min(_MOST_SECONDS, after - before) for before, after in pairwise(times))
        seconds = _PRIOR_SECONDS + sum(gaps)
        first, last = (
            sum(
                one.hypothesis.entry * float(part.sum())
                for one, part in zip(self.states[at], gammas[at], strict=True)
            )
            for at in (0, -1)
        )
        at_entries = _PRIOR_ENTRIES * LIGHT_STEP_AT_ENTRY + sum(counts.light_stepped_at.values())
        return Rates(
            seconds / (_PRIOR_SECONDS / LIGHT_STEP_SECONDS + counts.light_steps),
            seconds / (_PRIOR_SECONDS / UNNOTED_TURN_SECONDS + counts.unnoted_turns),
            min(1.0, at_entries / (_PRIOR_ENTRIES + last - first)),
        )


def student_t(miss: Array) -> Array:
    """Density of Student's t with 8 degrees of freedom, 1 for a miss of 0: (1 + x^2 / 8)^-4.5."""
    base = 1 + miss * miss / _DEGREES_OF_FREEDOM
    squared = base * base
    found: Array = 1 / (squared * squared * np.sqrt(base))
    return found


def _same_scene(scene: SameScene, miss: Array) -> Array:
    found: Array = student_t(miss / scene.spread) * (scene.probability / scene.spread)
    return found


def _once(seconds: float, mean: float) -> float:
    """The probability that something with this mean time between events happens (Poisson)."""
    return -math.expm1(-seconds / mean)


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
    turns: Array = np.where(sizes > 0, 1 / np.maximum(sizes, _LEAST_TURN), 0.0)
    turns /= np.maximum(turns.sum(axis=1, keepdims=True), 1.0)
    if is_new:
        return turns * UNNOTED_AT_ENTRY
    turns[1:] *= TURNED_AGAIN
    turns[1:, 0] = TURNED_BACK
    return turns
