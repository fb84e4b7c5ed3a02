"""What a frame tells about the sensor that made it."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

from flangeback.errors import InputError
from flangeback.frames.model import Frame
from flangeback.frames.reading import read_frame
from flangeback.kit.model import CROP_FACTORS, FULL_FRAME_DIAGONAL


def plausible(crop_factor: float) -> bool:
    """Whether a sensor can have this crop factor; some bodies write what means nothing."""
    return CROP_FACTORS[0] <= crop_factor <= CROP_FACTORS[1]


def crop_of_size(size: tuple[float, float]) -> float:
    """The crop factor of a sensor of this width and height in mm."""
    return FULL_FRAME_DIAGONAL / math.hypot(*size)


def used_area(frame: Frame) -> tuple[float, float] | None:
    """Width and height in mm of the part of the sensor that made the picture.

    They are its pixels over FocalPlaneResolution (CIPA DC-008), as the frame states it, plausible
    or not.
    """
    plane = frame.focal_plane
    if plane is None:
        return None
    return float(plane.width / plane.x_resolution), float(plane.height / plane.y_resolution)


def stated_ratio(frame: Frame) -> Fraction | None:
    """35 mm equivalent over focal length, in a frame whose lens told the body about itself.

    None under digital zoom, which some bodies count into the equivalent, and where the focal
    length was registered by hand: the body knows no better than its user.
    """
    data = frame.lens_data
    if data.focal_length is None or data.focal_length_35mm is None or frame.digital_zoom:
        return None
    if data.f_number is None or data.registered_focal_length is not None:
        return None
    return data.focal_length_35mm / data.focal_length


class SeenBody(NamedTuple):
    """A body as a frame names it; `sensor` is in mm, None where the frame doesn't tell it."""

    model: str
    serial: str | None
    sensor: tuple[float, float] | None


def seen_body(path: Path) -> SeenBody:
    """The body that made a frame.

    Raises InputError when the file can't be read, is damaged, or doesn't name its body.
    """
    try:
        frame = read_frame(path.parent, path.name)
    except OSError as error:
        raise InputError.at(path, f"can't be read: {error.strerror}") from None
    if frame.damage is not None:
        raise InputError.at(path, frame.damage, "a frame that the body made")
    if frame.model is None:
        text = "doesn't name the body that made it"
        raise InputError.at(path, text, "a frame as the body wrote it")
    area = None if frame.digital_zoom else used_area(frame)
    told = area is not None and plausible(crop_of_size(area))
    sides = (max(area), min(area)) if area is not None and told else None
    return SeenBody(frame.model, frame.serial, sides)
