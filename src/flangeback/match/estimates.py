"""What the light alone makes of an f-number that is open, or doubted; it is never written."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
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
_RANGE, _SHARE = 1.64, 0.9
"""Standard deviations to either side: that share of a normal distribution."""
_APART = 60.0
"""Seconds to the nearest scene from which one with a known f-number is told on trial: an open one
lies in the minute of a change."""
_NARROWEST = 0.75
"""Stops to either side, at the least: where a ring is turned, another scene is as a rule seen."""
_WIDEST = 2.0
"""Stops to either side; a wider range says nothing."""


def estimates(light: BodyLight, weighed: Sequence[Weighed]) -> Mapping[int, Estimate]:
    """The estimates by shot.

    Where the log leaves the f-number open, and where the light makes another likelier. f-numbers
    are those that Exif has, with a reducer's factor.
    """
    known = [one for one in weighed if len(one.scene.hypotheses) == 1]
    steady = [one for one in known if not one.is_off]
    reach = _reach(steady)
    found: dict[int, Estimate] = {}
    for start, end, at, through in _open(light):
        told = _brightness(steady, at)
        estimate = told and _of(told[0] - through, reach * told[1])
        if estimate is not None:
            found |= dict.fromkeys(range(start, end), estimate)
    for one in known:
        if one.is_off:
            logged = one.scene.hypotheses[0].stops
            spread = one.scene.spread
            estimate = _of(logged + one.posterior.offset, _RANGE * spread)
            if estimate is not None:
                found |= dict.fromkeys(range(one.scene.start, one.scene.end), estimate)
    return found


def _open(light: BodyLight) -> Iterator[tuple[int, int, float, float]]:
    """Scenes whose f-number is open.

    Their shots from and up to, the time, and log2 of the light through the lens.
    """
    for scene in (*light.unknown, *light.scenes):
        if len(scene.hypotheses) != 1:
            yield scene.start, scene.end, scene.at, scene.light


def _reach(steady: Sequence[Weighed]) -> float:
    """Deviations to either side within which known scenes are told by others, nine in ten.

    That is split conformal prediction (Vovk, Gammerman and Shafer 2005) with each scene left out.
    """
    misses = []
    for one in steady:
        seen = one.scene
        told = _brightness(steady, seen.at, _APART)
        if told is not None:
            misses.append(abs(seen.first_brightness - told[0]) / told[1])
    place = min(len(misses), math.ceil(_SHARE * (len(misses) + 1)))
    return max([_RANGE, *sorted(misses)[place - 1 : place]])


def _brightness(
    steady: Sequence[Weighed], at: float, apart: float = 0.0
) -> tuple[float, float] | None:
    """How bright the light was at a time by the nearest scenes, and the deviation of a scene.

    Scenes nearer than `apart` (seconds) are left out; None where none is near enough.
    """
    before, after = (
        bisect(steady, moment, key=lambda one: one.scene.at)
        for bisect, moment in ((bisect_right, at - apart), (bisect_left, at + apart))
    )
    near = [
        one
        for one in (*steady[max(0, before - _SIDE) : before], *steady[after : after + _SIDE])
        if abs(one.scene.at - at) <= _REACH
    ]
    if not near:
        return None
    variances = [one.scene.spread**2 + _WANDER * abs(one.scene.at - at) for one in near]
    weights = [1 / variance for variance in variances]
    brightness = sum(
        weight * one.scene.first_brightness for weight, one in zip(weights, near, strict=True)
    ) / sum(weights)
    spread = near[0].scene.spread
    return brightness, math.sqrt(1 / sum(weights) + spread**2)


def _of(stops: float, reach: float) -> Estimate | None:
    """An f-number of so many stops (2 log2 N), and as many to either side.

    None where that says nothing.
    """
    if reach > _WIDEST:
        return None
    reach = max(reach, _NARROWEST)
    f_number, low, high = (2 ** ((stops + part * reach) / 2) for part in (0.0, -1.0, 1.0))
    return Estimate(f_number, low, high)
