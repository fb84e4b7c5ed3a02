"""How much light came through the lens: what tells a slate frame, and a ring that was turned."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from statistics import median

from flangeback.evidence import PictureLight, PictureReader
from flangeback.frames.model import Frame

DARK = -6.0
"""log2 of the mean luminance, white being 0: the picture of a capped lens or a hand over it stays
darker, whatever the meter does (common practice)."""
PLAIN = 0.04
"""Contrast: a night scene has lamps in it, a lens cap hasn't."""

Pictures = Mapping[str, PictureLight | None]
"""Each file's light, None where it can't be read."""


def read_pictures(
    frames: Iterable[Frame], reader: PictureReader, progress: Callable[[int], None] | None = None
) -> Pictures:
    """The light of every frame."""
    found = {}
    for count, frame in enumerate(frames, 1):
        found[frame.file] = reader(frame)
        if progress:
            progress(count)
    return found


def is_slate(light: PictureLight | None) -> bool:
    """Whether the lens was capped, or a hand held over it."""
    return light is not None and light.brightness < DARK and light.contrast < PLAIN


def light_through(frames: Sequence[Frame], pictures: Pictures) -> float | None:
    """log2 of the light that came through the lens, in the middle of these frames; None where no
    frame tells. f-number and scene both are in it: log2(scene / N^2) (APEX, CIPA DC-008)."""
    found = []
    for frame in frames:
        light, exposure = pictures.get(frame.file), frame.exposure
        if light is not None and exposure.time and exposure.iso:
            found.append(light.brightness - math.log2(float(exposure.time) * exposure.iso / 100))
    return median(found) if found else None
