"""What the words of a log are worth: times, amounts of time, dates, zones, f-numbers.

Each function takes what a rule found and gives a value, or raises Fault with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from functools import cache
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

from flangeback.errors import nearest
from flangeback.log.model import Aperture, ApertureKind, Moment
from flangeback.log.text import Place
from flangeback.log.tokenizer import Token
from flangeback.log.vocabulary import A_DATE, A_TIME, A_ZONE

Half = Literal["am", "pm"]
_FIRST_YEAR, _LAST_YEAR = 1900, 2199


@dataclass(frozen=True, slots=True)
class WallTime:
    """A time of day as written, and where.

    `half` is "am" or "pm" where one was written; the hour counts it in already.
    """

    place: Place
    hour: int
    minute: int
    second: int | None = None
    half: Half | None = None

    def __str__(self) -> str:
        return f"{self.hour:02}:{self.minute:02}" + (
            "" if self.second is None else f":{self.second:02}"
        )

    def in_half(self, half: Half) -> WallTime | None:
        """The same numbers read as am or pm; None where they can't be."""
        if self.half is not None or not 1 <= self.hour <= 12:
            return None
        hour = self.hour % 12 + (12 if half == "pm" else 0)
        return WallTime(self.place, hour, self.minute, self.second, half)

    @property
    def seconds(self) -> int:
        """From midnight to its start."""
        return (self.hour * 60 + self.minute) * 60 + (self.second or 0)


def wall_time(token: Token) -> WallTime:
    """The time of day that a `time`, `either` or `bare hour` token says.

    The last always raises: it would claim a precision that nobody wrote.
    """
    place, match = token.place, token.match
    if token.rule == "either":
        return WallTime(place, 1, int(match[1]))
    if token.rule == "bare hour":
        half = _half(match[2])
        suggestion = f"{match[1]}h00" if half is None else f"{match[1]}:00 {half}"
        raise place.fault(f"{place.text} has no minutes", A_TIME, suggestion)
    hour, minute, half = int(match[1]), int(match[3]), _half(match[5])
    second = None if match[4] is None else int(match[4])
    if half is not None:
        if not 1 <= hour <= 12:
            text = f"{place.text} mixes the 24-hour and the 12-hour clock"
            raise place.fault(text, "an hour from 1 to 12 with am or pm")
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute, second or 0) == (24, 0, 0):
        raise place.fault(f"{place.text} is the next day", "00:00 under the next day's `date`")
    if hour > 23:
        raise place.fault(f"there is no hour {hour}", A_TIME)
    if minute > 59:
        raise place.fault(f"there is no minute {minute:02}", "a minute from 00 to 59")
    if second is not None and second > 59:
        raise place.fault(f"there is no second {second:02}", "a second from 00 to 59")
    return WallTime(place, hour, minute, second, half)


def _half(written: str | None) -> Half | None:
    if written is None:
        return None
    return "am" if written.strip()[0].lower() == "a" else "pm"


def start_before(start: WallTime, end: WallTime) -> WallTime:
    """The start of `start-end`; when only the end says am or pm, both do, if that is in order."""
    if end.half is None:
        return start
    same = start.in_half(end.half)
    return same if same is not None and same.seconds <= end.seconds else start


def moment(day: date, time: WallTime, zone: tzinfo | None) -> Moment:
    """The minute or second that this time of day is, on this day.

    With a zone both ends are aware, at the fixed offset that held, so that arithmetic across a
    clock change is right. Raises Fault for a time that a clock change left out.
    """
    wall = datetime(day.year, day.month, day.day, time.hour, time.minute, time.second or 0)
    width = timedelta(minutes=1) if time.second is None else timedelta(seconds=1)
    if zone is None:
        return Moment(wall, wall + width)
    instants = [instant for fold in (0, 1) if (instant := _instant(wall, zone, fold)) is not None]
    if not instants:
        raise time.place.fault(
            f"there is no {wall:%H:%M} on {day} in this zone: the clocks went forward over it",
            "a time before or after the change",
        )
    # A time that occurs twice may be either: it reaches from the first to the second.
    return Moment(_fixed(instants[0], zone), _fixed(instants[-1] + width, zone))


def _instant(wall: datetime, zone: tzinfo, fold: int) -> datetime | None:
    """The UTC instant of a wall-clock time; None where the clocks skip it."""
    instant = wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)
    return instant if instant.astimezone(zone).replace(tzinfo=None, fold=0) == wall else None


