"""What differs from person to person and from day to day, as worlds that the ring model weighs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import NamedTuple

import numpy as np

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
        ((0.5, 0.55), (0.5, 1.0)),
    )
)
"""One person in ten forgets turns, and clouds pass in four outings of ten. All priors here were
tuned on outings that tests make, and shown on others."""


class Worlds:
    """Worlds as arrays, an element for each world; `which` of the `scatters` it has."""

    def __init__(self, worlds: Sequence[World]) -> None:
        prior, *columns, scatter = (np.array(column) for column in zip(*worlds, strict=True))
        self.log_prior: Array = np.log(prior)
        self.unnoted_turn_seconds, self.light_step_seconds, self.light_step_at_entry = columns
        self.scatters, self.which = np.unique(scatter, return_inverse=True)
