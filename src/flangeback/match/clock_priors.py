"""How likely people's clocks are off, and by how much, before any frame is seen (judgement)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import timedelta
from typing import NamedTuple

import numpy as np

from flangeback.clock.model import ClockSource, StatedClock
from flangeback.match.changes import BodyTimeline
from flangeback.match.index import BodyLog
from flangeback.match.offset_odds import Floats

REACH = 26 * 3600.0
"""Seconds, either way: a day, a zone and summer time."""
_RIGHT = {ClockSource.LOG: 0.88, ClockSource.GPS: 0.97, None: 0.7}
"""How likely a clock goes as stated."""
_OFF: Sequence[tuple[float, float, float]] = (
    # Share of wrong clocks, offset and standard deviation in seconds.
    (0.90, 0, 60), (0.25, 0, 240),
    (0.30, 0, 900), (0.15, 0, 1800),
    (0.13, 3600, 30), (0.13, -3600, 30),
    (0.03, 7200, 30), (0.03, -7200, 30),
    (0.05, 43200, 30), (0.05, -43200, 30),
    (0.05, 86400, 30), (0.05, -86400, 30),
)  # fmt: skip
_SIGN_SWAPPED, _OTHER_DAY, _ANYTHING = 0.10, 0.10, 0.02
"""The same of clocks whose `fast` should have been `slow`, of those off by the days between shots
and entries, and of all other offsets."""
_SLIP, _SLIPS = 1.0, 0.25
"""Share of wrong clocks that are off by what the frames' own offset differs from the log's zone by,
and how likely such a clock isn't right for that."""
_BY_GPS = 0.5
"""Share of wrong clocks that go as satellites have it, where the log says otherwise."""
_GPS_LOCAL = 0.5
"""How likely a clock that is a zone off by satellites is right: some bodies write local time."""
_GPS_ERRORS = (0.8, 3.0), (0.1998, 30.0)
"""How satellites' time differs from the log's clock: shares, and standard deviations in seconds.
What the notes were timed by isn't always right to the second."""


class OffsetPrior(NamedTuple):
    """How likely a body's stated clock is `right`, and by what wrong ones are off.

    Each of `peaks` has the share of wrong clocks, an offset and its standard deviation (seconds).
    `by_gps` is what satellites have instead (seconds), where the log states the clock.
    """

    right: float
    peaks: Sequence[tuple[float, float, float]]
    by_gps: float | None

    @classmethod
    def of(cls, log: BodyLog, days: float) -> OffsetPrior:
        """`days` are those (seconds) by which shots and entries lie apart."""
        stated, slip = log.stated, _slip(log.timeline)
        right, by_gps = _RIGHT[stated.source], _by_gps(stated)
        peaks = [*_OFF, (_SIGN_SWAPPED, -2 * stated.ahead, 5), (_OTHER_DAY, days, 30)]
        peaks += [(_OTHER_DAY / 4, days + by, 30) for by in (-3600, 3600)]
        if slip:
            right *= 1 - _SLIPS
            peaks.append((_SLIP, slip, 5.0))
        if stated.source is ClockSource.GPS and _is_zone(stated.ahead):
            right *= 1 - _GPS_LOCAL
            peaks.append((_GPS_LOCAL, -stated.ahead, 5.0))
        if by_gps is not None:
            peaks.append((_BY_GPS, by_gps, 5.0))
        return cls(right, peaks, by_gps)

    def of_wrong(self, offsets: Floats) -> Floats:
        """The prior density (per second) of each offset; that of all but the right one."""
        total = _ANYTHING + sum(share for share, *_ in self.peaks)
        found = np.full(len(offsets), _ANYTHING / (4 * REACH))
        for share, at, deviation in self.peaks:
            found += share * np.exp(-(((offsets - at) / deviation) ** 2) / 2) / deviation / 2.5066
        scaled: Floats = found / total * (1 - self.right)
        return scaled

    def by_satellites(self, offsets: Floats) -> Floats:
        """The log likelihood of satellites' times by each offset; 0 where they tell nothing."""
        if self.by_gps is None:
            return np.zeros(len(offsets))
        found = np.full(len(offsets), 1 - sum(share for share, _ in _GPS_ERRORS))
        for share, error in _GPS_ERRORS:
            found += share * np.exp(-(((offsets - self.by_gps) / error) ** 2) / 2)
        logs: Floats = np.log(found)
        return logs


def _by_gps(stated: StatedClock) -> float | None:
    """By how many seconds more the clock is ahead by satellites; None where that may be a zone."""
    off = None if stated.by_gps is None else stated.by_gps - stated.ahead
    return None if off is None or _is_zone(off) else off


def _is_zone(seconds: float) -> bool:
    """Whether as much may be a zone's difference: quarters of an hour, from half an hour on."""
    return abs(seconds) >= 1770 and abs(seconds - round(seconds / 900) * 900) <= 30


def _slip(timeline: BodyTimeline) -> float:
    """Seconds by which most frames' own offset from UTC differs from the log's zone; 0 for none.

    A body left on winter time shows it there, if somebody set its clock and not its offset.
    """
    zone, times = timeline.clock.zone, [shot.frame.time for shot in timeline.shots]
    if zone is None:
        return 0.0
    found = Counter(
        (zone.utcoffset(time.at) or timedelta(0)) - time.offset
        for time in times
        if time and time.offset is not None
    )
    slip, count = found.most_common(1)[0] if found else (timedelta(0), 0)
    return slip.total_seconds() if 2 * count > len(times) else 0.0
