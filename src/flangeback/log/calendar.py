"""The day and the zone that hold at a line of the log, and the times that they make of words."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, timedelta, tzinfo

from flangeback.log import values
from flangeback.log.model import Moment
from flangeback.log.text import Fault, Place, noted
from flangeback.log.tokenizer import Tokenizer
from flangeback.log.values import WallTime
from flangeback.log.vocabulary import A_DATE, A_TIME, A_ZONE, pattern

DATE_RULES = (*values.DATES, *values.DATE_LINES)
"""What a date on a line of its own looks like."""
_SEPARATORS = " .,;:"
_ANY_DAY = date(2000, 1, 1)
"""Stands in where the date is missing, so that times are still held against each other."""


def is_date(text: str) -> bool:
    """Whether a line is a date, with or without its weekday, and nothing else."""
    weekday = pattern("weekday").match(text)
    rest = text[weekday.end() :].strip(_SEPARATORS) if weekday else text
    found = (pattern(rule).match(rest) for rule in DATE_RULES)
    return not rest or any(one and not rest[one.end() :].strip(_SEPARATORS) for one in found)


class Calendar:
    """Reads `date` and `zone` lines, and keeps the entries' times in order.

    `days` are those on which frames were made, where they are known.
    """

    def __init__(self, faults: list[Fault], days: Collection[date] = ()) -> None:
        self.faults = faults
        self.days = days
        self.day: date | None = None
        self.zone: tzinfo | None = None
        self._is_day_told = False
        self._zone_line: int | None = None
        self._first_timed: int | None = None
        self._above: tuple[Moment, Place] | None = None

    def read_date(self, words: Tokenizer, head: Place) -> None:
        """The rest of a `date` line. Raises Fault."""
        # Below a date that can't be read, entries have no second fault for want of a date.
        self.day, self._is_day_told = None, True
        if words.at_end:
            raise head.fault("which date?", A_DATE)
        token = words.read(*DATE_RULES)
        if token is None:
            raise words.rest.fault(f'"{words.rest.text}" isn\'t a date', A_DATE)
        weekday = token if token.rule == "weekday" else None
        day = values.calendar_date(words.read(*DATE_RULES) or token, self.days)
        if weekday is not None and not values.is_weekday(day, weekday):
            raise weekday.place.fault(f"{day} is no {weekday.text}", "the day and its weekday")
        self.day = day

    def read_zone(self, words: Tokenizer, head: Place) -> None:
        """The rest of a `zone` line. Raises Fault."""
        if words.at_end:
            raise head.fault("which zone?", A_ZONE)
        first, self._zone_line = self._zone_line, self._zone_line or head.line.number
        if (token := words.read("offset")) is not None:
            place, zone = token.place, values.zone_offset(token)
        else:
            place = words.read_word()
            zone = values.zone_named(place)
        if self.zone is not None and zone != self.zone:
            expected = "one zone in a log (more than one log may be given, with --log)"
            raise place.fault(f"line {first} gives another zone", expected)
        if self._first_timed is not None and first is None:
            text = f"the zone stands below the time in line {self._first_timed}"
            raise head.to(place).fault(text, "it above the first time")
        self.zone = zone

    def read_shown(self, words: Tokenizer, head: Place) -> Moment | None:
        """The time that a clock showed; None where no date tells its day. Raises Fault."""
        token = words.read("time", "bare hour")
        if token is None:
            place = head if words.at_end else words.rest
            raise place.fault("shows which time?", A_TIME)
        time = values.wall_time(token)
        return self._moment(time) if self.has_day(token.place) else None

    def has_day(self, place: Place) -> bool:
        """Whether a date holds at the time here; that it is missing is noted once in a log."""
        self._first_timed = self._first_timed or place.line.number
        if self.day is None and not self._is_day_told:
            self.faults.append(place.fault("which day?", "a line `date YYYY-MM-DD` above"))
            self._is_day_told = True
        return self.day is not None

    def moments(
        self, place: Place, start: WallTime | None, end: WallTime | None
    ) -> tuple[Moment | None, Moment | None]:
        """Start and end of the entry that has its time here; None where they have a fault."""
        is_dated = self.has_day(place)
        with noted(self.faults):
            if start is None:
                return None, None
            first, last = self._moment(start), None if end is None else self._moment(end)
            if last is not None and last.latest <= first.earliest:
                text = "this ends before it starts"
                expected = "the earlier time first; what runs past midnight is split there by a "
                raise place.fault(text, expected + "`date`")
            if is_dated:
                self._check_order(first, place, start)
                return first, last
        return None, None

    def _moment(self, time: WallTime) -> Moment:
        return values.moment(self.day or _ANY_DAY, time, self.zone)

    def _check_order(self, start: Moment, place: Place, time: WallTime) -> None:
        """Note an entry that is earlier than the one above it."""
        above, self._above = self._above, (start, place)
        if above is None or start.latest > above[0].earliest:
            return
        then, where = above
        is_new_day = then.earliest.date() != start.earliest.date()
        day = f"{then.earliest:%Y-%m-%d} " if is_new_day else ""
        text = f"earlier than the entry above ({day}{where.text} in line {where.line.number})"
        expected = "entries in order of time" if is_new_day else self._later(then, time)
        self.faults.append(place.fault(text, expected))

    def _later(self, then: Moment, time: WallTime) -> str:
        """What a time that is earlier than the one above may have been meant to be."""
        next_day = then.earliest.date() + timedelta(days=1)
        midnight = f"`date {next_day}` above it, if midnight lies between"
        afternoon = time.in_half("pm")
        wall = then.earliest.hour * 3600 + then.earliest.minute * 60
        if afternoon is None or afternoon.seconds == time.seconds or afternoon.seconds < wall:
            return midnight
        return f"{afternoon.hour}:{afternoon.minute:02}, if it was in the afternoon; {midnight}"
