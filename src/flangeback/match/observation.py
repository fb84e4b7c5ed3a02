"""What the ring model is told of each observation, and what it makes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

WANDER = 0.3
"""Standard deviation, in stops, of the light after ten minutes (common practice)."""


class Hypothesis(NamedTuple):
    """That entry number `entry` held.

    Its f-number in `stops` (log2 N^2), its `lens`, and the `offsets` (stops, without 0) at which
    the ring could stand instead.
    """

    entry: int
    stops: float
    offsets: tuple[float, ...] = ()
    lens: str = ""


class SameScene(NamedTuple):
    """The `probability` that an observation is of the scene of the one before.

    If it is, it misses the light by `share` of the other's miss, with a `spread` of its own
    (stops).
    """

    probability: float
    spread: float
    share: float


@dataclass(frozen=True, slots=True)
class Observation:
    """The light that came through the lens at a time, and what may have held.

    `light` is log2 of it at `at` (seconds), with its `spread` in stops; the hypotheses are in the
    order of entries.

    `made` is the prior that an entry was made between the observation before and this one, where
    its place is open. `light_step_ratio` multiplies the rate of light steps in between,
    `unnoted_ratio` that of turns without a note.
    """

    at: float
    light: float
    spread: float
    hypotheses: tuple[Hypothesis, ...]
    same_scene: SameScene | None = None
    made: Mapping[int, float] = field(default_factory=dict)
    light_step_ratio: float = 1.0
    unnoted_ratio: float = 1.0


class Posterior(NamedTuple):
    """What one observation comes to, given all of them.

    `hypotheses` are their probabilities, `logged` those with the ring as logged, `turned_to` those
    of a ring turned without a note to a hypothesis's f-number, `offset` the likeliest other ring
    offset (stops, closed is positive; 0 where there is none).
    """

    hypotheses: tuple[float, ...]
    logged: tuple[float, ...]
    turned_to: tuple[float, ...]
    offset: float

    @property
    def as_logged(self) -> float:
        """The probability of the ring as logged, whatever held."""
        return sum(self.logged)
