"""What the ring model is told: what was observed, and by which entries it may have been made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """That entry number `entry` held.

    Its f-number in `stops` (log2 N^2), its `lens`, and the `offsets` (stops, without 0) at which
    the ring could stand instead.
    """

    entry: int
    stops: float
    offsets: tuple[float, ...] = ()
    lens: str = ""


@dataclass(frozen=True, slots=True)
class SameScene:
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
    its place is open. `light_step_ratio` multiplies the rate of light steps in between.
    """

    at: float
    light: float
    spread: float
    hypotheses: tuple[Hypothesis, ...]
    same_scene: SameScene | None = None
    made: Mapping[int, float] = field(default_factory=dict)
    light_step_ratio: float = 1.0
