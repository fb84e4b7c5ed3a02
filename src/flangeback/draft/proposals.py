"""What the frames propose for an entry: the lens, and the f-number where the light tells it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from statistics import median

from flangeback.draft.pieces import Pictures, Piece, light_through
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.kit.stops import series
from flangeback.match.outcomes import has_focal

_NEIGHBOURS = timedelta(minutes=10)
"""Frames this close in time are taken to have been made in the same light."""
_FEWEST, _SPREAD = 3, 0.5
"""So many of them, within so many stops of their middle, show that the light was steady."""


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
    aperture_value = scene - through
    nearest = min(series("full"), key=lambda stop: abs(2 * math.log2(stop.exact) - aperture_value))
    misfit = abs(2 * math.log2(nearest.exact) - aperture_value)
    return nearest.mark if misfit <= _SPREAD / 2 else None


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
