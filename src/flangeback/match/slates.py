"""Slate frames: shot with the lens capped or a hand over it, to mark a change.

Much less light comes through the lens than on both sides, whatever the body did about it with time
and ISO, and the picture has little contrast. Where that could be a picture as well, it is said.
Where the log doesn't count slate frames, a picture called one would be a needless blank: only what
can be nothing else is.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from enum import Enum
from itertools import pairwise
from statistics import median

from flangeback.clock.model import SECOND
from flangeback.match.brightness import FrameLight, Pictures
from flangeback.match.shots import Shot

_DROP = 3.0
"""Stops less light than on both sides. From frame to frame, scenes differ by less as a rule, and a
hand over the lens takes 5 or more (common practice)."""
_BLACK_DROP = 1.0
"""The same on one side for a black picture."""
_DEEP = 6.0
"""Stops that no scene is darker by, but for one that is next to black."""
_SHALLOW = 0.5
"""Stops less than on one side that may be a hand's, where a ring was opened by more after it."""
_NEARLY = 2.0
"""Times that contrast, within which a picture may still be a hand's."""
_BLACK, _EMPTY = -8.0, 0.02
"""Brightness and contrast of a cap that shuts: stored values of up to 13 in 255, noise and no more.
A sky that was exposed for is brighter (common practice)."""
_FLAT = 0.19, 0.025, 0.06
"""Contrast of a hand, close and out of focus, at the most: as a part of the mean stored value, but
between these two (common practice; an underexposed scene keeps more)."""
_NIGHT = 0.0
"""log2 of the light through the lens at ISO 100 in one second, white being 0: below it, pictures of
the sky may be as dark as a hand. A lit room at f/2.8 has 1 or more (APEX, CIPA DC-008)."""
_PLAIN, _EXPOSED_FOR = 0.5, -5.0
"""Share of a hand's contrast at the most, and brightness at the least, that hardly any picture has:
a night sky that was exposed for shows its glow and stars (common practice)."""
_APART = 1.0
"""Stops between frames that don't show the same."""
_SIDE = 5
"""Frames before and after that are looked at."""
_IN_A_ROW = 3
"""As many frames in a row may be one mark; more that are alike are a series of pictures."""
_COVERED = 5.0
"""Stops less than on both sides of what can be nothing but a covered lens, if it is black, or as
plain as `_PLAIN` and not the only one (common practice)."""
_HABIT = 2
"""Marks that can be nothing else, from which on what looks like one is one."""
_TOGETHER = 30 * 60 * SECOND
"""Microseconds without a frame after which another scene may be shown (judgement)."""
_TO_COVER = 2 * SECOND
"""Microseconds in which a lens is covered, or bared and aimed, at the least (common practice). A
dark picture in a quicker series is one that the flash missed."""

BY_PICTURE = (
    "taken for a slate frame: dark and plain, unlike the frames around it; `not-slate` with its "
    "name in the log says that it is none"
)


class SlateSign(Enum):
    """Whether a frame is a slate frame."""

    NO = "no"
    DOUBTFUL = "doubtful"
    YES = "yes"


def slate_signs(frames: Sequence[FrameLight]) -> list[SlateSign]:
    """Which frames of one body are slate frames; they come in the order they were made.

    A frame without a picture is none.
    """
    signs = [SlateSign.NO] * len(frames)
    for places, run, sides in _candidates(frames):
        sign = _sign(run, sides)
        for place in places:
            signs[place] = sign
    return signs


