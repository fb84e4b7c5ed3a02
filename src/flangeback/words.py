"""Numbers, times and counts as people read them: the one place that words them.

`Number` is whatever a room holds (Decimal, Fraction, float, int); f-numbers carry no unit, focal
lengths are in mm.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction

Number = Decimal | Fraction | float
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]"
)


def number(value: Number) -> str:
    """Three significant digits, which is how lenses and rings are marked: "2.8", "58", "1200"."""
    size = float(value)
    return f"{size:.0f}" if abs(size) >= 100 else f"{size:.3g}"


def exact(value: Decimal) -> str:
    """Every digit of a number that somebody wrote, without exponent or trailing zeros."""
    return f"{value.normalize():f}"


def f_number(value: Number | None) -> str:
    """ "f/2.8", or "f/?" where it isn't known."""
    return "f/?" if value is None else f"f/{number(value)}"


def focal_length(mm: Number | None) -> str:
    """ "58 mm", or "? mm" where it isn't known."""
    return "? mm" if mm is None else f"{number(mm)} mm"


def duration(length: timedelta) -> str:
    """A length whatever its sign: "1h7m23s", parts of a second as one; from two days on "2d3h"."""
    whole = math.ceil(abs(length).total_seconds())
    days = whole // 86_400 if whole >= 172_800 else 0
    hours = whole // 3600 - days * 24
    counts = ((days, "d"), (hours, "h"), (whole // 60 % 60, "m"), (whole % 60, "s"))
    return "".join(f"{count}{unit}" for count, unit in counts if count) or "0s"


def utc_offset(offset: timedelta) -> str:
    """An offset from UTC, in whole minutes, as "+02:00"."""
    minutes = abs(offset) // timedelta(minutes=1)
    sign = "-" if offset < timedelta(0) else "+"
    return f"{sign}{minutes // 60:02}:{minutes % 60:02}"


def clock_time(at: datetime | time, *, seconds: bool = True) -> str:
    """What a clock shows, "09:12:44", or "09:12" without its seconds."""
    return f"{at:%H:%M:%S}" if seconds else f"{at:%H:%M}"


def count(how_many: int, one: str, many: str | None = None) -> str:
    """ "1 frame", "3 frames"; `many` is the plural where it isn't `one` with an s."""
    return f"{how_many} {one if how_many == 1 else many or one + 's'}"


def listed(items: Iterable[str], joint: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    *first, last = items
    return f"{', '.join(first)} {joint} {last}" if first else last


def shortened(text: str, width: int) -> str:
    """A text in so many characters: its two ends are kept, more of the last."""
    if len(text) <= width:
        return text
    head = (width - 3) // 4
    return f"{text[:head]}...{text[len(text) - (width - 3 - head) :]}"


def some_of(names: Iterable[str], most: int = 3) -> str:
    """The first names, and how many more there are: "a, b, c and 5 more"."""
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def escaped(json: str) -> str:
    """JSON with such characters as its escapes: it means the same."""
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", json)


def visible(text: str) -> str:
    """The text with what isn't to be seen made visible, by its number: an escape is ‹1B›.

    Control characters, and those that turn the direction of writing (Unicode Bidirectional
    Algorithm, UAX 9), do harm on screens and in pages. Line ends and tabs stay.
    """
    if text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: f"‹{ord(found[0]):02X}›", text)
