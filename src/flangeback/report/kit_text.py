"""Figures of the kit in the trade's own form, for the terminal and the printed card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

from flangeback.kit.fit import Aperture, Way

RINGS = {
    Aperture.LENS_RING: "on lens",
    Aperture.ADAPTER_RING: "on adapter",
    Aperture.BODY: "by the body",
    Aperture.WIDE_OPEN: "wide open",
}


def number(value: Decimal | float) -> str:
    """A focal length or f-number in as many digits as the trade gives it."""
    return f"{float(value):.3g}" if value < 1000 else f"{float(value):.0f}"


def span(values: Sequence[Decimal | int], between: str = "-") -> str:
    """One figure, or the two ends of a zoom."""
    return between.join(dict.fromkeys(number(value) for value in map(Decimal, values)))


def metres(distance: float) -> str:
    """A distance of so many mm, in the units on a lens's scale."""
    if math.isinf(distance):
        return "infinity"
    if distance < 1000:
        return f"{distance / 10:.3g} cm"
    return f"{distance / 1000:.3g} m" if distance < 1e6 else f"{distance / 1000:.0f} m"


def millimetres(ends: tuple[float, float]) -> str:
    """A thickness, or the two that the tables give."""
    return " to ".join(dict.fromkeys(f"{end:.2f}" for end in ends)) + " mm"


def f_range(way: Way) -> str:
    """ "1.42-11.4", with both maximum apertures of a zoom where it changes."""
    widest = span([view.widest for view in way.views], "/")
    if way.aperture is Aperture.WIDE_OPEN:
        return widest
    return f"{widest}-{number(way.views[0].narrowest)}"