def uncounted_signs(shots: Sequence[Shot], pictures: Pictures) -> Iterator[tuple[str, SlateSign]]:
    """The files of one body that are slate frames, or may be, where the log counts none of them.

    Frames that don't say how they were exposed are none. Of quick series only the first and the
    last picture are looked at, for the light around.
    """
    starts = [
        at
        for at, shot in enumerate(shots)
        if at == 0 or shot.start - shots[at - 1].start >= _TO_COVER
    ]
    gains = [FrameLight.of(shot.frame, None) for shot in shots]
    wanted = [
        at
        for start, end in pairwise([*starts, len(shots)])
        for at in (range(start, end) if end - start <= _IN_A_ROW else (start, end - 1))
        if gains[at].gain is not None
    ]
    read = pictures([shots[at].frame for at in wanted])
    pictured = dict(zip(wanted, read, strict=True))
    seen = [one._replace(picture=pictured.get(at)) for at, one in enumerate(gains)]
    edges = {*starts, len(shots)}
    marks = []
    for at, run, sides in _candidates_together(shots, seen):
        is_apart = {at[0], at[-1] + 1} <= edges and at[-1] - at[0] < _IN_A_ROW
        depth = _depth(run, sides) if is_apart else 0.0
        marks.append((at, _sign(run, sides), is_apart, depth))
    # Who marks some changes so marks others.
    is_habit = sum(depth >= _COVERED for *_, depth in marks) >= _HABIT
    for at, sign, is_apart, depth in marks:
        if depth >= _DEEP or (
            is_habit and (depth >= _COVERED or (is_apart and sign is SlateSign.YES))
        ):
            yield from ((shots[n].frame.file, SlateSign.YES) for n in at)
        elif sign is not SlateSign.NO:
            yield from ((shots[n].frame.file, SlateSign.DOUBTFUL) for n in at)


_Side = Sequence[FrameLight]
_Candidate = tuple[Sequence[int], Sequence[FrameLight], Sequence[_Side]]


def _candidates_together(
    shots: Sequence[Shot], frames: Sequence[FrameLight]
) -> Iterator[_Candidate]:
    """The candidates among frames of one camera and one half hour: others show another scene."""
    frame = [shot.frame for shot in shots]
    ends = [
        at
        for at in range(1, len(shots))
        if shots[at].start - shots[at - 1].end > _TOGETHER
        or (frame[at].model, frame[at].serial) != (frame[at - 1].model, frame[at - 1].serial)
    ]
    for start, end in pairwise([0, *ends, len(shots)]):
        for at, run, sides in _candidates(frames[start:end]):
            yield [start + n for n in at], run, sides


def _candidates(frames: Sequence[FrameLight]) -> Iterator[_Candidate]:
    """Frames in a row that may be one mark: their places, themselves, and those to their sides."""
    places = [at for at, one in enumerate(frames) if one.picture is not None]
    seen = [frames[at] for at in places]
    runs = list(_runs(seen))
    # Other marks tell nothing of the light around one.
    marks = {n for start, end in runs if end - start <= _IN_A_ROW for n in range(start, end)}
    around = [n for n in range(len(seen)) if n not in marks]
    for start, end in runs:
        before, after = bisect_left(around, start), bisect_left(around, end)
        sides = [
            _side(around[max(0, before - _SIDE) : before][::-1]),
            _side(around[after : after + _SIDE]),
        ]
        yield (
            places[start:end],
            seen[start:end],
            [[seen[n] for n in side] for side in sides if side],
        )


def _side(around: Sequence[int]) -> Sequence[int]:
    """The places up to the next mark, of those from the nearest on."""
    ends = (n for n in range(1, len(around)) if abs(around[n] - around[n - 1]) > 1)
    return around[: next(ends, len(around))]


def _runs(seen: Sequence[FrameLight]) -> Iterator[tuple[int, int]]:
    """Frames in a row that may be one mark, as places from and up to."""
    ends = [
        at
        for at, (one, other) in enumerate(pairwise(seen), 1)
        if not (_may_be(one) and _may_be(other) and _is_black(one) == _is_black(other))
        or abs(_light(one, other) - _light(other, one)) >= _APART
    ]
    for start, end in pairwise([0, *ends, len(seen)]):
        if start < end and _may_be(seen[start]):
            yield start, end


def _may_be(frame: FrameLight) -> bool:
    """Whether a picture is black, or has little more contrast than a hand."""
    return _is_black(frame) or _flatness(frame) < _NEARLY


