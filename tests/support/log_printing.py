"""A session log in its plainest form, which reads as the same log."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta, timezone, tzinfo

from flangeback.log.model import (
    ClockOffset,
    ClockReference,
    Entry,
    FrameGroup,
    FrameName,
    FrameRange,
    GroupKind,
    SessionLog,
)
from flangeback.log.names import is_frame_name, names_one_frame
from flangeback.log.text import clean_word
from flangeback.words import duration, exact, utc_offset, visible


def format_log(log: SessionLog) -> str:
    """The log as text: reading it again with the same kit gives an equal log.

    Comments are not kept. Raises ValueError for a zone that has neither a name nor one offset.
    """
    return "".join(f"{line}\n" for line in _lines(log))


def _lines(log: SessionLog) -> Iterator[str]:
    if log.zone is not None:
        yield f"zone {_zone(log.zone)}"
    if log.slack:
        yield f"slack {duration(log.slack)}"
    if log.overnight:
        yield "overnight"
    day: date | None = None
    for said in (*log.clocks, *log.entries):
        start = said.shows if isinstance(said, ClockReference) else getattr(said, "start", None)
        if start is not None and log.wall(start.earliest).date() != day:
            day = log.wall(start.earliest).date()
            yield f"date {day}"
        yield " ".join(_entry(log, said) if isinstance(said, Entry) else _clock(log, said))
    for word, frames in (("slate", log.slates), ("not-slate", log.not_slates)):
        if frames:
            yield " ".join([word, *map(_name, frames)])


def _clock(log: SessionLog, clock: ClockOffset | ClockReference) -> Iterator[str]:
    yield "clock"
    yield from filter(None, (clock.body,))
    if isinstance(clock, ClockReference):
        yield f"{_name(clock.frame)} shows {log.time_text(clock.shows)}"
    elif not clock.ahead:
        yield "right"
    else:
        yield "slow" if clock.ahead < timedelta(0) else "fast"
        yield duration(clock.ahead)
    if clock.sure:
        yield "sure"


def _entry(log: SessionLog, entry: Entry) -> Iterator[str]:
    if entry.start is not None:
        end = "" if entry.end is None else f"-{log.time_text(entry.end)}"
        yield log.time_text(entry.start) + end
    if entry.frames is not None:
        yield _frames(entry.frames)
    yield from filter(None, (entry.order, entry.body, entry.lens))
    if entry.aperture is not None:
        yield str(entry.aperture)
    if entry.focal_length is not None:
        yield f"{exact(entry.focal_length)}mm"
    if entry.adapter is not None:
        yield f"via {entry.adapter}"
    if entry.off:
        yield "off"
    if entry.remark is not None:
        yield _remark(entry.remark)


def _remark(remark: str) -> str:
    """The remark in quotes, or brackets, that it doesn't contain itself."""
    clean = clean_word(remark)
    if '"' not in clean:
        return f'"{remark}"'
    return f"'{remark}'" if set("()") & set(clean) else f"({remark})"


def _zone(zone: tzinfo) -> str:
    key = getattr(zone, "key", None)
    if isinstance(key, str):
        return key
    offset = zone.utcoffset(None)
    if not isinstance(zone, timezone) or offset is None:
        raise ValueError(f"the zone {zone!r} has no name to print")
    return utc_offset(offset)


def _frames(frames: FrameRange | FrameGroup) -> str:
    if isinstance(frames, FrameRange):
        return _range(frames)
    needs_none = frames.kind in (GroupKind.ALL, GroupKind.DAY) or _is_bare(frames.name)
    return str(frames) if needs_none else f'"{frames}"'


def _name(name: FrameName) -> str:
    return name.name if _is_bare(name) and is_frame_name(name.name) else f'"{name.name}"'


def _range(frames: FrameRange) -> str:
    first, last = frames.first, frames.last
    if first == last:
        return first.name if _is_bare(first) and names_one_frame(first.name) else f'"{frames}"'
    return str(frames) if _is_bare(first) and _is_bare(last) else f'"{first.name}".."{last.name}"'


def _is_bare(name: FrameName) -> bool:
    """Whether a log can have this name without quotes."""
    # A lone * is a list's; what isn't to be seen is shown in single quotation marks.
    shown = visible(name.name)
    return not name.quoted and re.fullmatch(r"[^\s,;\"'‹#]*[^\s,;\"'‹#*]\*?", shown) is not None
