"""What the frames say of the bodies' clocks: GPS time, counters, bursts of the same scene."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import combinations, pairwise
from statistics import median

from flangeback.clock.counting import count_of
from flangeback.frames.model import Frame
from flangeback.survey.clusters import Timed
from flangeback.survey.model import BodyName, ClockGap, Disorder

_QUARTER = timedelta(minutes=15)
"""Civil zones are whole quarters of an hour from UTC (common practice)."""
_SPREAD = 90.0
"""Seconds: where GPS times disagree by more, some are old fixes, and none tells."""
_BURST_GAP, _BURST_FRAMES = 2.0, 3
_TOGETHER = 5.0
"""Seconds: bursts of one scene start within this of one another."""
_FEWEST_BURSTS, _MOST_BURSTS = 4, 400
_APART = 30.0
"""Seconds: two shifts closer than this are one answer."""


def gps_ahead(frames: Sequence[Frame]) -> tuple[int, timedelta | None, bool]:
    """How many frames carry a GPS time, how far the clock is ahead of it, whether that is all.

    Where no offset from UTC is stated, whole quarters of an hour are left out. None where the
    frames disagree.
    """
    found = [
        (frame.time.at - frame.gps_time.replace(tzinfo=None), frame.time.offset)
        for frame in frames
        if frame.time is not None and frame.gps_time is not None
    ]
    if not found:
        return 0, None, True
    whole = all(offset is not None for _, offset in found)
    ahead = [
        (difference - (offset or timedelta(0)) if whole else difference).total_seconds()
        for difference, offset in found
    ]
    middle = median(ahead)
    if max(abs(one - middle) for one in ahead) > _SPREAD:
        return len(found), None, whole
    clock = timedelta(seconds=round(middle))
    if not whole:
        clock = (clock + _QUARTER / 2) % _QUARTER - _QUARTER / 2
    return len(found), clock, whole


def disorders(timed: Timed) -> Iterator[Disorder]:
    """Where the counter goes back though time goes on, within one folder and one kind of name."""
    latest: dict[str, tuple[int, datetime, str]] = {}
    for at, frame in timed:
        series, number = count_of(frame)
        if number < 0:
            continue
        before = latest.get(series)
        # From 9999 a counter goes on with 0001 (DCF, CIPA DC-009).
        if before is not None and 0 < before[0] - number < 5000 and before[1] < at:
            yield Disorder(before[2], frame.file, before[1], at)
        latest[series] = number, at, frame.file


def burst_gaps(bodies: Mapping[BodyName, Timed]) -> Iterator[ClockGap]:
    """Clocks by which two bodies' bursts fit together, where one shift stands out."""
    starts = {name: list(_bursts(timed)) for name, timed in bodies.items()}
    for (one, its), (other, others) in combinations(starts.items(), 2):
        if (found := _shift(its, others)) is not None:
            by, bursts = found
            ahead, behind = (one, other) if by > 0 else (other, one)
            yield ClockGap(ahead, behind, timedelta(seconds=abs(by)), bursts)


def _bursts(timed: Timed) -> Iterator[float]:
    """When each burst starts, in seconds."""
    run = 1
    for (earlier, _), (later, _) in pairwise(timed):
        if (later - earlier).total_seconds() > _BURST_GAP:
            run = 1
            continue
        run += 1
        if run == _BURST_FRAMES:
            yield (earlier - datetime.min).total_seconds()


def _shift(its: Sequence[float], others: Sequence[float]) -> tuple[int, int] | None:
    """By how many seconds the first body's bursts come later, and how many fit.

    None where no shift stands out, or they fit as they are.
    """
    fewest = min(len(its), len(others))
    if fewest < _FEWEST_BURSTS or max(len(its), len(others)) > _MOST_BURSTS:
        return None
    shifts = sorted(mine - theirs for mine in its for theirs in others)
    fits = [(bisect_right(shifts, shift + 2 * _TOGETHER) - n, n) for n, shift in enumerate(shifts)]
    count, at = max(fits, key=lambda fit: fit[0])
    by = median(shifts[at : at + count])
    rivals = [fit for fit, n in fits if abs(shifts[n] - by) > _APART]
    enough = count >= _FEWEST_BURSTS and 2 * count > fewest
    if not enough or 2 * max(rivals, default=0) > count or abs(by) <= 2 * _TOGETHER:
        return None
    return round(by), count