def _depth(run: Sequence[FrameLight], sides: Sequence[_Side]) -> float:
    """Stops less than on both sides of what is black, or plainer than pictures are by day; else 0.

    A black picture may be darker than it shows: as far as is known, it is infinitely so.
    """
    black = all(map(_is_black, run))
    is_plain = black or (len(sides) > 1 and max(map(_flatness, run)) < _PLAIN)
    if not sides or not is_plain or any(_is_night(side) for side in sides):
        return 0.0
    depth = min(_light_about(side, _brightest(run)) for side in sides)
    return math.inf if black and depth >= _COVERED else depth


def _brightest(run: Sequence[FrameLight]) -> FrameLight:
    return max(run, key=lambda frame: _light(frame, frame))


def _sign(run: Sequence[FrameLight], sides: Sequence[_Side]) -> SlateSign:
    """What frames in a row, all alike, are among those to their sides."""
    brightest = _brightest(run)
    drops = [_light_about(side, brightest) for side in sides] or [0.0]
    drop = min(drops)
    black = all(_is_black(frame) for frame in run)
    if len(run) > _IN_A_ROW or not sides:
        return SlateSign.DOUBTFUL if black else SlateSign.NO
    flatness = max(map(_flatness, run))
    flat = flatness < 1
    if black:
        # A black picture may be darker than it shows: what is known is the least drop.
        told = drop >= _BLACK_DROP and max(drops) >= _DROP
        told = told or (brightest.through is None and all(map(_has_contrast, sides)))
        return SlateSign.YES if told else SlateSign.DOUBTFUL
    # A picture that wasn't exposed for the hand is dark itself, though a ring was closed after it.
    darker = min(_darker(brightest, side) for side in sides)
    dark = darker >= _DROP and max(drops) >= darker / 2
    deep = drop >= _DEEP and len(sides) > 1
    if not (flat or deep or dark or len(sides) > 1):
        return SlateSign.NO
    plain = flatness < _PLAIN and _brightness(brightest) > _EXPOSED_FOR
    # A ring that was turned makes one side look like night.
    may_be_sky = not plain and all(_is_night(side) for side in sides)
    if (drop >= _DROP or dark) and (flat or deep) and not may_be_sky:
        return SlateSign.YES
    shallow = flat and drop >= _SHALLOW and max(drops) >= _DROP
    return SlateSign.DOUBTFUL if shallow or dark or drop >= _DROP else SlateSign.NO


def _is_black(frame: FrameLight) -> bool:
    picture = frame.picture
    return picture is not None and picture.brightness < _BLACK and picture.contrast < _EMPTY


def _has_contrast(side: Sequence[FrameLight]) -> bool:
    """Whether most of these aren't dark, or have something in them: a capped lens shows neither."""
    shown = [
        one.picture.brightness > _BLACK + _DROP or not _may_be(one) for one in side if one.picture
    ]
    return 2 * sum(shown) > len(side)


def _flatness(frame: FrameLight) -> float:
    """The contrast of a picture, over that of a hand at the most."""
    if frame.picture is None:
        return math.inf
    share, least, most = _FLAT
    # The mean stored value, by the transfer function's power of 2.4 (IEC 61966-2-1).
    stored = 1.055 * 2 ** (frame.picture.brightness / 2.4) - 0.055
    return frame.picture.contrast / min(max(share * stored, least), most)


def _light(frame: FrameLight, beside: FrameLight) -> float:
    """log2 of the light through the lens, or of the picture's where that isn't known of both."""
    if frame.through is not None and beside.through is not None:
        return frame.through
    return _brightness(frame)


def _brightness(frame: FrameLight) -> float:
    return frame.picture.brightness if frame.picture else -math.inf


def _light_about(side: Sequence[FrameLight], frame: FrameLight) -> float:
    """By how many stops more light came through the lens in most frames of a side."""
    return median(_light(one, frame) - _light(frame, one) for one in side)


def _darker(frame: FrameLight, side: Sequence[FrameLight]) -> float:
    """By how many stops a picture is darker than most of a side."""
    return median(map(_brightness, side)) - _brightness(frame)


def _is_night(side: Sequence[FrameLight]) -> bool:
    """Whether so little light is about that a sky would be as dark; not where it isn't known."""
    through = [one.through for one in side if one.through is not None]
    return bool(through) and median(through) < _NIGHT
