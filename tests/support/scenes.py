"""Frames with light in them: what was seen, metered through a lens, without files."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from flangeback.frames import Exposure, Frame
from flangeback.kit import Kit
from flangeback.match import FrameMatch, match_frames
from flangeback.match.brightness import PictureLight
from support.kits import whole_kit
from support.shots import log, shot

KIT = whole_kit()
GREY = math.log2(0.18)


@dataclass(frozen=True)
class Seen:
    """A frame, and how bright its picture came out (log2 of white)."""

    frame: Frame
    brightness: float


def seen(
    file: str, time: str, stop: float, scene: float = 12.0, body: str = "k7", iso: int = 100
) -> Seen:
    """A frame of a scene of this brightness (exposure value), the ring at this f-number.

    The body names its time in thirds of a stop; the picture has the rest.
    """
    wanted = scene - 2 * math.log2(stop) + math.log2(iso / 100)
    named = round(wanted * 3) / 3
    exposure = Exposure(Fraction(2**-named).limit_denominator(100_000), iso)
    return Seen(replace(shot(file, time, body), exposure=exposure), GREY + wanted - named)


def found(frames: Sequence[Seen], text: str, kit: Kit = KIT) -> list[FrameMatch]:
    """What these frames come to by this log."""
    light: Mapping[str, float] = {one.frame.file: one.brightness for one in frames}

    def read(frame: Frame) -> PictureLight:
        return PictureLight(light[frame.file], 0.2)

    shots = [one.frame for one in frames]
    return list(match_frames(shots, [log(text, kit)], kit, pictures=read).frames)
