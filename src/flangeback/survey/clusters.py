"""A body's frames in the order of its clock, cut where it paused."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from statistics import median

from flangeback.frames.model import Frame
from flangeback.survey.model import FrameSequence

Timed = Sequence[tuple[datetime, Frame]]
"""Frames in the order of their body's clock, each with its reading."""
SHORTEST_PAUSE = 120.0
"""Seconds. Changing a manual lens with its adapter takes about one minute (common practice)."""
LONGEST_STRIDE = 1800.0
"""Seconds: nobody's ordinary stride from frame to frame is longer than this."""
_MANY_TIMES = 3
_ONE_RELEASE = 10.0
"""Seconds: frames closer than this are of one view, and say nothing of the stride."""


def in_time(frames: Iterable[Frame]) -> list[tuple[datetime, Frame]]:
    """The frames that carry a time, in its order; where times are equal, in that of the names."""
    timed = [(frame.time.at, frame) for frame in frames if frame.time is not None]
    return sorted(timed, key=lambda one: (one[0], one[1].file.casefold()))


def pause_of(timed: Timed) -> float:
    """From how many seconds on a gap is a pause: three times the body's usual stride."""
    gaps = [(later - earlier).total_seconds() for (earlier, _), (later, _) in pairwise(timed)]
    strides = [gap for gap in gaps if gap >= _ONE_RELEASE]
    usual = median(strides) if strides else 0.0
    return min(max(SHORTEST_PAUSE, _MANY_TIMES * usual), LONGEST_STRIDE)


def clusters(timed: Timed, pause: float) -> Iterator[Timed]:
    """The frames between pauses."""
    start = 0
    for number, ((earlier, _), (later, _)) in enumerate(pairwise(timed), 1):
        if (later - earlier).total_seconds() >= pause:
            yield timed[start:number]
            start = number
    if timed:
        yield timed[start:]


def stretch(timed: Timed) -> FrameSequence:
    """Some frames in a row, summed up."""
    (start, first), (end, last) = timed[0], timed[-1]
    return FrameSequence(len(timed), first.file, last.file, start, end)
