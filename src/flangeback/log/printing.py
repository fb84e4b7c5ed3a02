"""Printing a session log in its plainest form, which reads as the same log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal

from flangeback.log.model import (
    Aperture,
    ApertureKind,
    ClockOffset,
    ClockReference,
    Entry,
    FrameName,
    FrameRange,
    Moment,
    SessionLog,
)
from flangeback.log.text import clean_word
from flangeback.log.values import names_one_frame
from flangeback.words import duration, utc_offset


def format_log(log: SessionLog) -> str:
    """The log as text: reading it again with the same kit gives an equal log.

    Comments are not kept. Raises ValueError for a zone that has neither a name nor one offset.
    """
    return "".join(f"{line}\n" for line in _Printer(log).lines())


class _Printer:
    def __init__(self, log: SessionLog) -> None:
        self.log = log
        self.day: date | None = None

    def lines(self) -> Iterator[str]:
        log = self.log
        if log.zone is not None:
            yield f"zone {_zone(log.zone)}"
        if log.slack:
            yield f"slack {duration(log.slack)}"
        for clock in log.clocks:
            yield from self._clock(clock)
        for entry in log.entries:
            yield from self._entry(entry)
        if log.slates:
            yield f"slate {_names(log.slates)}"
        if log.not_slates:
            yield f"not-slate {_names(log.not_slates)}"

    def _clock(self, clock: ClockOffset | ClockReference) -> Iterator[str]:
        words = ["clock", *_given(clock.body)]
        if isinstance(clock, ClockOffset):
            way = "slow" if clock.ahead < timedelta(0) else "fast"
            yield " ".join([*words, way, duration(clock.ahead)])
        else:
            yield from self._new_day(clock.shows)
            yield " ".join([*words, clock.frame.name, "shows", self._time(clock.shows)])

    def _entry(self, entry: Entry) -> Iterator[str]:
        words: list[str] = []
        if entry.start is not None:
            yield from self._new_day(entry.start)
            end = "" if entry.end is None else f"-{self._time(entry.end)}"
            words.append(self._time(entry.start) + end)
        if entry.frames is not None:
            words.append(_frames(entry.frames))
        words += _given(entry.order)
        words += _given(entry.body, entry.lens)
        if entry.aperture is not None:
            words.append(_aperture(entry.aperture))
        if entry.focal_length is not None:
            words.append(f"{_plain(entry.focal_length)}mm")
        if entry.adapter is not None:
            words.append(f"via {entry.adapter}")
        if entry.off:
            words.append("off")
        if entry.remark is not None:
            words.append(_quoted(entry.remark))
        yield " ".join(words)

    def _new_day(self, moment: Moment) -> Iterator[str]:
        day = self._wall(moment.earliest).date()
        if day != self.day:
            self.day = day
            yield f"date {day}"

    def _time(self, moment: Moment) -> str:
        """To the minute or to the second, as it was written.

        The last second of the moment tells, since a time that occurs twice in a clock change is
        an hour wide, whatever its precision.
        """
        first = self._wall(moment.earliest)
        last = self._wall(moment.latest - timedelta(seconds=1))
        return f"{first:%H:%M:%S}" if first == last else f"{first:%H:%M}"

    def _wall(self, instant: datetime) -> datetime:
        if self.log.zone is not None:
            instant = instant.astimezone(self.log.zone)
        return instant.replace(tzinfo=None, fold=0)


def _given(*words: str | None) -> list[str]:
    return [word for word in words if word is not None]


def _zone(zone: tzinfo) -> str:
    key = getattr(zone, "key", None)
    if isinstance(key, str):
        return key
    offset = zone.utcoffset(None)
    if not isinstance(zone, timezone) or offset is None:
        raise ValueError(f"the zone {zone!r} has no name to print")
    return utc_offset(offset)


def _aperture(aperture: Aperture) -> str:
    if aperture.kind is ApertureKind.OPEN:
        return "open"
    if aperture.kind is ApertureKind.NOT_NOTED:
        return "f/?"
    return "f/" + "-".join(map(_plain, aperture.stops))


def _plain(number: Decimal) -> str:
    return format(number, "f")


def _names(frames: Iterable[FrameName]) -> str:
    return " ".join(frame.name for frame in frames)


def _frames(frames: FrameRange) -> str:
    first, last = frames.first.name, frames.last.name
    return first if first == last and names_one_frame(first) else f"{first}..{last}"


def _quoted(remark: str) -> str:
    """In the quotes that don't stand in it themselves."""
    return f"'{remark}'" if '"' in clean_word(remark) else f'"{remark}"'
