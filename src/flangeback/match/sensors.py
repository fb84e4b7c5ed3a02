"""How big each body's sensor is, and the 35 mm equivalents that follow.

Evidence is ranked: the kit; equivalents over focal lengths in frames with native lenses; pixels
over focal-plane resolution. The first there is counts; what speaks against it is a doubt, and never
averaged in. A frame in a crop mode has fewer pixels of the same pitch: its equivalent goes by the
part of the sensor that was used.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from flangeback.frames.model import Frame
from flangeback.frames.sensor import crop_of_size, plausible, stated_ratio, used_area
from flangeback.kit.model import Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.kit.optics import equivalent_35mm
from flangeback.match.bodies import Bodies
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.words import number

STEADY = 0.03
"""Relative. What one body says of its sensor twice is the same thing up to here."""

AGREES = 0.06
"""Relative. Two kinds of evidence speak of one sensor up to here: makers round, to 1.5 where
43.27 mm over the diagonal is 1.53 or 1.56 (common practice)."""

PART = 1.1
"""A part of the sensor is a crop mode from this much smaller on; less is a trimmed edge."""

Size = tuple[int, int] | None
"""A picture's greater and lesser side in pixels; None where the frame doesn't say."""


class SensorSource(StrEnum):
    """Where a crop factor comes from, the best first."""

    KIT = "the kit's sensor"
    NATIVE = "frames with native lenses"
    FOCAL_PLANE = "focal-plane resolution"


@dataclass(frozen=True)
class Evidence:
    """A crop factor, and from how many frames (none for the kit)."""

    source: SensorSource
    crop_factor: float
    frames: int = 0


@dataclass(frozen=True)
class SizeFinding:
    """What holds for the pictures of one size that a body made.

    The evidence that counts, None where there is none.

    `part` is how many times smaller than the sensor, by its diagonal, the part was that made the
    picture: above 1 in a crop mode. `against` says in words what other evidence there is against.
    """

    pixels: Size
    evidence: Evidence | None
    part: float = 1.0
    against: tuple[str, ...] = ()


@dataclass(frozen=True)
class BodySensor:
    """What is known of one body's sensor. `refused` says which evidence was of no use, and why."""

    sizes: Mapping[Size, SizeFinding]
    refused: tuple[str, ...] = ()

    def of(self, frame: Frame) -> SizeFinding:
        """What holds for a frame that this body made."""
        return self.sizes[_size(frame)]

    def equivalent(self, frame: Frame, focal_length: Decimal | None) -> int | None:
        """The 35 mm equivalent (mm) of a focal length in this frame; None where it can't be told.

        Under digital zoom it stays blank: Exif leaves open whether that counts.
        """
        known = self.of(frame).evidence
        if known is None or focal_length is None or frame.digital_zoom:
            return None
        return equivalent_35mm(focal_length, known.crop_factor)

    def doubts(self, frame: Frame) -> Iterator[Doubt]:
        """What speaks against the equivalent of a filled frame."""
        texts = self.of(frame).against
        if frame.digital_zoom:
            zoom = number(frame.digital_zoom)
            texts = (f"digital zoom of {zoom}: no 35 mm equivalent is written", *texts)
        yield from (Doubt(DoubtKind.SENSOR_UNSURE, text) for text in texts)


