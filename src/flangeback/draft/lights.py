"""How much light came through the lens: what tells a slate frame, and a ring that was turned."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from statistics import median

from flangeback.frames.model import Frame
from flangeback.match.brightness import FrameLight, PictureLight, PictureReader
from flangeback.match.slates import SlateSign, slate_signs

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


def slate_files(frames: Iterable[Frame], pictures: Pictures) -> frozenset[str]:
    """The files of one body's slate frames, as far as they are plainly such."""
    timed = [(frame.time.at, frame.file, frame) for frame in frames if frame.time is not None]
    order = [frame for _, _, frame in sorted(timed, key=lambda one: one[:2])]
    signs = slate_signs([FrameLight.of(frame, pictures.get(frame.file)) for frame in order])
    found = zip(order, signs, strict=True)
    return frozenset(frame.file for frame, sign in found if sign is SlateSign.YES)


def light_through(frames: Sequence[Frame], pictures: Pictures) -> float | None:
    """log2 of the light that came through the lens, in the middle of these frames.

    f-number and scene both are in it: log2(scene / N^2) (APEX, CIPA DC-008). None where no frame
    tells.
    """
    lights = (FrameLight.of(frame, pictures.get(frame.file)).through for frame in frames)
    found = [light for light in lights if light is not None]
    return median(found) if found else None
