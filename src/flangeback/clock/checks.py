"""What a body's readings tell of its clock: told by satellites, set back, off the log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta, tzinfo
from itertools import pairwise
from statistics import median

from flangeback.clock.counting import NEXT, count_of
from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import (
    SECOND,
    BodyClock,
    ClockHistory,
    Reference,
    instant,
    microseconds,
    placed,
    readings,
)
from flangeback.frames.model import CameraTime, Frame
from flangeback.words import duration

MOST_SET = 3
"""Times that a clock may have been set in one outing."""
BACK = 2 * SECOND
"""Microseconds that the reading of a later frame may lie back: bodies write bursts late."""
_SAME_OUTING = 300 * SECOND
"""Microseconds between the last frame of one card and the first of the next."""
_LONG_ROW = 8
"""Frames whose numbers rise with their readings; the names of fewer may be anybody's."""
_SATELLITE_ERROR = SECOND
"""Microseconds. GPS time is exact, but bodies write it to the second, some a fix old."""
_LONE_ERROR = 60 * SECOND
"""The same of a lone fix, whose age no other tells."""
_MISSES_BEFORE = 300 * SECOND
"""Microseconds. Whoever keeps a log begins it with the outing."""
_MISSES_AFTER, _MISSES_AFTER_MANY, _MANY = 3 * 3600 * SECOND, 1200 * SECOND, 3
"""Microseconds. The last entry holds on; hours later it is another outing. Whoever notes so
many changes makes frames among them: shorter after so many."""


def set_back(frames: Iterable[Frame], zone: tzinfo | None) -> str | None:
    """Words for the first place where the count goes on and the reading goes back.

    The clock was set in between.

    Readings that occur twice, where clocks change by law, prove nothing; neither do names that go
    back all the time: they were given anew.
    """
    counted = sorted(
        (*count_of(frame), instant(placed(frame.time, zone)), frame.stem)
        for frame in frames
        if frame.time is not None and not is_ambiguous(frame.time, zone)
    )
    found = [
        f"{later} follows {stem} by its count, but its reading is {amount(at - then)} "
        "earlier: the body's clock was set in between"
        for (series, number, at, stem), (other, following, then, later) in pairwise(counted)
        if series == other and 0 < following - number <= NEXT and then < at - BACK
    ]
    return found[0] if 0 < len(found) <= MOST_SET else None


def two_ways(frames: Sequence[Frame], clock: ClockHistory, body: str | None) -> str | None:
    """Words for an amount by which a clock is off, over a change of summer time; None for none.

    It is another by wall clocks than in UTC, in which it counts.
    """
    zone, ahead = clock.zone, timedelta(microseconds=round(clock.clock.ahead))
    is_amount = ahead and not clock.clock.error
    for frame in frames if zone is not None and is_amount else ():
        time, true = frame.time, clock.true_time(frame)
        if time is None or time.offset is not None or true is None:
            continue
        by_wall = (time.at - ahead).replace(tzinfo=true.at.tzinfo)
        if by_wall.utcoffset() != time.at.replace(tzinfo=zone).utcoffset():
            name = f" {body}" if body else ""
            return (
                f"summer time began or ended between the clock's reading and the true time: in "
                f"UTC {frame.stem} was made at {true.at:%H:%M:%S}, as two wall clocks differ at "
                f"{by_wall:%H:%M:%S}: say which, such as by `clock{name} {frame.stem} shows "
                f"{by_wall:%H:%M:%S}`"
            )
    return None


def is_surely_set(frames: Iterable[Frame], zone: tzinfo | None) -> bool:
    """Whether readings go back once, amid two long rows of frames, and nothing else explains it.

    Importers count anew, some the second card first: its frames begin soon after the others end.
    """
    counted = sorted(
        (*count_of(frame), instant(placed(frame.time, zone))) for frame in frames if frame.time
    )
    times = [at for _, _, at in counted]
    falls = [n for n in range(1, len(times)) if times[n] < times[n - 1] - BACK]
    if len(falls) != 1 or not _LONG_ROW <= falls[0] <= len(times) - _LONG_ROW:
        return False
    return not 0 <= min(times[: falls[0]]) - max(times[falls[0] :]) <= _SAME_OUTING


def is_ambiguous(time: CameraTime, zone: tzinfo | None) -> bool:
    """Whether a reading occurs twice, or never, where clocks change by law."""
    one, other = readings(time, zone)
    return one != other


def clock_by_satellites(frames: Iterable[Frame], zone: tzinfo | None) -> BodyClock | None:
    """The clock that the frames' GPS times tell; None where they don't agree.

    Without a zone, the frames' own offset from UTC tells how the wall clock went.
    A body may write the time of its last fix, minutes old: only those that agree with the middle
    of all count, and they have to be most of them.
    """
    fixes = [fix for frame in frames if (fix := _fix(frame, zone)) is not None]
    if not fixes:
        return None
    if len(fixes) == 1:
        return fit_clock([replace(fixes[0], error=fixes[0].error + _LONE_ERROR)])
    middle = median(fix.ahead for fix in fixes)
    agreeing = [fix for fix in fixes if abs(fix.ahead - middle) <= 2 * fix.error]
    return fit_clock(agreeing) if 2 * len(agreeing) > len(fixes) else None


def _fix(frame: Frame, zone: tzinfo | None) -> Reference | None:
    time = frame.time
    if time is None or frame.gps_time is None or (zone is None and time.offset is None):
        return None
    half = microseconds(time.resolution) / 2
    camera = instant(placed(time, zone)) + half
    true = instant(frame.gps_time) + SECOND / 2
    if zone is None:
        true += microseconds(time.offset or timedelta(0))
    return Reference(camera, true, half + _SATELLITE_ERROR, frame.stem)


def misses(
    body: str | None, entries: Sequence[tuple[int, int]], frames: Sequence[tuple[int, int]]
) -> str | None:
    """Words for a log whose entries all miss the frames of a body, and what may be missing.

    Both come as stretches of the log's time, from the earliest up to the latest.
    """
    if not frames or not entries:
        return None
    first, last = min(start for start, _ in frames), max(end for _, end in frames)
    begins, ends = min(start for start, _ in entries), max(end for _, end in entries)
    after = _MISSES_AFTER if len(entries) < _MANY else _MISSES_AFTER_MANY
    if last + _MISSES_BEFORE <= begins:
        way, apart, off, clock = "before the first entry", begins - last, begins - first, "slow"
    elif first >= ends + after and len(entries) > 1:
        way, apart, off, clock = "after the last entry", first - ends, first - begins, "fast"
    else:
        return None
    name = f" {body}" if body else ""
    return (
        f"all frames of {body or 'the body'} lie {amount(apart)} or more {way}: is a `zone` line "
        f"missing, another `date` meant, or a line such as `clock{name} {clock} {amount(off)}`?"
    )


def amount(length: float) -> str:
    """So many microseconds, whatever their sign, in words; to the minute from an hour on."""
    step = 60 * SECOND if abs(length) >= 3600 * SECOND else SECOND
    return duration(timedelta(microseconds=round(length / step) * step))
