"""Light of several kinds, in stops of exposure value at ISO 100, as a function of time in s."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from random import Random

Light = Callable[[float], float]
DAY = 86_400.0


def _knots(start: float, end: float, step: float, draw: Callable[[], float]) -> Light:
    """Straight lines between values drawn at even steps; outside them the nearest."""
    values = [draw() for _ in range(int((end - start) / step) + 2)]

    def at(time: float) -> float:
        place = min(max((time - start) / step, 0.0), len(values) - 1.001)
        low = int(place)
        return values[low] + (values[low + 1] - values[low]) * (place - low)

    return at


def _wander(rng: Random, sigma: float, keep: float) -> Callable[[], float]:
    """A first-order autoregressive series of the standard deviation given."""
    state = [rng.gauss(0, sigma)]

    def draw() -> float:
        state[0] = keep * state[0] + rng.gauss(0, sigma * math.sqrt(1 - keep * keep))
        return state[0]

    return draw


def _levels(rng: Random, start: float, end: float, mean_s: float, level: Light) -> Light:
    """Levels that hold for times of an exponential distribution and change within two seconds."""
    times, values = [start - DAY], [level(0)]
    time = start
    while time < end:
        time += rng.expovariate(1 / mean_s)
        times.append(time)
        values.append(level(time))

    def at(time: float) -> float:
        place = bisect_right(times, time) - 1
        share = min((time - times[place]) / 2.0, 1.0)
        return values[max(place - 1, 0)] * (1 - share) + values[place] * share

    return at


def overcast(rng: Random, start: float, end: float) -> Light:
    """Steady: a fifth of a stop over minutes."""
    course, level = _knots(start, end, 60.0, _wander(rng, 0.2, 0.9)), rng.uniform(11.0, 13.0)
    return lambda time: level + course(time)


def sinking_sun(rng: Random, start: float, end: float) -> Light:
    """Falls by about two stops an hour, with thin haze."""
    course = _knots(start, end, 30.0, _wander(rng, 0.15, 0.8))
    fall = rng.uniform(1.0, 2.5) / 3600
    return lambda time: 14.0 - max(time - start, 0.0) % DAY * fall + course(time)


def clouds(rng: Random, start: float, end: float) -> Light:
    """Sun and cloud in turn, one and a half to two and a half stops apart."""
    states = [0.0]

    def level(_: float) -> float:
        states.append(0.0 if states[-1] else -rng.uniform(1.5, 2.5))
        return states[-1]

    course, slow = _levels(rng, start, end, 90.0, level), overcast(rng, start, end)
    return lambda time: slow(time) + 1.5 + course(time)


def lamps(rng: Random, start: float, end: float) -> Light:
    """Indoors: constant."""
    level = rng.uniform(5.0, 7.5)
    return lambda time: level


def stage(rng: Random, start: float, end: float) -> Light:
    """Cues every few seconds, a stop and more apart."""
    course = _levels(rng, start, end, 9.0, lambda _: rng.gauss(0, 1.1))
    return lambda time: 6.0 + course(time)


def flash(rng: Random, start: float, end: float) -> Light:
    """A studio flash at full power: what f/11 needs at 1/160 s and ISO 100, about."""
    level = 14.2 + rng.uniform(-0.3, 0.3)
    return lambda time: level
