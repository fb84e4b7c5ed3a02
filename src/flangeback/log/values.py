"""What the words of a log are worth: times, amounts of time, dates, zones, f-numbers, frames.

Each function takes what a rule found and gives a value, or raises Refusal with the reason.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from flangeback.errors import nearest
from flangeback.log.faults import Refusal
from flangeback.log.model import Aperture, ApertureKind, Moment
from flangeback.log.tokens import Token

A_TIME = "a time such as 9:12, 09.12, 9h12, 09:12:30 or 9:12 pm"
AN_AMOUNT = "an amount of time such as 45s, 3m20s or 1h30m"
A_DATE = "year, month and day, such as 2026-05-17"
A_ZONE = "a time zone such as Europe/Stockholm, +02:00 or UTC"

_FIRST_YEAR, _LAST_YEAR = 1900, 2199


@dataclass(frozen=True, slots=True, order=True)
class WallTime:
    """A time of day as written. `half` is "am" or "pm" where one was written; the hour counts
    it in already."""

    hour: int
    minute: int
    second: int | None = None
    half: str | None = None

    def afternoon(self) -> WallTime | None:
        """The same numbers read as pm; None where they can't be."""
        if self.half is not None or not 1 <= self.hour <= 12:
            return None
        return WallTime(self.hour % 12 + 12, self.minute, self.second, "pm")

    def forenoon(self) -> WallTime | None:
        """The same numbers read as am; None where they can't be."""
        if self.half is not None or not 1 <= self.hour <= 12:
            return None
        return WallTime(self.hour % 12, self.minute, self.second, "am")

    @property
    def seconds(self) -> int:
        """From midnight to its start."""
        return (self.hour * 60 + self.minute) * 60 + (self.second or 0)


def wall_time(token: Token) -> WallTime:
    """The time of day that a `time` (or `either`) token says."""
    if token.rule == "either":
        return WallTime(1, int(token.match[1]))
    hour, minute = int(token.match[1]), int(token.match[3])
    second = None if token.match[4] is None else int(token.match[4])
    half = _half(token.match[5])
    if half is not None:
        hour = _hour_of_half(token.text, hour, half)
    if (hour, minute, second or 0) == (24, 0, 0):
        raise Refusal(f"{token.text} is the next day", "00:00 under the next day's `date`")
    if hour > 23:
        raise Refusal(f"there is no hour {hour}", A_TIME)
    if minute > 59:
        raise Refusal(f"there is no minute {minute:02}", "a minute from 00 to 59")
    if second is not None and second > 59:
        raise Refusal(f"there is no second {second:02}", "a second from 00 to 59")
    return WallTime(hour, minute, second, half)


def _half(written: str | None) -> str | None:
    return None if written is None else written.strip()[0].lower() + "m"


def _hour_of_half(text: str, hour: int, half: str) -> int:
    if not 1 <= hour <= 12:
        raise Refusal(
            f"{text} mixes the 24-hour and the 12-hour clock", "an hour from 1 to 12 with am or pm"
        )
    return hour % 12 + (12 if half == "pm" else 0)


def whole_hour(token: Token) -> Refusal:
    """Why a `bare hour` is refused: it would claim a precision that nobody wrote."""
    hour = token.match[1]
    half = _half(token.match[2])
    suggestion = f"{hour}h00" if half is None else f"{hour}:00 {half}"
    return Refusal(f"{token.text} has no minutes", A_TIME, suggestion)


def end_with_half(start: WallTime, end: WallTime) -> WallTime:
    """The start of `start-end` when only the end says am or pm: both, if that is in order."""
    if start.half is not None or end.half is None:
        return start
    same = start.afternoon() if end.half == "pm" else start.forenoon()
    return same if same is not None and same.seconds <= end.seconds else start


def moment(day: date, time: WallTime, zone: tzinfo | None) -> Moment:
    """The minute or second that this time of day is, on this day.

    With a zone both ends are aware, at the fixed offset that held, so that arithmetic across a
    clock change is right. Raises Refusal for a time that a clock change left out.
    """
    wall = datetime(day.year, day.month, day.day, time.hour, time.minute, time.second or 0)
    width = timedelta(minutes=1) if time.second is None else timedelta(seconds=1)
    if zone is None:
        return Moment(wall, wall + width)
    instants = [instant for fold in (0, 1) if (instant := _instant(wall, zone, fold)) is not None]
    if not instants:
        raise Refusal(
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
    """The time that an `amount` (or `zero`) token says."""
    if token.rule == "zero":
        return timedelta(0)
    hours, minutes, seconds = (int(part or 0) for part in token.match.groups())
    return timedelta(hours=hours, minutes=minutes, seconds=seconds)


def calendar_date(token: Token) -> date:
    """The day that a token of one of the date rules says, year first."""
    if token.rule == "date, year last":
        raise _year_last(token)
    if token.rule == "date, run together":
        year, month, day = token.match.groups()
        raise Refusal("a date is written with dashes", A_DATE, f"{year}-{month}-{day}")
    year, month, day = (int(token.match[part]) for part in (1, 3, 4))
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        raise Refusal(
            f"{year} can't be the year of a frame", f"a year from {_FIRST_YEAR} to {_LAST_YEAR}"
        )
    try:
        return date(year, month, day)
    except ValueError:
        if not 1 <= month <= 12:
            raise Refusal(f"there is no month {month}", A_DATE) from None
        raise Refusal(f"{year}-{month:02} has no day {day}", A_DATE) from None


def _year_last(token: Token) -> Refusal:
    first, second, year = (int(part) for part in token.match.groups())
    readings = [
        f"{year:04}-{month:02}-{day:02}"
        for day, month in dict.fromkeys([(first, second), (second, first)])
        if 1 <= month <= 12 and 1 <= day <= 31
    ]
    text = "a date is written with the year first"
    if len(readings) == 1:
        return Refusal(text, A_DATE, readings[0])
    return Refusal(text, " or ".join(readings) if readings else A_DATE)


def zone_offset(token: Token) -> tzinfo:
    """The fixed zone that an `offset` token says."""
    sign, hours, minutes = token.match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes or 0))
    # Civil time reaches from UTC-12:00 to UTC+14:00.
    if int(minutes or 0) > 59 or offset > timedelta(hours=14 if sign == "+" else 12):
        raise Refusal(f"there is no zone {token.text}", "an offset from -12:00 to +14:00")
    return timezone(offset if sign == "+" else -offset)