def sensor_of(body: Body, frames: Sequence[Frame], adapted: Sequence[Lens] = ()) -> BodySensor:
    """What the kit and the frames that a body made tell of its sensor.

    Frames that name one of the `adapted` lenses aren't evidence: somebody wrote that into them.
    """
    by_size: dict[Size, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_size[_size(frame)].append(frame)
    seen = {size: _seen(found, adapted) for size, found in by_size.items()}
    greatest = max((size for size in seen if size), key=math.prod, default=None)
    parts = {size: _part(seen[size], seen[greatest or size]) for size in seen}
    # The whole sensor: by native lenses of any size whose part is known, by the greatest's plane.
    natives = (_scaled(at.native, 1 / part) for size, at in seen.items() if (part := parts[size]))
    native = next((one for one in natives if one is not None), None)
    plane = seen[greatest].plane if greatest in seen else None
    return BodySensor(
        {size: _finding(size, body, seen[size], parts[size], (native, plane)) for size in seen},
        tuple(dict.fromkeys(text for at in seen.values() for text in at.refused)),
    )


def _size(frame: Frame) -> Size:
    return None if frame.pixels is None else (max(frame.pixels), min(frame.pixels))


class _Seen(NamedTuple):
    """What frames of one size say.

    The area of sensor used (mm, greater side first) and the crop factors that follow, each None
    where it is absent or of no use.
    """

    area: tuple[float, float] | None = None
    native: Evidence | None = None
    plane: Evidence | None = None
    refused: tuple[str, ...] = ()


def _seen(frames: Sequence[Frame], adapted: Sequence[Lens]) -> _Seen:
    native, plane = _native(frames, adapted), _plane(frames)
    refused = tuple(text for text in (native, plane) if isinstance(text, str))
    areas = sorted(_areas(frames), key=math.prod)
    usable = plane if isinstance(plane, Evidence) else None
    return _Seen(
        areas[len(areas) // 2] if usable else None,
        native if isinstance(native, Evidence) else None,
        usable,
        refused,
    )


def _native(frames: Sequence[Frame], adapted: Sequence[Lens]) -> Evidence | str | None:
    """The ratio that frames with native lenses state, or why it is of no use.

    Equivalents are rounded to whole mm, or cut off: the longest says most, and every other has to
    agree with it to a mm.
    """
    stated = [
        (frame.lens_data.focal_length, ratio)
        for frame in frames
        if (ratio := stated_ratio(frame)) is not None
        and frame.lens_data.focal_length
        and not any(
            same_lens(lens, frame.lens_data.lens, frame.lens_data.specification) for lens in adapted
        )
    ]
    if not stated:
        return None
    best = float(max(stated)[1])
    if any(abs(float(ratio) - best) * float(focal) > 1 + STEADY * best * float(focal)
           for focal, ratio in stated):  # fmt: skip
        return "the 35 mm equivalents in its frames with native lenses don't agree"
    if not plausible(best):
        return f"35 mm equivalents that mean a crop factor of {best:.3g} are implausible"
    return Evidence(SensorSource.NATIVE, best, len(stated))


def _areas(frames: Sequence[Frame]) -> list[tuple[float, float]]:
    found = (used_area(frame) for frame in frames if not frame.digital_zoom)
    return [(max(area), min(area)) for area in found if area is not None]


def _plane(frames: Sequence[Frame]) -> Evidence | str | None:
    """The crop factor by focal-plane resolution, or why it is of no use."""
    crops = sorted(crop_of_size(area) for area in _areas(frames))
    if not crops:
        return None
    if crops[-1] > crops[0] * (1 + STEADY):
        return "focal-plane resolution isn't steady"
    crop = crops[len(crops) // 2]
    if not plausible(crop):
        return f"a focal-plane resolution that means a crop factor of {crop:.3g} is implausible"
    return Evidence(SensorSource.FOCAL_PLANE, crop, len(crops))


def _part(at: _Seen, greatest: _Seen) -> float | None:
    """How many times smaller the part of the sensor was that made pictures of a size.

    It is held against what made the greatest ones; None where that can't be told: a crop mode keeps
    the pixels' pitch, a picture that was merely made smaller doesn't.
    """
    if at is greatest:
        return 1.0
    if at.area is not None and greatest.area is not None:
        return _as_part(greatest.area[0] / at.area[0], greatest.area[1] / at.area[1])
    if at.native is not None and greatest.native is not None:
        ratio = at.native.crop_factor / greatest.native.crop_factor
        return _as_part(ratio, ratio)
    return None


def _as_part(across: float, down: float) -> float:
    """A crop mode takes the same off both sides.

    Another shape of picture takes more off one, and keeps the equivalent that bodies state: the
    side that lost less tells the mode.
    """
    smaller = min(across, down)
    return smaller if smaller >= PART else 1.0


def _scaled(found: Evidence | None, part: float | None) -> Evidence | None:
    """Evidence on the whole sensor, for a part of it."""
    if found is None or part is None:
        return None
    return replace(found, crop_factor=found.crop_factor * part)


def _finding(
    size: Size,
    body: Body,
    at: _Seen,
    part: float | None,
    whole: tuple[Evidence | None, Evidence | None],
) -> SizeFinding:
    """What holds for one size; `whole` is what native lenses and the plane tell of the sensor."""
    by_native, by_plane = (_scaled(found, part) for found in whole)
    kit = body.crop_factor
    ranked = (
        None if kit is None else Evidence(SensorSource.KIT, kit * (part or 1.0)),
        at.native or by_native,
        # The whole first: pictures of another shape have strips cut off, which isn't the sensor's.
        at.plane and (by_plane or at.plane),
    )
    known = [evidence for evidence in ranked if evidence is not None]
    if not known:
        return SizeFinding(size, None, part or 1.0)
    best, *others = known
    against = tuple(
        f"{best.source} means a crop factor of {best.crop_factor:.2f}, "
        f"{other.source} {other.crop_factor:.2f}"
        for other in others
        if abs(other.crop_factor / best.crop_factor - 1) > AGREES
        and not (other.source is SensorSource.FOCAL_PLANE and _is_trimmed(body, at.area))
    )
    return SizeFinding(size, best, part or 1.0, against)


def _is_trimmed(body: Body, area: tuple[float, float] | None) -> bool:
    """Whether an area is the kit's sensor with strips cut off one pair of sides."""
    if body.sensor is None or area is None:
        return False
    across, down = max(body.sensor) / area[0], min(body.sensor) / area[1]
    return abs(min(across, down) - 1) <= STEADY


def sensors_of(frames: Iterable[Frame], bodies: Bodies, kit: Kit) -> Mapping[str, BodySensor]:
    """What each body's sensor is known by, by the body's key in the kit."""
    by_body: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        body = bodies[frame.file]
        if body is not None and frame.damage is None:
            by_body[body].append(frame)
    sensors = {}
    for key, made in by_body.items():
        body_ = kit.bodies[key]
        adapted = [lens for lens in kit.lenses.values() if lens.mount != body_.mount]
        sensors[key] = sensor_of(body_, made, adapted)
    return sensors
