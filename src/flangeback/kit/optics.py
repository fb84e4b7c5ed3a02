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


def blur_at_infinity(spacing_error: float, f_number: float) -> float:
    """The blur that a star becomes with the sensor so far off: light is f/N wide at the lens."""
    return abs(spacing_error) / f_number


def hyperfocal(focal: float, f_number: float, circle: float) -> float:
    """The nearest distance to focus at with infinity still passing for sharp: f + f^2/(N c)."""
    return focal + focal * focal / (f_number * circle)


def depth_of_field(
    focal: float, f_number: float, circle: float, distance: float
) -> tuple[float, float]:
    """The nearest and the farthest distance that pass for sharp when focused at `distance`.

    The farthest is infinite from the hyperfocal distance on. `distance` has to exceed `focal`.
    """
    h = hyperfocal(focal, f_number, circle)
    if math.isinf(distance):
        return h - focal, math.inf
    near = distance * (h - focal) / (h + distance - 2 * focal)
    # A small tolerance, so that focusing at the hyperfocal distance itself counts as reaching it.
    if distance >= h * (1 - 1e-12):
        return near, math.inf
    return near, distance * (h - focal) / (h - distance)


def magnification(focal: float, extension: float) -> float:
    """Image size over object size with the lens set to infinity on this much extension: e/f."""
    return extension / focal


def close_up_f_number(f_number: float, magnification: float) -> float:
    """N (1 + m): the f-number that the exposure goes by at this magnification.

    For a lens whose pupils are alike (common practice). It is shown, never written as FNumber,
    which Exif defines by the focal length (CIPA DC-008).
    """
    return f_number * (1 + magnification)