@cache
def _zones() -> dict[str, str]:
    return {name.casefold(): name for name in available_timezones()}


def zone_named(name: str) -> tzinfo:
    """The time zone of this name, in any case of letters."""
    if name.casefold() in ("z", "utc"):
        return UTC
    known = _zones().get(name.casefold())
    if known is not None:
        return ZoneInfo(known)
    city = [zone for zone in sorted(_zones().values()) if _city(zone) == name.casefold()]
    suggestion = city[0] if city else nearest(name, _zones().values())
    raise Refusal(f'there is no time zone "{name}"', A_ZONE, suggestion)


def _city(zone: str) -> str:
    return zone.rpartition("/")[2].casefold()


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
        raise Refusal(f"{token.text} is no f-number", "an f-number above 0")
    return Aperture(ApertureKind.STOP if len(stops) == 1 else ApertureKind.BETWEEN, stops)


_SUFFIX = re.compile(r"(?:\.(?=\w*[a-z])\w{2,4})+$", re.IGNORECASE | re.ASCII)
_LAST_NUMBER = re.compile(r"(.*?)(\d{1,18})(\D*)", re.DOTALL)
_A_NAME = re.compile(r"\w[^#:?*<>|\"']*")
_COUNTER_TOP = 9999
"""DCF counts frames from 0001 to 9999 and begins anew (CIPA DC-009)."""
A_FRAME_RANGE = "two frame names, such as K7_0212..K7_0230"


def frame_stem(written: str) -> str:
    """A frame's name without its suffix and without slashes around its folder."""
    return _SUFFIX.sub("", written.replace("\\", "/").strip("/").rstrip(".:"))


def is_frame_name(written: str) -> bool:
    """Whether a word can be a frame's name at all: its last part must hold a number."""
    name = frame_stem(written)
    stem = name.rpartition("/")[2]
    return _A_NAME.fullmatch(name) is not None and _LAST_NUMBER.fullmatch(stem) is not None


def names_one_frame(written: str) -> bool:
    """Whether a lone word is a frame's name: digits at its end, four or more of them (as DCF
    names have) or a folder before it, and a letter or underscore somewhere: 1/250 is none."""
    name = frame_stem(written)
    if not _A_NAME.fullmatch(name) or not re.search(r"[^\W\d]", name):
        return False
    return re.search(r"/.*\d$" if "/" in name else r"\d{4}$", name) is not None


def frame_pair(first: str, last: str) -> tuple[str, str]:
    """Check the two ends of a range of frames; gives their stems, the folder carried over."""
    start, end = frame_stem(first), frame_stem(last)
    start_folder, _, start_name = start.rpartition("/")
    end_folder, _, end_name = end.rpartition("/")
    for written in (first, last):
        if not is_frame_name(written):
            raise Refusal(f'"{written}" isn\'t a frame name', A_FRAME_RANGE)
    if start_folder and not end_folder:
        end, end_folder = f"{start_folder}/{end_name}", start_folder
    _check_count(start_name, end_name, start_folder == end_folder)
    return start, end


def _check_count(start: str, end: str, one_folder: bool) -> None:
    first, last = _LAST_NUMBER.fullmatch(start), _LAST_NUMBER.fullmatch(end)
    assert first is not None
    assert last is not None
    if (first[1].casefold(), first[3].casefold()) != (last[1].casefold(), last[3].casefold()):
        suggestion = None
        if not last[1] and not last[3]:
            digits = first[2][: max(0, len(first[2]) - len(last[2]))] + last[2]
            suggestion = f"{start}..{first[1]}{digits}{first[3]}"
        raise Refusal(f"{start} and {end} don't count alike", A_FRAME_RANGE, suggestion)
    count = int(last[2]) - int(first[2])
    if count < 0 and one_folder and not _wraps(first[2], last[2]):
        raise Refusal(f"{start} comes after {end}", "the first frame before the last")


def _wraps(first: str, last: str) -> bool:
    """Whether counting from `first` to `last` passes 9999, by less than half way round."""
    if min(len(first), len(last)) < 4 or int(first) > _COUNTER_TOP:
        return False
    return _COUNTER_TOP - int(first) + int(last) < _COUNTER_TOP // 2