def _fixed(instant: datetime, zone: tzinfo) -> datetime:
    local = instant.astimezone(zone)
    offset = local.utcoffset()
    assert offset is not None
    return local.replace(tzinfo=timezone(offset), fold=0)


def amount(token: Token) -> timedelta:
    """The time that an `amount`, `amount, unclear` or `zero` token says."""
    if token.rule == "zero":
        return timedelta(0)
    if token.rule == "amount, unclear":
        minutes, seconds = token.match.groups()
        text = f"{token.text} can be minutes or hours"
        raise token.place.fault(text, f"{minutes}m{seconds}s or {minutes}h{seconds}m")
    hours, minutes, seconds = (int(part or 0) for part in token.match.groups())
    return timedelta(hours=hours, minutes=minutes, seconds=seconds)


def calendar_date(token: Token) -> date:
    """The day that a token of one of the date rules says, year first."""
    place = token.place
    if token.rule == "date, year last":
        readings = _readings(*(int(part) for part in token.match.groups()))
        text = "a date is written with the year first"
        if len(readings) == 1:
            raise place.fault(text, A_DATE, readings[0])
        raise place.fault(text, " or ".join(readings) or A_DATE)
    if token.rule == "date, run together":
        suggestion = "-".join(token.match.groups())
        raise place.fault("a date is written with dashes", A_DATE, suggestion)
    year, month, day = (int(token.match[part]) for part in (1, 3, 4))
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        expected = f"a year from {_FIRST_YEAR} to {_LAST_YEAR}"
        raise place.fault(f"{year} can't be the year of a frame", expected)
    try:
        return date(year, month, day)
    except ValueError:
        if not 1 <= month <= 12:
            raise place.fault(f"there is no month {month}", A_DATE) from None
        raise place.fault(f"{year}-{month:02} has no day {day}", A_DATE) from None


def _readings(first: int, second: int, year: int) -> list[str]:
    """Both ways to read a date with the year last, as far as they are dates."""
    return [
        f"{year:04}-{month:02}-{day:02}"
        for day, month in dict.fromkeys([(first, second), (second, first)])
        if 1 <= month <= 12 and 1 <= day <= 31
    ]


def zone_offset(token: Token) -> tzinfo:
    """The fixed zone that an `offset` token says."""
    sign, hours, minutes = token.match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes or 0))
    # Civil time reaches from UTC-12:00 to UTC+14:00.
    if int(minutes or 0) > 59 or offset > timedelta(hours=14 if sign == "+" else 12):
        expected = "an offset from -12:00 to +14:00"
        raise token.place.fault(f"there is no zone {token.text}", expected)
    return timezone(offset if sign == "+" else -offset)


@cache
def _zones() -> dict[str, str]:
    return {name.casefold(): name for name in available_timezones()}


def zone_named(place: Place) -> tzinfo:
    """The time zone of the name that stands here, in any case of letters."""
    name = place.text.casefold()
    if name in ("z", "utc"):
        return UTC
    if name in _zones():
        return ZoneInfo(_zones()[name])
    known = sorted(_zones().values())
    city = next((zone for zone in known if zone.rpartition("/")[2].casefold() == name), None)
    suggestion = city or nearest(place.text, _zones().values())
    raise place.fault(f'there is no time zone "{place.text}"', A_ZONE, suggestion)


def number(written: str) -> Decimal:
    """A number as written, with point or comma, without zeros that say nothing."""
    return tidy(Decimal(written.replace(",", ".")))


def tidy(value: Decimal) -> Decimal:
    """The same number, written plainly: 2.80 as 2.8, 1.6E+1 as 16."""
    return Decimal(format(value.normalize(), "f"))


def aperture(token: Token) -> Aperture:
    """The aperture that an f-number, `open` or `either` token says."""
    if token.rule == "open":
        return Aperture(ApertureKind.OPEN)
    if token.rule == "f-number not noted":
        return Aperture(ApertureKind.NOT_NOTED)
    written = [group for group in token.match.groups() if group is not None]
    stops = tuple(sorted({number(group) for group in written}))
    if stops[0] == 0:
        raise token.place.fault(f"{token.text} is no f-number", "an f-number above 0")
    return Aperture(ApertureKind.STOP if len(stops) == 1 else ApertureKind.BETWEEN, stops)
