"""A survey as text, 80 columns wide, or as narrow as the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from textwrap import wrap

from flangeback.frames.model import without_suffix
from flangeback.report.hints import command
from flangeback.survey.model import BodySurvey, FrameSequence, Registered, Survey
from flangeback.words import count, duration, focal_length, listed, utc_offset

_COLUMNS = 80
_MOST_ROWS = 12
_NAME_WIDTH = 29
_SET_RIGHT = timedelta(seconds=5)
"""A clock nearer to GPS time than this is right, as photographers go."""


def survey_lines(
    survey: Survey,
    folder: Path,
    *,
    has_kit: bool = True,
    has_log: bool = False,
    width: int = _COLUMNS,
) -> Iterator[str]:
    """The survey as text; `folder` is named in what to do next, which depends on what there is."""
    for line in _told(survey):
        after = " " * (len(line) - len(line.lstrip()) + 2)
        yield from wrap(line, width, subsequent_indent=after, break_on_hyphens=False) or [""]
    yield from _next(survey, folder, has_kit=has_kit, has_log=has_log)


def _told(survey: Survey) -> Iterator[str]:
    yield summary_line(survey)
    yield ""
    for body in survey.bodies:
        yield from _body(body)
        yield ""
    if survey.damaged:
        yield "can't be read"
        yield from _rows([f"{file}: {reason}" for file, reason in survey.damaged])
        yield ""
    remarks = list(clock_remarks(survey))
    if remarks:
        yield "clocks"
        yield from (f"  {remark}" for remark in remarks)
        yield ""


def summary_line(survey: Survey) -> str:
    """How many frames there are, and how many lack lens data."""
    text = count(survey.frames, "frame")
    if survey.bodies:
        text += f" by {count(len(survey.bodies), 'body', 'bodies')}"
    text += f": {survey.lacking} lack lens data"
    return text + (f", {len(survey.damaged)} can't be read" if survey.damaged else "")


def _next(survey: Survey, folder: Path, *, has_kit: bool, has_log: bool) -> Iterator[str]:
    if not survey.lacking:
        yield "There is nothing to fill: every frame that can be read has its lens data."
        return
    if not has_kit and survey.bodies:
        yield "next: your gear in a kit file, its bodies from a frame of each:"
        for body in survey.bodies:
            example, kit = folder / body.example, folder / "kit.toml"
            yield f"  {command('kit', 'add', 'body', example, '--kit', kit)}"
        yield "and each lens, by its name:"
        yield f"  {command('kit', 'add', 'lens', '--kit', folder / 'kit.toml')}"
    if has_log:
        what, then = "what each frame comes to by the session log", command("match", folder)
    else:
        what = "a session log to fill in, from these pauses"
        then = command("draft", folder, "-o", folder / "session.txt")
    yield f"{'next' if has_kit else 'then'}: {what}:"
    yield f"  {then}"


def _body(body: BodySurvey) -> Iterator[str]:
    yield str(body.name)
    yield f"  {_when(body)}"
    yield f"  {_lacking(body)}"
    one_day = body.start is None or body.end is None or body.start.date() == body.end.date()
    if body.registered:
        yield "  focal lengths registered for the stabiliser"
        rows = (row for found in body.registered for row in _registered(found, one_day=one_day))
        yield from _rows(list(rows))
    if body.natives:
        yield "  lenses named with their f-number"
        names = [(lens or "by specification only", frames) for lens, frames in body.natives.items()]
        yield from _rows([f"{_cut(name)}  {count(frames, 'frame'):>12}" for name, frames in names])
    if body.clusters:
        yield f"  clusters, cut at pauses of {duration(timedelta(seconds=body.pause))} or more"
        ends = [(_names(one), _row_end(one, one_day=one_day)) for one in body.clusters]
        yield from _rows([f"{_cut(names)}  {end}" for names, end in ends])


def _when(body: BodySurvey) -> str:
    text = count(body.frames, "frame")
    if body.start and body.end:
        text += f", {_span(body.start, body.end, one_day=False)}"
    if body.offsets:
        text += f", UTC{listed(map(utc_offset, body.offsets))}"
    return text + (f", {body.untimed} without a time" if body.untimed else "")


def _lacking(body: BodySurvey) -> str:
    if not body.lacks_any:
        return "none lacks lens data"
    parts = ", ".join(f"{what} in {number}" for what, number in body.lacks.items() if number)
    return f"{body.lacks_any} lack lens data: {parts}"


def _registered(found: Registered, *, one_day: bool) -> Iterator[str]:
    length = focal_length(found.focal_length).ljust(_NAME_WIDTH)
    for stretch in found.stretches:
        yield f"{length}  {_row_end(stretch, one_day=one_day)}"
    if found.untimed:
        yield f"{length}  {count(found.untimed, 'frame'):>12}  no time"


def _row_end(found: FrameSequence, *, one_day: bool) -> str:
    return f"{count(found.frames, 'frame'):>12}  {_span(found.start, found.end, one_day=one_day)}"


def _rows(rows: Sequence[str]) -> Iterator[str]:
    """So many rows that they stay readable; --json has them all."""
    for row in rows[:_MOST_ROWS]:
        yield f"    {row}"[:_COLUMNS].rstrip()
    if len(rows) > _MOST_ROWS:
        yield f"    and {len(rows) - _MOST_ROWS} more; --json has all"


def clock_remarks(survey: Survey) -> Iterator[str]:
    """What the frames say against the clocks, in words."""
    for body in survey.bodies:
        yield from _gps_remark(body)
        yield from _disorder_remarks(body)
        if len(body.offsets) > 1:
            offsets = listed(map(utc_offset, body.offsets))
            yield f"{body.name} states more than one offset from UTC: {offsets}"
    stated = {body.name: body.offsets[0] for body in survey.bodies if len(body.offsets) == 1}
    if len(set(stated.values())) > 1:
        texts = ", ".join(f"{name} {utc_offset(offset)}" for name, offset in stated.items())
        yield f"the bodies state different offsets from UTC: {texts}"
    for gap in survey.gaps:
        yield (
            f"{gap.bursts} bursts of {gap.ahead} and {gap.other} fit together if the clock of "
            f"{gap.ahead} is {duration(gap.by)} ahead of the other's"
        )


def _gps_remark(body: BodySurvey) -> Iterator[str]:
    if not body.gps_frames:
        return
    if body.gps_ahead is None:
        yield f"{body.name}: the GPS times of its frames don't agree with one another"
    elif abs(body.gps_ahead) > _SET_RIGHT:
        way = "ahead of" if body.gps_ahead > timedelta(0) else "behind"
        amount = duration(body.gps_ahead)
        rest = "" if body.gps_whole else ", or that and whole quarters of an hour"
        frames = count(body.gps_frames, "frame")
        yield f"{body.name} is {amount} {way} GPS time{rest} ({frames} say so)"


def _disorder_remarks(body: BodySurvey) -> Iterator[str]:
    for found in body.disorders[:3]:
        yield (
            f"{body.name}: {found.later} ({found.later_time:%H:%M:%S}) comes after {found.earlier} "
            f"({found.earlier_time:%H:%M:%S}) by the clock, before it by the counter"
        )
    if len(body.disorders) > 3:
        yield f"{body.name}: {len(body.disorders) - 3} more frames are out of counter order"


def _names(found: FrameSequence) -> str:
    first, last = (without_suffix(name) for name in (found.first, found.last))
    return first if found.frames == 1 else f"{first}..{last.rpartition('/')[2]}"


def _cut(text: str) -> str:
    return text.ljust(_NAME_WIDTH) if len(text) <= _NAME_WIDTH else "…" + text[1 - _NAME_WIDTH :]


def _span(start: datetime, end: datetime, *, one_day: bool) -> str:
    """From when to when, to the minute; `one_day` leaves the date out."""
    first = f"{start:%H:%M}" if one_day else f"{start:%Y-%m-%d %H:%M}"
    if start.replace(second=0) == end.replace(second=0):
        return first
    if start.date() == end.date():
        return f"{first}-{end:%H:%M}"
    return f"{first} to {end:{'%m-%d' if start.year == end.year else '%Y-%m-%d'} %H:%M}"
