"""Frames cut into pieces that one entry may hold for, and the light that came through the lens.

They are cut at pauses and slate frames, and where the lens changed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from statistics import median

from flangeback.frames.model import Frame
from flangeback.match.brightness import FrameLight, PictureLight, PictureReader
from flangeback.match.slates import SlateSign, slate_signs
from flangeback.survey.clusters import Timed, clusters, in_time, pause_of

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


@dataclass(frozen=True, slots=True)
class Piece:
    """Frames of one body in a row.

    `start` and `end` are its clock's, None where the frames carry no time. `is_slate` marks a lone
    slate frame.
    """

    frames: tuple[Frame, ...]
    start: datetime | None = None
    end: datetime | None = None
    is_slate: bool = False


def pieces(frames: Sequence[Frame], slates: Collection[str]) -> Iterator[Piece]:
    """The pieces of one body's frames, in the order of its clock; what has no time comes last.

    A pause, a slate frame, another native lens and another focal length registered for the
    stabiliser each begin a new one.
    """
    timed = in_time(frames)
    for cluster in clusters(timed, pause_of(timed)):
        for is_slate, run in _alike(cluster, slates):
            yield Piece(tuple(frame for _, frame in run), run[0][0], run[-1][0], is_slate)
    untimed = tuple(frame for frame in frames if frame.time is None)
    if untimed:
        yield Piece(untimed)


def _alike(timed: Timed, slates: Collection[str]) -> Iterator[tuple[bool, Timed]]:
    """Runs of frames that nothing tells apart; a slate frame stands alone."""

    def likeness(one: tuple[datetime, Frame]) -> tuple[object, ...]:
        _, frame = one
        data = frame.lens_data
        lens = (data.lens or True) if data.is_native else None
        slate = frame.file if frame.file in slates else None
        return slate, lens, data.registered_focal_length

    for (slate, *_), run in groupby(timed, key=likeness):
        yield slate is not None, list(run)
