"""Lengths of time and offsets from UTC, in the log's own words."""

from __future__ import annotations

import math
from datetime import timedelta


def amount_text(amount: timedelta) -> str:
    """A length of time, not below zero, as 1h7m23s; parts of a second count as one."""
    whole = math.ceil(amount.total_seconds())
    counts = ((whole // 3600, "h"), (whole // 60 % 60, "m"), (whole % 60, "s"))
    return "".join(f"{count}{unit}" for count, unit in counts if count) or "0s"


def offset_text(offset: timedelta) -> str:
    """An offset from UTC as +02:00."""
    minutes = abs(offset) // timedelta(minutes=1)
    sign = "-" if offset < timedelta(0) else "+"
    return f"{sign}{minutes // 60:02}:{minutes % 60:02}"
