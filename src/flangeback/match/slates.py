"""Slate frames: shot with the lens capped or a hand over it, to mark a change.

A picture is held against those around it, since darkness alone proves nothing: a night sky is as
dark as a hand before the lens. Where it could be either, that is said.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from enum import Enum
from itertools import pairwise
from statistics import median

from flangeback.match.brightness import FrameLight, PictureLight

DARK = -6.0
"""log2 of the mean luminance, white being 0: the picture of a capped lens or a hand over it stays
darker, whatever the meter does (common practice)."""
PLAIN = 0.04
"""Contrast: a night scene has lamps in it, a lens cap hasn't."""
_BLACK, _EMPTY = -8.0, 0.02
"""The same of a cap that shuts: stored values of up to 13 in 255, noise and no more. A sky that was
exposed for is brighter (common practice)."""
_EVEN = 0.025
"""Contrast of a hand, close and out of focus; a picture exposed too little keeps more."""
_DIM, _DULL = -5.0, 0.06
"""The same of what may be a hand that lets light through its fingers."""
_APART = 3.0
"""Stops. From one frame to the next, metered pictures differ by less (common practice)."""
_NIGHT = 0.0
"""log2 of the light through the lens at ISO 100 in one second, white being 0: below it, pictures of
the sky may be as dark as a hand. A lit room at f/2.8 has 1 or more (APEX, CIPA DC-008)."""
_CANDIDATE = 2
_AROUND = 5
"""Frames before and after that are looked at."""
_IN_A_ROW = 3
"""As many frames in a row may be one mark; more that are alike are a series of pictures."""


class SlateSign(Enum):
    """Whether a frame is a slate frame."""

    NO = "no"
    DOUBTFUL = "doubtful"
    YES = "yes"


def slate_signs(frames: Sequence[FrameLight]) -> list[SlateSign]:
    """Which frames of one body are slate frames; they come in the order they were made.

    A frame without a picture is none.
    """
    places = [at for at, one in enumerate(frames) if one.picture is not None]
    seen = [frames[at] for at in places]
    runs = list(_runs([one.picture for one in seen if one.picture is not None]))
    # Other marks tell nothing of the light around one.
    marks = {n for start, end in runs if end - start <= _IN_A_ROW for n in range(start, end)}
    around = [n for n in range(len(seen)) if n not in marks or _kind(seen[n].picture) < _CANDIDATE]
    signs = [SlateSign.NO] * len(frames)
    for start, end in runs:
        at, next_ = bisect_left(around, start), bisect_left(around, end)
        before, after = around[max(0, at - _AROUND) : at], around[next_ : next_ + _AROUND]
        sides = [[seen[n] for n in side] for side in (before, after) if side]
        sign = _sign(seen[start:end], sides)
        for at in places[start:end]:
            signs[at] = sign
    return signs


def _runs(lights: Sequence[PictureLight]) -> Iterator[tuple[int, int]]:
    """Dark and plain pictures in a row that are alike, as places from and up to."""
    ends = [
        at
        for at, (one, other) in enumerate(pairwise(lights), 1)
        if _kind(one) != _kind(other) or abs(one.brightness - other.brightness) >= _APART
    ]
    for start, end in pairwise([0, *ends, len(lights)]):
        if start < end and _kind(lights[start]) > 0:
            yield start, end


def _kind(light: PictureLight | None) -> int:
    """2 for dark and plain, 1 for what comes near it."""
    if light is None:
        return 0
    if light.brightness < DARK and light.contrast < PLAIN:
        return _CANDIDATE
    return int(light.brightness < _DIM and light.contrast < _DULL)


def _sign(run: Sequence[FrameLight], sides: Sequence[Sequence[FrameLight]]) -> SlateSign:
    """What pictures in a row, all alike, are among those to their sides."""
    lights = [one.picture for one in run if one.picture is not None]
    level = max(light.brightness for light in lights)
    contrast = max(light.contrast for light in lights)
    black = level < _BLACK and contrast < _EMPTY
    apart = all(_level(side) >= level + _APART for side in sides)
    # With the ring turned, the frames of one side were exposed otherwise.
    covered = any(_is_covered(run, side) for side in sides)
    if len(run) > _IN_A_ROW or not sides:
        by_day = bool(sides) and apart and covered and all(map(_is_day, sides))
        return SlateSign.DOUBTFUL if black or by_day else SlateSign.NO
    if black:
        shown = apart or all(_mostly_pictures(side, level) for side in sides)
        return SlateSign.YES if shown and covered else SlateSign.DOUBTFUL
    if not apart or not covered:
        return SlateSign.NO
    clear = level < DARK and contrast < _EVEN and not any(_may_be_night(side) for side in sides)
    return SlateSign.YES if clear else SlateSign.DOUBTFUL


def _level(side: Sequence[FrameLight]) -> float:
    return median(one.picture.brightness for one in side if one.picture is not None)


def _is_covered(run: Sequence[FrameLight], side: Sequence[FrameLight]) -> bool:
    """Whether less light came through the lens, by most of what the pictures differ by: one that
    was exposed for a shorter time is dark, too. Where that isn't known, the pictures count."""
    ours = [one.through for one in run if one.through is not None]
    theirs = [one.through for one in side if one.through is not None]
    if not ours or not theirs:
        return True
    return median(theirs) - median(ours) >= (_level(side) - _level(run)) / 2


def _mostly_pictures(side: Sequence[FrameLight], level: float) -> bool:
    """Whether most of these have something in them that a capped lens can't show."""
    lights = [one.picture for one in side if one.picture is not None]
    shown = [light for light in lights if _kind(light) == 0 or light.brightness >= level + _APART]
    return 2 * len(shown) > len(lights)


def _may_be_night(side: Sequence[FrameLight]) -> bool:
    """Whether so little light is about that a sky would be as dark; not where it isn't known."""
    through = [one.through for one in side if one.through is not None]
    return bool(through) and median(through) < _NIGHT


def _is_day(side: Sequence[FrameLight]) -> bool:
    """Whether there is light about, as far as it is known."""
    return any(one.through is not None for one in side) and not _may_be_night(side)
