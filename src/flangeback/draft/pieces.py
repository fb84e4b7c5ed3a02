"""Frames cut into pieces that one entry may hold for, and what they propose for it.

They are cut at pauses and slate frames, and where the lens changed. The light that came through
the lens may tell the f-number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import groupby
from statistics import median
from typing import NamedTuple

from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.kit.stops import series
from flangeback.match.brightness import FrameLight, PictureLight, PictureReader
from flangeback.match.outcomes import has_focal
from flangeback.match.slates import SlateSign, slate_signs
from flangeback.survey.clusters import Timed, clusters, in_time, pause_of

Pictures = Mapping[str, PictureLight | None]
"""Each file's light, None where it can't be read."""
_NEIGHBOURS = timedelta(minutes=10)
"""Frames this close in time are taken to have been made in the same light."""
_FEWEST, _SPREAD = 3, 0.5
"""So many of them, within so many stops of their middle, show that the light was steady."""


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
    order = [frame for _, frame in in_time(frames)]
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


class Piece(NamedTuple):
    """Frames of one body in a row.

    `start` and `end` are its clock's, None where the frames carry no time. `is_slate` marks a lone
    slate frame.
    """

    frames: tuple[Frame, ...]
    start: datetime | None = None
    end: datetime | None = None
    is_slate: bool = False


def pieces_of(frames: Sequence[Frame], pictures: Pictures) -> Iterator[Piece]:
    """The pieces of one body's frames, in the order of its clock; what has no time comes last.

    A pause, a slate frame, another native lens and another focal length registered for the
    stabiliser each begin a new one.
    """
    timed, slates = in_time(frames), slate_files(frames, pictures)
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


def lens_of(piece: Piece, body: Body | None, kit: Kit) -> str | None:
    """The key of the lens, or `off` for a native lens that the kit hasn't.

    None where neither a lens's name nor a focal length registered for the stabiliser tells it.
    """
    data = piece.frames[0].lens_data
    if data.is_native:
        lenses = kit.lenses.values()
        named = (lens for lens in lenses if same_lens(lens, data.lens, data.specification))
        return next((lens.key for lens in named), "off")
    likely = list(_registered_for(data.registered_focal_length, body, kit))
    return likely[0].key if len(likely) == 1 else None


def _registered_for(length: Fraction | None, body: Body | None, kit: Kit) -> Iterator[Lens]:
    """The lenses for which this focal length (mm) would be registered on this body."""
    if length is None or body is None:
        return
    for lens in kit.lenses.values():
        factors = {adapter.factor for adapter in kit.adapters_for(lens, body)}
        if lens.mount == body.mount:
            factors.add(Decimal(1))
        if any(has_focal(lens, length / Fraction(factor)) for factor in factors):
            yield lens


def stop_of(piece: Piece, frames: Iterable[Frame], pictures: Pictures) -> Decimal | None:
    """The full stop at which the piece was made, by the light of frames that state theirs.

    log2(scene) = log2(scene / N^2) + 2 log2 N (APEX, CIPA DC-008). None where too few frames near
    in time state their f-number, or their light wasn't steady.
    """
    through = light_through(piece.frames, pictures)
    scenes = list(_scenes(piece, frames, pictures))
    if through is None or len(scenes) < _FEWEST:
        return None
    scene = median(scenes)
    if max(abs(one - scene) for one in scenes) > _SPREAD:
        return None
    apex = scene - through
    misfits = {stop.mark: abs(2 * math.log2(stop.exact) - apex) for stop in series("full")}
    nearest = min(misfits, key=misfits.__getitem__)
    return nearest if misfits[nearest] <= _SPREAD / 2 else None


def _scenes(piece: Piece, frames: Iterable[Frame], pictures: Pictures) -> Iterator[float]:
    """log2 of the light before the lens, by each frame made with a lens that states its stop."""
    start, end = piece.start, piece.end
    if start is None or end is None:
        return
    for frame in frames:
        near = frame.time and start - _NEIGHBOURS <= frame.time.at <= end + _NEIGHBOURS
        if near and frame.lens_data.is_native and frame.lens_data.f_number:
            through = light_through([frame], pictures)
            if through is not None:
                yield through + 2 * math.log2(frame.lens_data.f_number)
