"""What the light alone makes of an f-number that is open, or doubted; it is never written."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence

from flangeback.match.exposure import BodyLight
from flangeback.match.light import Weighed
from flangeback.match.model import Estimate

_REACH = 1800.0
"""Seconds to the nearest scene with a known f-number, beyond which the light is another."""
_SIDE = 4
"""Such scenes before and after that tell how bright the light was."""
_WANDER = 0.3 / 600
"""Variance per second by which the light strays (common practice: 0.5 stops in ten minutes)."""
_RANGE = 1.64
"""Standard deviations to either side: nine in ten of a normal distribution."""
_WIDEST = 2.0
"""Stops to either side; a wider range says nothing."""


def estimates(light: BodyLight, weighed: Sequence[Weighed]) -> Mapping[int, Estimate]:
    """The estimates by shot.

    Where the log leaves the f-number open, and where the light objects to it. f-numbers are those
    that Exif has, with a reducer's factor.
    """
    known = [one for one in weighed if len(one.scene.observation.hypotheses) == 1]
    steady = [one for one in known if not one.objects]
    found: dict[int, Estimate] = {}
    for start, end, at, through in _open(light):
        estimate = _estimate(steady, at, through)
        if estimate is not None:
            found |= dict.fromkeys(range(start, end), estimate)
    for one in known:
        if one.objects:
            logged = one.scene.observation.hypotheses[0].stops
            estimate = _of(logged + one.posterior.offset, one.scene.observation.spread)
            if estimate is not None:
                found |= dict.fromkeys(range(one.scene.start, one.scene.end), estimate)
    return found


def _open(light: BodyLight) -> Iterator[tuple[int, int, float, float]]:
    """Scenes whose f-number is open.

    Their shots from and up to, the time, and log2 of the light through the lens.
    """
    for scene in light.unknown:
        yield scene.start, scene.end, scene.at, scene.light
    for one in light.scenes:
        seen = one.observation
        if len(seen.hypotheses) > 1:
            yield one.start, one.end, seen.at, seen.light


def _estimate(steady: Sequence[Weighed], at: float, through: float) -> Estimate | None:
    """By how bright the light was in the nearest scenes."""
    place = bisect_left(steady, at, key=lambda one: one.scene.observation.at)
    near = [
        one
        for one in steady[max(0, place - _SIDE) : place + _SIDE]
        if abs(one.scene.observation.at - at) <= _REACH
    ]
    if not near:
        return None
    variances = [
        one.scene.observation.spread**2 + _WANDER * abs(one.scene.observation.at - at)
        for one in near
    ]
    weights = [1 / variance for variance in variances]
    brightness = sum(
        weight * (one.scene.observation.light + one.scene.observation.hypotheses[0].stops)
        for weight, one in zip(weights, near, strict=True)
    ) / sum(weights)
    spread = near[0].scene.observation.spread
    deviation = math.sqrt(1 / sum(weights) + spread**2)
    return _of(brightness - through, deviation)


def _of(stops: float, deviation: float) -> Estimate | None:
    """An f-number of so many stops (2 log2 N); None where the range says nothing."""
    if _RANGE * deviation > _WIDEST:
        return None
    f_number, low, high = (
        2 ** ((stops + part * _RANGE * deviation) / 2) for part in (0.0, -1.0, 1.0)
    )
    return Estimate(f_number, low, high)
