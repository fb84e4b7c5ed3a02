"""The time zone of this computer, as a log would have it."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

from flangeback.errors import InputError
from flangeback.kit.model import Kit
from flangeback.log import parse_log
from flangeback.words import utc_offset

_LOCAL = Path("/etc/localtime")
"""A link to the zone's file in most systems (common practice)."""


def local_zone(now: datetime) -> str | None:
    """The zone's name, else its offset at this moment; None where neither is known."""
    offset = now.utcoffset()
    names = [os.environ.get("TZ", "").lstrip(":"), _linked()]
    names.append("" if offset is None else utc_offset(offset))
    return next((name for name in names if name and _is_zone(name)), None)


def _linked() -> str:
    try:
        target = str(_LOCAL.resolve(strict=True))
    except OSError:
        return ""
    return target.rpartition("zoneinfo/")[2] if "zoneinfo/" in target else ""


def _is_zone(name: str) -> bool:
    try:
        parse_log(f"zone {name}", Kit())
    except InputError:
        return False
    return True
