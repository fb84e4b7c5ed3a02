"""The brightness of the light as a grid of values, and how the light goes from each to each."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flangeback.match.observation import WANDER

_STEPS = (0.9, 2.0), (0.1, 6.0)
"""Shares of the light's steps, and the mean sizes of each in stops."""
_WANDERS = 6
"""Cells by which the light wanders at the most."""
_AT_HAND = 64
"""Gaps whose wandering is kept, to bound memory."""
_BEYOND = 2.0
"""Stops of brightness in the grid beyond what the entries imply."""

Array = NDArray[np.floating[Any]]


def step_density(rises: Array) -> Array:
    """The density, per stop, of steps of the light that rise by so much into the sun, or the shade.

    That comes first: 0 and 1. Sizes have gamma distributions of shape 4: of nine in ten the mean is
    2 stops, as of clouds, of the others 6, as of daylight and a room (common practice).
    """
    sizes = np.maximum(np.array([rises, -rises]), 0.0)
    parts = (share * (4 / mean) ** 4 * np.exp(-4 / mean * sizes) for share, mean in _STEPS)
    density: Array = sizes**3 / 6 * sum(parts)
    return density


class Grid:
    """The values of brightness, `cell` apart, from one up to another that observations imply.

    `steps` has the probabilities of a light step from each to each, first into the sun, then into
    the shade; `wander` those of less.
    """

    def __init__(self, least: float, greatest: float, cell: float) -> None:
        first = math.floor((least - _BEYOND) / cell)
        last = math.ceil((greatest + _BEYOND) / cell)
        self.cell = cell
        self.values: Array = np.arange(first, last + 1) * cell
        rises = self.values - self.values[:, None]
        self.steps: Array = (step_density(rises)[:, None] * cell).astype(np.float32)
        places = np.arange(len(self.values))
        self._apart = np.minimum(np.abs(places[:, None] - places), _WANDERS + 1)
        # A cache around a method would keep the grid, and be kept by it, beyond its use.
        self._wanders: dict[tuple[int, float], Array] = {}

    def wander(self, seconds: int, more: float) -> Array:
        """Probabilities that the light wanders; `more` is a further standard deviation in stops."""
        if (seconds, more) not in self._wanders:
            if len(self._wanders) >= _AT_HAND:
                self._wanders.clear()
            self._wanders[seconds, more] = self._wander(seconds, more)
        return self._wanders[seconds, more]

    def _wander(self, seconds: int, more: float) -> Array:
        variance = WANDER**2 * seconds / 600 + more**2
        cells = np.arange(_WANDERS + 2)
        found: Array = np.exp(-((cells * self.cell) ** 2) / (2 * variance))
        found[cells > 2.5 * math.sqrt(variance) / self.cell + 1] = 0.0
        found[-1] = 0.0
        shares = (found / (2 * found.sum() - found[0])).astype(np.float32)
        at_each: Array = shares[self._apart]
        return at_each


def moved(values: Array, rows: NDArray[np.intp], cells: NDArray[np.intp]) -> Array:
    """These rows of values, each as it has them so many cells of brightness further on.

    The values are by sky, world, row and brightness.
    """
    skies, worlds, _, width = values.shape
    found: Array = np.zeros((skies, worlds, len(rows), width), values.dtype)
    for at, (row, by) in enumerate(zip(rows.tolist(), cells.tolist(), strict=True)):
        first, last = max(0, -by), width - max(0, by)
        if first < last:  # Beyond the grid there is nothing.
            found[:, :, at, first:last] = values[:, :, row, first + by : last + by]
    return found
