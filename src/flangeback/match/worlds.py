"""What differs from person to person and from day to day, as worlds that the ring model weighs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.match.grid import Array


class World(NamedTuple):
    """One combination of person, light and scatter, and its prior.

    Seconds in which a ring is turned once without a note, and in which the light steps once between
    sun and shade; the probability of such a step at an entry, since people turn to something else
    there; a factor of the observations' spread, which steps of the light widen.
    """

    prior: float
    unnoted_turn_seconds: float
    light_step_seconds: float
    light_step_at_entry: float
    scatter: float


WORLDS = tuple(
    World(person[0] * light[0] * scatter[0], person[1], *light[1:], scatter[1])
    for person, light, scatter in product(
        ((0.9, 120_000.0), (0.1, 900.0)),
        ((0.6, 8000.0, 0.05), (0.4, 120.0, 0.15)),
        ((0.5, 0.4), (0.5, 1.2)),
    )
)
"""One person in ten forgets turns, and clouds pass in four outings of ten. All priors here were
tuned on outings that tests make, and shown on others."""


class Worlds(NamedTuple):
    """Worlds as arrays, an element for each world; `which` of the `scatters` it has."""

    log_prior: Array
    unnoted_turn_seconds: Array
    light_step_seconds: Array
    light_step_at_entry: Array
    which: NDArray[np.intp]
    scatters: Array

    @classmethod
    def of(cls, worlds: Sequence[World]) -> Worlds:
        """These worlds."""
        prior, turn, step, at_entry, scatter = map(np.array, zip(*worlds, strict=True))
        scatters, which = np.unique(scatter, return_inverse=True)
        return cls(np.log(prior), turn, step, at_entry, which, scatters)

    def only(self, left: NDArray[np.intp]) -> Worlds:
        """Those of them that are left."""
        prior, turn, step, at_entry, which, scatters = self
        return Worlds(prior[left], turn[left], step[left], at_entry[left], which[left], scatters)
