"""What a body's readings tell of its clock: set along the way, told by satellites, off the log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta, tzinfo
from itertools import pairwise
from statistics import median

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import SECOND, BodyClock, Reference, instant, microseconds, placed
from flangeback.frames.model import CameraTime, Frame
from flangeback.match.names import numbered
from flangeback.match.timeline import Timeline

NEXT = 3
"""Names so close in count were made one after the other, with one or two deleted between."""
MOST_SET = 3
"""Times that a clock may have been set in one outing."""
BACK = 2 * SECOND
"""Microseconds that the reading of a later frame may lie back: bodies write bursts late."""
_SATELLITE_ERROR = SECOND
"""Microseconds. GPS time is exact, but bodies write it to the second, some a fix old."""
_LEAST_FIXES = 3


_MISSES_BEFORE = 300 * SECOND
"""Microseconds. Whoever keeps a log begins it with the outing."""
_MISSES_AFTER = 6 * 3600 * SECOND
"""Microseconds. The last entry holds on; half a day later it is another outing."""


def set_back(frames: Iterable[Frame], zone: tzinfo | None) -> str | None:
    """Words for the first place where the count goes on and the reading goes back: the clock was
    set in between. Readings that occur twice, where clocks change, prove nothing; neither do names
    that go back all the time: they were given anew."""
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


def count_of(frame: Frame) -> tuple[str, int]:
    """What a frame is counted within, its folder and the letters of its name, and its number."""
    letters, number = numbered(frame.stem)
    return f"{frame.file.rpartition('/')[0]}/{letters}", number


def is_ambiguous(time: CameraTime, zone: tzinfo | None) -> bool:
    """Whether a reading occurs twice, or never, where clocks change."""
    return instant(placed(time, zone, 0)) != instant(placed(time, zone, 1))


def clock_by_satellites(frames: Iterable[Frame], zone: tzinfo | None) -> BodyClock | None:
    """The clock that the frames' GPS times tell; None without a zone, or where too few agree.

    A body may write the time of its last fix, minutes old: only those that agree with the middle
    of all count, and they have to be most of them.
    """
    if zone is None:
        return None
    fixes = [
        _fix(frame, frame.time, zone)
        for frame in frames
        if frame.time is not None and frame.gps_time is not None
    ]
    if len(fixes) < _LEAST_FIXES:
        return None
    middle = median(fix.ahead for fix in fixes)
    agreeing = [fix for fix in fixes if abs(fix.ahead - middle) <= 2 * fix.error]
    return fit_clock(agreeing) if 2 * len(agreeing) > len(fixes) else None


def _fix(frame: Frame, time: CameraTime, zone: tzinfo) -> Reference:
    assert frame.gps_time is not None
    half = microseconds(time.resolution) / 2
    true = instant(frame.gps_time) + SECOND / 2
    return Reference(instant(placed(time, zone)) + half, true, half + _SATELLITE_ERROR, frame.stem)


def misses(body: str | None, timeline: Timeline, spans: Sequence[tuple[int, int]]) -> str | None:
    """Words for a log whose entries all miss the frames of a body, by how much, and what line may
    be missing. `spans` are the frames' times, earliest and latest."""
    if not spans or not timeline.changes:
        return None
    first, last = min(start for start, _ in spans), max(end for _, end in spans)
    begins = min(change.earliest for change in timeline.changes)
    ends = max(change.latest for change in timeline.changes)
    if last + _MISSES_BEFORE <= begins:
        way, off, clock = "before the first entry", begins - first, "slow"
    elif first >= ends + _MISSES_AFTER and len(timeline.changes) > 1:
        way, off, clock = "after the last entry", first - begins, "fast"
    else:
        return None
    apart = begins - last if last <= begins else first - ends
    name = f" {body}" if body else ""
    return (
        f"all frames of {body or 'the body'} lie {amount(apart)} or more {way}: is a `zone` line "
        f"missing, another `date` meant, or a line such as `clock{name} {clock} {amount(off)}`?"
    )


def amount(microseconds_: float) -> str:
    """A span of time as the log writes it, to the second below an hour, else to the minute."""
    return "".join(_parts(timedelta(microseconds=microseconds_)))


def _parts(span: timedelta) -> Iterator[str]:
    seconds = round(span.total_seconds())
    if seconds >= 3600:
        seconds = round(seconds / 60) * 60
    if seconds >= 3600:
        yield f"{seconds // 3600}h"
    if seconds >= 60:
        yield f"{seconds // 60 % 60}m"
    if seconds < 3600:
        yield f"{seconds % 60}s"
