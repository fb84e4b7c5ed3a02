"""Thin-lens optics: what a focal length, an f-number and a spacing come to.

Lengths are in mm, angles in degrees, distances counted from the lens. The formulas are those of
the thin lens, 1/f = 1/object + 1/image, as any textbook of optics has them; a real lens differs by
the distance between its principal planes. f-numbers and focal lengths must be above zero.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

from flangeback.kit.model import FULL_FRAME_DIAGONAL

CIRCLE_OF_CONFUSION = 0.030
"""mm on 36 x 24 mm, in proportion on other formats (common practice): a blur up to this wide
passes for sharp."""
_LARGEST_SHORT = 2**16 - 1


def extended_distance(focal: float, extension: float) -> float:
    """The distance that is sharp when the lens stands `extension` too far from the sensor.

    f + f^2/d, the thin lens with the image at f + d: the farthest sharp distance on an adapter
    that is too thick by d, and the reading of a scale when infinity is sharp on one that is too
    thin by d. Infinite for no extension.
    """
    return math.inf if extension <= 0 else focal + focal * focal / extension


def angle_of_view(focal: float, side: float) -> float:
    """The angle that a side (or the diagonal) of the sensor takes in, focused at infinity."""
    return math.degrees(2 * math.atan(side / (2 * focal)))


def equivalent_35mm(focal_length: Decimal, crop_factor: float) -> int | None:
    """In whole mm, at least 1 (0 means unknown, CIPA DC-008); None beyond what 16 bits hold."""
    exact = focal_length * Decimal(crop_factor)
    whole = max(1, int(exact.quantize(Decimal(1), ROUND_HALF_UP)))
    return whole if whole <= _LARGEST_SHORT else None


def circle_of_confusion(diagonal: float | None) -> float:
    """The blur that passes for sharp on a sensor of this diagonal (full frame when unknown)."""
    return CIRCLE_OF_CONFUSION * (diagonal or FULL_FRAME_DIAGONAL) / FULL_FRAME_DIAGONAL


def far_limit(focal: float, f_number: float, circle: float, distance: float) -> float:
    """The farthest distance that passes for sharp when focused at `distance`, above `focal`.

    Infinite from the hyperfocal distance on, f + f^2/(N c).
    """
    hyperfocal = focal + focal * focal / (f_number * circle)
    # A small tolerance, so that focusing at the hyperfocal distance itself counts as reaching it.
    if distance >= hyperfocal * (1 - 1e-12):
        return math.inf
    return distance * (hyperfocal - focal) / (hyperfocal - distance)
