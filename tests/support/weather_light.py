"""Light that wanders as weather does: each kind with a spread and a memory of its own, clouds that
come and go, dusk that falls, and compositions in shade or before a window."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STEP_S = 5
LENGTH_S = 6.8 * 3600
CLOUDS_EVERY_S = 240
DUSK_S_A_STOP = 420
PATCHES = 9, 12
"""Of a picture."""


@dataclass(frozen=True)
class Weather:
    """Exposure value at ISO 100; spreads in stops, of the light over `memory_s` seconds and between
    compositions; the share of compositions in shade or before a window, and their stops."""

    level: tuple[float, float]
    wander: float
    memory_s: float
    compositions: float = 0.5
    apart: float = 0.0
    apart_stops: tuple[float, float] = (-3.0, -1.5)


WEATHERS = {
    "sun": Weather((14.7, 14.7), 0.1, 600, apart=0.22),
    "clouds": Weather((14.5, 14.5), 0.2, 300, apart=0.1),
    "shade": Weather((13.5, 13.5), 0.12, 600, apart=0.3),
    "fog": Weather((12, 12), 0.15, 900, 0.25),
    "dusk": Weather((11, 11), 0.1, 600),
    "indoors": Weather((6, 9), 0.05, 900, 0.6, 0.2, (2.0, 5.0)),
    "stage": Weather((6, 8), 0.9, 6),
    "studio": Weather((12, 12), 0, 1, 0.1),
}


@dataclass(frozen=True)
class Composition:
    """What is before the lens: its level and what the meter makes of it, in stops; patches in stops
    around the mean; its tint."""

    level: float
    meter_bias: float
    patches: NDArray[np.float64]
    tint: tuple[float, ...]


class Light:
    """The exposure value by the second, and compositions in it."""

    def __init__(self, kind: str, rng: np.random.Generator) -> None:
        self._weather, self._rng = WEATHERS[kind], rng
        steps = int(LENGTH_S / STEP_S)
        self._values = rng.uniform(*self._weather.level) + self._wandering(steps)
        if kind == "clouds":
            self._values += self._clouds(steps)
        elif kind == "dusk":
            self._values -= np.minimum(np.arange(steps) * STEP_S / DUSK_S_A_STOP, 9)

    def _wandering(self, steps: int) -> NDArray[np.float64]:
        """A first-order autoregressive series."""
        keep = math.exp(-STEP_S / self._weather.memory_s)
        drawn = self._rng.normal(0, self._weather.wander * math.sqrt(1 - keep * keep), steps)
        for step in range(1, steps):
            drawn[step] += keep * drawn[step - 1]
        return drawn

    def _clouds(self, steps: int) -> NDArray[np.float64]:
        """Each cloud takes 1 to 2.3 stops within some 15 s."""
        found, now, aim = np.zeros(steps), 0.0, 0.0
        for step in range(steps):
            if self._rng.random() < STEP_S / CLOUDS_EVERY_S:
                aim = 0.0 if aim < 0 else -self._rng.uniform(1, 2.3)
            now += (aim - now) * 0.25
            found[step] = now
        return found

    def at(self, time: float) -> float:
        return float(self._values[min(max(int(time / STEP_S), 0), len(self._values) - 1)])

    def composition(self) -> Composition:
        rng, weather = self._rng, self._weather
        level = rng.normal(0, weather.compositions)
        if rng.random() < weather.apart:
            level += rng.uniform(*weather.apart_stops)
        patches = rng.normal(size=PATCHES) * rng.uniform(0.7, 1.5)
        patches += np.linspace(1, -1, PATCHES[0])[:, None] * rng.uniform(0, 1.5)  # the sky above
        tint = tuple(float(value) for value in rng.uniform(0.85, 1.15, 3))
        return Composition(level, rng.normal(0, 0.3), patches - patches.mean(), tint)
