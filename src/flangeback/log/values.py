"""What the words of a log are worth: times, amounts of time, dates, zones, f-numbers.

Each function takes what a rule found and gives a value, or raises Fault with the reason.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Collection, Sequence
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from functools import cache
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from flangeback.errors import nearest
from flangeback.kit.stops import series
from flangeback.log.model import Aperture, ApertureKind, Moment
from flangeback.log.text import Fault, Place
from flangeback.log.tokenizer import Token
from flangeback.log.vocabulary import A_DATE, A_TIME, A_ZONE, MONTHS, WEEKDAYS
from flangeback.words import utc_offset

Half = Literal["am", "pm"]
DATES = ("date", "date, year last")
"""Rules for a date among other words."""
DATE_LINES = ("date, run together", "date, month named", "date, month first", "weekday")
"""Rules for a date that stands alone."""
MOST_APART = 1.5
"""Stops. Marks next to each other on a ring lie one apart, and the widest up to half a stop more
from the next, as f/1.2 from f/2 (common practice)."""
_FIRST_YEAR, _LAST_YEAR = 1900, 2199


class WallTime(NamedTuple):
    """A time of day as written, and where.

    `half` is "am" or "pm" where one was written; the hour counts it in already.
    """

    place: Place
    hour: int
    minute: int
    second: int | None = None
    half: Half | None = None

    def __str__(self) -> str:
        seconds = "" if self.second is None else f":{self.second:02}"
        return f"{self.hour:02}:{self.minute:02}{seconds}"

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
    """The time of day that a token of one of the time rules says."""
    if token.rule == "bare hour":
        raise whole_hour(token)
    place, given = token.place, token.match.groupdict()
    # Of `either`, the hour is 1.
    hour, minute, half = int(given.get("hour", 1)), int(given["minute"]), _half(given.get("half"))
    second = None if given.get("second") is None else int(given["second"])
    if half is not None:
        if not 1 <= hour <= 12:
            text = f"{place.text} mixes the 24-hour and the 12-hour clock"
            raise place.fault(text, "an hour from 1 to 12 with am or pm")
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute, second or 0) == (24, 0, 0):
        raise place.fault(f"{place.text} is the next day", "00:00 under the next day's `date`")
    if hour > 23:
        raise place.fault(f"there is no hour {hour}", A_TIME)
    for name, figure in (("minute", minute), ("second", second or 0)):
        if figure > 59:
            raise place.fault(f"there is no {name} {figure:02}", f"a {name} from 00 to 59")
    return WallTime(place, hour, minute, second, half)


def whole_hour(token: Token) -> Fault:
    """Why a `bare hour` is refused: it would claim a precision that nobody wrote."""
    hour, half = token.match["hour"], _half(token.match["half"])
    suggestion = f"{hour}h00" if half is None else f"{hour}:00 {half}"
    return token.place.fault(f"{token.text} has no minutes", A_TIME, suggestion)


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
    either = (wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    instants = [one for one in either if one.astimezone(zone).replace(tzinfo=None, fold=0) == wall]
    if not instants:
        raise time.place.fault(
            f"there is no {wall:%H:%M} on {day} in this zone: the clocks went forward over it",
            "a time before or after the change",
        )
    # A time that occurs twice may be either: it reaches from the first to the second.
    return Moment(_fixed(instants[0], zone), _fixed(instants[-1] + width, zone))


def _fixed(instant: datetime, zone: tzinfo) -> datetime:
    local = instant.astimezone(zone)
    return local.replace(tzinfo=timezone(local.utcoffset() or timedelta(0)), fold=0)


def amount(token: Token) -> timedelta:
    """The time that a token of one of the amount rules, or `zero`, says."""
    if token.rule == "zero":
        return timedelta(0)
    if token.rule == "amount, unclear":
        minutes, seconds = token.match.groups()
        text = f"{token.text} can be minutes or hours"
        raise token.place.fault(text, f"{minutes}m{seconds}s or {minutes}h{seconds}m")
    if token.rule == "amount, last unit left out":
        first, unit, second = token.match.groups()
        smaller = timedelta(minutes=int(first), seconds=int(second))
        return smaller * 60 if unit.casefold() == "h" else smaller
    return timedelta(**{unit: int(n or 0) for unit, n in token.match.groupdict().items()})


def calendar_date(token: Token, days: Collection[date] = ()) -> date:
    """The day that a token of one of the date rules says.

    `days` are those on which frames were made, as far as that is known: they tell a year that
    isn't written, and which of two readings is meant. Raises Fault where it isn't one day.
    """
    if token.rule == "weekday":
        return _only(token, [day for day in days if is_weekday(day, token)], days)
    if token.rule == "date, year last":
        return _year_last(token, days)
    given = token.match.groupdict()
    day, name, year = int(given["day"]), given.get("name"), given["year"]
    month = int(given["month"]) if name is None else _place_of(name, MONTHS) + 1
    if year is None:
        return _only(token, [one for one in days if (one.month, one.day) == (month, day)], days)
    return _day(token.place, int(year), month, day)


def is_weekday(day: date, token: Token) -> bool:
    """Whether the day falls on the weekday that a token names."""
    return day.weekday() == _place_of(token.match[1], WEEKDAYS)


def _place_of(short: str, names: Sequence[str]) -> int:
    return next(n for n, name in enumerate(names) if name[:3] == short[:3].casefold())


def _year_last(token: Token, days: Collection[date]) -> date:
    first, second, year = map(int, token.match.groups())
    readings = []
    for day, month in {(first, second): None, (second, first): None}:
        with suppress(Fault):
            readings.append(_day(token.place, year, month, day))
    fitting = [day for day in readings if day in days] or readings
    if len(fitting) == 1:
        return fitting[0]
    text = "a date is written with the year first"
    raise token.place.fault(text, " or ".join(map(str, readings)) or A_DATE)


def _only(token: Token, fitting: Collection[date], days: Collection[date]) -> date:
    """The one day that a date without its year can be."""
    found = sorted(set(fitting))
    if len(found) == 1:
        return found[0]
    if not days:
        raise token.place.fault(f"{token.text} of which year?", A_DATE)
    if not found:
        raise token.place.fault(f"no frame was made on {token.text}", A_DATE)
    raise token.place.fault(f"{token.text} can be more than one day", " or ".join(map(str, found)))


def _day(place: Place, year: int, month: int, day: int) -> date:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        expected = f"a year from {_FIRST_YEAR} to {_LAST_YEAR}"
        raise place.fault(f"{year} can't be the year of a frame", expected)
    if not 1 <= month <= 12:
        raise place.fault(f"there is no month {month}", A_DATE)
    try:
        return date(year, month, day)
    except ValueError:
        raise place.fault(f"{year}-{month:02} has no day {day}", A_DATE) from None


def zone_offset(token: Token) -> tzinfo:
    """The fixed zone that an `offset` token says."""
    sign, hours, minutes = token.match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes or 0))
    # Civil time reaches from UTC-12:00 to UTC+14:00.
    if int(minutes or 0) > 59 or offset > timedelta(hours=14 if sign == "+" else 12):
        raise token.place.fault(f"there is no zone {token.text}", "an offset from -12:00 to +14:00")
    return timezone(offset if sign == "+" else -offset)


@cache
def _zones() -> dict[str, str]:
    return {name.casefold(): name for name in available_timezones()}


def zone_named(place: Place) -> tzinfo:
    """The time zone of the name that stands here, in any case of letters."""
    name = place.text.casefold()
    if name in ("z", "utc"):
        return UTC
    if "/" in name and not name.startswith(("posix/", "right/")):
        # Mostly it is written as it is called: listing all names takes longer than reading a log.
        with suppress(KeyError, ValueError, OSError):
            return ZoneInfo(place.text)
    if name.isalpha() and name != "gmt" and (offsets := _abbreviated(name)):
        text = f'"{place.text}" is an abbreviation; they are easily taken for one another'
        if len(offsets) > 1:
            raise place.fault(text, f"{' or '.join(offsets)}, or a name such as Europe/Stockholm")
        raise place.fault(text, A_ZONE, offsets[0])
    if name in _zones():
        return ZoneInfo(_zones()[name])
    known = sorted(zone for zone in _zones().values() if "/" in zone)
    city = next((zone for zone in known if zone.rpartition("/")[2].casefold() == name), None)
    suggestion = city or nearest(place.text, known)
    raise place.fault(f'there is no time zone "{place.text}"', A_ZONE, suggestion)


@cache
def _abbreviated(name: str) -> Sequence[str]:
    """The offsets from UTC that zones abbreviate so; none for a name that is no abbreviation."""
    offsets = set()
    for zone in _zones().values():
        for month in (1, 7):
            at = datetime(2026, month, 1, tzinfo=ZoneInfo(zone))
            if (at.tzname() or "").casefold() == name:
                offsets.add(at.utcoffset() or timedelta(0))
    return [utc_offset(offset) for offset in sorted(offsets)]


def number(written: str) -> Decimal:
    """A number as written, with point or comma, without zeros that say nothing."""
    return tidy(Decimal(written.replace(",", ".")))


def tidy(value: Decimal) -> Decimal:
    """The same number, written plainly: 2.80 as 2.8, 1.6E+1 as 16."""
    return Decimal(format(value.normalize(), "f"))


@cache
def _marks() -> frozenset[Decimal]:
    return frozenset(stop.mark for name in ("full", "half", "third") for stop in series(name))


def is_marked(written: str) -> bool:
    """Whether rings or displays are marked with this number.

    Full, half or third stops, and f/0.95, to which some lenses open (common practice).
    """
    return number(written) in _marks() or number(written) == Decimal("0.95")


def aperture(token: Token) -> Aperture:
    """The aperture that an f-number, `open` or `either` token says."""
    if token.rule == "open":
        return Aperture(ApertureKind.OPEN)
    if token.rule == "f-number not noted":
        return Aperture(ApertureKind.NOT_NOTED)
    written = [group for group in token.match.groups() if group is not None]
    for figure in written:
        # From f/2 on nobody writes two decimals: the comma stands between two readings.
        first, comma, second = figure.partition(",")
        if comma and len(second) == 2 and number(first) >= 2 and is_marked(first):
            text = f"{token.text} can be f/{first}.{second}, or f/{first} and f/{second}"
            raise token.place.fault(text, f"one f-number, or f/{first}-{second} between the two")
    stops = tuple(sorted({number(group) for group in written}))
    if stops[0] == 0:
        raise token.place.fault(f"{token.text} is no f-number", "an f-number above 0")
    return Aperture(ApertureKind.STOP if len(stops) == 1 else ApertureKind.BETWEEN, stops)


def stops_apart(stops: Sequence[Decimal]) -> float:
    """From the first of these f-numbers to the last, in stops: 2 log2 of their ratio (APEX)."""
    return 2 * math.log2(stops[-1] / stops[0]) if stops else 0.0


def geometric_mean(first: Decimal, second: Decimal) -> Decimal:
    """Midway between two f-numbers in stops, which are logarithmic; to three decimals."""
    return tidy((first * second).sqrt().quantize(Decimal("0.001")))


def remark_text(token: Token) -> str | None:
    """The remark as it was written: only words that the log understands are cleaned."""
    place = token.group(token.match.lastindex or 0)
    if not place.text.strip():
        return None
    written = place.line.original(place.start, place.end)
    return " ".join(unicodedata.normalize("NFC", written).split())
