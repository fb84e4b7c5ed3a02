"""One frame's way through the match, in a few lines."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from fractions import Fraction
from pathlib import PurePath
from textwrap import wrap
from typing import Any

from flangeback.frames.model import Frame, LensData
from flangeback.match.bodies import described
from flangeback.match.explaining import Explanation, LogLine
from flangeback.match.model import NO_ENTRY, FrameMatch, Outcome
from flangeback.report.document import frame_document
from flangeback.words import duration, utc_offset

_COLUMNS = 80
_LABEL = 14


def explanation_lines(found: Explanation) -> Iterator[str]:
    """The explanation as text, 80 columns wide."""
    match = found.match
    yield f"{match.frame.file}: {match.outcome}"
    body = described(match.frame)
    yield from _row("body", f"{match.body}, {body}" if match.body else body)
    if match.frame.damage is None:
        yield from _row("camera time", _camera_time(match.frame))
        yield from _row("clock", _clock(found))
        yield from _row("true time", _true_time(found))
        yield from _entry(found)
    for doubt in match.doubts:
        yield from _row("evidence", f"{doubt.kind}: {doubt.text}")
    if match.reason not in (None, NO_ENTRY):
        yield from _row("reason", match.reason or "")
    if match.frame.damage is None:
        yield from _values(match)


def _row(label: str, text: str) -> Iterator[str]:
    head = f"  {label:{_LABEL}}"
    yield from wrap(
        text,
        _COLUMNS,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_on_hyphens=False,
        drop_whitespace=True,
    ) or [head.rstrip()]


def _camera_time(frame: Frame) -> str:
    if frame.time is None:
        return "none in the frame"
    offset = frame.time.offset
    zone = "" if offset is None else f", UTC{utc_offset(offset)}"
    return f"{frame.time.at:%Y-%m-%d %H:%M:%S}{zone}"


_EXACT = 2
"""A line goes through two points whatever they are."""


def _seconds(span: timedelta) -> str:
    return f"{span.total_seconds():.1f} s"


def _clock(found: Explanation) -> str:
    clock = found.clock
    if found.by_name and (clock is None or not clock.lines):
        return "of no account: an entry names the frame"
    if clock is None:
        return "no entry speaks of this body" if found.match.frame.time else "of no account"
    if not clock.lines:
        return "taken as right: no clock line says otherwise"
    way = "behind" if clock.ahead < timedelta(0) else "ahead of"
    text = f"{duration(clock.ahead)} {way} the log's"
    if clock.error:
        text += f", give or take {duration(clock.error)}"
    if len(clock.lines) > _EXACT:
        text += f", {len(clock.lines)} photos of a clock agreeing within {_seconds(clock.residual)}"
    return f"{text} ({'; '.join(map(_quoted, clock.lines))})"


def _quoted(line: LogLine) -> str:
    text = " ".join(line.text.partition("#")[0].split()) or line.text
    return f"line {line.line}: {text}"


def _true_time(found: Explanation) -> str:
    return f"{found.match.time:%Y-%m-%d %H:%M:%S}" if found.match.time else "not known"


def _entry(found: Explanation) -> Iterator[str]:
    if found.match.outcome is Outcome.SLATE:
        by_line = found.match.reason is None
        yield from _row("entry", "a slate line names it" if by_line else "none: a slate frame")
    elif found.entry is not None:
        by = ", which names it" if found.by_name else ""
        name = PurePath(found.entry.log).name
        yield from _row("entry", f"{name}, {_quoted(found.entry)}{by}")
    else:
        yield from _row("entry", "none covers it")
        for line in found.around:
            yield from _row("", f"near it, {_quoted(line)}")


def _values(match: FrameMatch) -> Iterator[str]:
    """What the frame says already, and what it comes to."""
    before = match.frame.lens_data
    fill = match.fill if match.outcome.is_filled else None
    after = {"lens": "", "f-number": "", "focal length": ""}
    if fill is not None:
        after["lens"] = fill.lens.name + (f" via {fill.adapter.key}" if fill.adapter else "")
        after["f-number"] = "blank" if fill.f_number is None else _stop(Fraction(fill.f_number))
        length = None if fill.focal_length is None else Fraction(fill.focal_length)
        after["focal length"] = "blank" if length is None else _millimetres(length)
        if fill.focal_length_35mm:
            after["focal length"] += f" (35 mm equivalent {fill.focal_length_35mm} mm)"
    for name, said in _said(before).items():
        told = f"{said}, left as it is" if fill is None else f"{said} -> {after[name]}"
        yield from _row(name, "blank, stays blank" if told == "blank -> blank" else told)


def _said(data: LensData) -> dict[str, str]:
    registered = ", registered" if data.registered_focal_length is not None else ""
    length = "blank" if data.focal_length is None else _millimetres(data.focal_length) + registered
    lens = data.lens or ("by specification" if data.says_lens else "blank")
    return {
        "lens": lens,
        "f-number": "blank" if data.f_number is None else _stop(data.f_number),
        "focal length": length,
    }


def _stop(f_number: Fraction) -> str:
    return f"f/{float(f_number):.3g}"


def _millimetres(length: Fraction) -> str:
    return f"{float(length):.4g} mm"


def explanation_document(found: Explanation) -> dict[str, Any]:
    """`flangeback/explain-1`: the frame as in `match-1`, and how it came to that."""
    clock, data = found.clock, found.match.frame.lens_data
    return {
        "schema": "flangeback/explain-1",
        "frame": frame_document(found.match),
        "clock_ahead": None if clock is None else clock.ahead.total_seconds(),
        "clock_error": None if clock is None else clock.error.total_seconds(),
        "clock_residual": None if clock is None else clock.residual.total_seconds(),
        "clock_lines": [] if clock is None else [line.line for line in clock.lines],
        "entry": None if found.entry is None else found.entry.text,
        "by_name": found.by_name,
        "around": [{"line": line.line, "text": line.text} for line in found.around],
        "before": {
            "lens": data.lens,
            "f_number": None if data.f_number is None else float(data.f_number),
            "focal_length": None if data.focal_length is None else float(data.focal_length),
            "registered": data.registered_focal_length is not None,
        },
    }
