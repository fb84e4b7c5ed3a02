"""One frame's way through the match, in a few lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import PurePath
from textwrap import wrap

from flangeback.frames.model import Frame, LensData
from flangeback.match.bodies import described
from flangeback.match.clock_fit import clock_words
from flangeback.match.explaining import Explanation, LogLine
from flangeback.match.model import NO_ENTRY, FrameMatch, Outcome
from flangeback.tags.decide import Fill
from flangeback.words import Number, duration, f_number, focal_length, utc_offset

_LABEL = 16


def explanation_lines(found: Explanation, width: int = 80) -> Iterator[str]:
    """The explanation as text of this width."""
    yield f"{found.match.frame.file}: {found.match.outcome}"
    for label, text in _rows(found):
        line, after = f"  {label}".ljust(_LABEL) + text, " " * _LABEL
        yield from wrap(line, width, subsequent_indent=after, break_on_hyphens=False)


def _rows(found: Explanation) -> Iterator[tuple[str, str]]:
    match = found.match
    is_sound, body = match.frame.damage is None, described(match.frame)
    if is_sound or match.frame.model:
        yield "body", f"{match.body}, {body}" if match.body else body
    if is_sound:
        yield "camera time", _camera_time(match.frame)
        yield "clock", _clock(found)
        if found.fit is not None and found.fit.tells and not found.by_name:
            told = clock_words(found.fit)
            yield from [("", told)] * all(told not in doubt.text for doubt in match.doubts)
        yield "true time", f"{match.time:%Y-%m-%d %H:%M:%S}" if match.time else "not known"
        yield from _entry(found)
    for doubt in match.doubts:
        yield "evidence", f"{doubt.kind}: {doubt.text}"
    if match.reason not in (None, NO_ENTRY):
        yield "reason", match.reason or ""
    if is_sound:
        yield from _values(match)


def _camera_time(frame: Frame) -> str:
    if frame.time is None:
        return "none in the frame"
    offset = frame.time.offset
    zone = "" if offset is None else f", UTC{utc_offset(offset)}"
    return f"{frame.time.at:%Y-%m-%d %H:%M:%S}{zone}"


def _clock(found: Explanation) -> str:
    clock = found.clock
    if found.by_name and (clock is None or not clock.lines):
        return "makes no difference: an entry names the frame"
    if clock is None:
        timed = found.match.frame.time is not None
        return "no entry speaks of this body" if timed else "makes no difference without a time"
    if not clock.lines:
        return "taken as right: no clock line says otherwise"
    way = "behind" if clock.ahead < timedelta(0) else "ahead of"
    text = f"{duration(clock.ahead)} {way} the log's"
    if clock.error:
        text += f", give or take {duration(clock.error)}"
    if len(clock.lines) > 2:  # A line goes through two points whatever they are.
        within = f"{clock.residual.total_seconds():.1f} s"
        text += f", {len(clock.lines)} photos of a clock agreeing within {within}"
    return f"{text} ({'; '.join(map(_quoted, clock.lines))})"


def _quoted(line: LogLine) -> str:
    text = " ".join(line.text.partition("#")[0].split()) or line.text
    return f"line {line.line}: {text}"


def _entry(found: Explanation) -> Iterator[tuple[str, str]]:
    if found.match.outcome is Outcome.SLATE:
        by_line = found.match.reason is None
        yield "entry", "a slate line names it" if by_line else "none: a slate frame"
    elif found.entry is not None:
        by = ", which names it" if found.by_name else ""
        name = PurePath(found.entry.log).name
        yield "entry", f"{name}, {_quoted(found.entry)}{by}"
    else:
        yield "entry", "none covers it"
        for line in found.around:
            yield "", f"near it, {_quoted(line)}"


def _values(match: FrameMatch) -> Iterator[tuple[str, str]]:
    """What the frame says already, and what it comes to."""
    before = _said(match.frame.lens_data)
    after = _filled(match.fill) if match.fill and match.outcome.is_filled else None
    for name, said in before.items():
        told = f"{said}, left as it is" if after is None else f"{said} -> {after[name]}"
        yield name, "blank, stays blank" if told == "blank -> blank" else told


def _filled(fill: Fill) -> dict[str, str]:
    equivalent = fill.focal_length_35mm
    told = f" (35 mm equivalent {focal_length(equivalent)})" if equivalent else ""
    return {
        "lens": fill.lens.name + (f" via {fill.adapter.key}" if fill.adapter else ""),
        "f-number": _blank_or(f_number, fill.f_number),
        "focal length": _blank_or(focal_length, fill.focal_length) + told,
    }


def _blank_or(words: Callable[[Number], str], value: Number | None) -> str:
    return "blank" if value is None else words(value)


def _said(data: LensData) -> dict[str, str]:
    registered = ", registered" if data.registered_focal_length is not None else ""
    return {
        "lens": data.lens or ("by specification" if data.says_lens else "blank"),
        "f-number": _blank_or(f_number, data.f_number),
        "focal length": _blank_or(focal_length, data.focal_length) + registered,
    }
