"""Why one frame came to what it came to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from flangeback.clock.model import SECOND, BodyClock, TrueTime, instant, placed
from flangeback.errors import InputError, Problem, nearest
from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log.model import SessionLog
from flangeback.match.layout import BodyLog, Layout, lay_out
from flangeback.match.model import FrameMatch, Matches


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of a log, as it was written."""

    log: str
    line: int
    text: str


@dataclass(frozen=True, slots=True)
class ClockWord:
    """How a body's clock was taken to go: `ahead` of the log's (behind: negative) when the frame
    was made, good to `error` either way; `lines` say so, none where it was taken as right.
    `residual` is how far the farthest of them lies from the line through all."""

    ahead: timedelta
    error: timedelta
    lines: tuple[LogLine, ...]
    residual: timedelta


@dataclass(frozen=True, slots=True)
class Explanation:
    """One frame's way through the match.

    `true` is its time by the log's clock, None without one. `entry` is what decided, None where
    nothing covers the frame: then `around` are the lines of its body before and after it.
    """

    match: FrameMatch
    clock: ClockWord | None
    true: TrueTime | None
    entry: LogLine | None
    by_name: bool
    around: tuple[LogLine, ...]


def explain(
    name: str, matches: Matches, frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit
) -> Explanation:
    """Why the frame of this name (with or without suffix and folder) came to its outcome.

    `matches` is what match_frames made of the same frames, logs and kit. Raises InputError where
    there is no such frame, or more than one.
    """
    found = _named(name, matches)
    layout = lay_out(frames, logs, kit)
    known = layout.by_body.get(layout.bodies[found.frame.file])
    true = _true_time(found.frame, known, layout)
    entry = _line(logs, found.log, found.log_line)
    around = () if entry is not None or known is None else tuple(_around(known, true, logs))
    return Explanation(
        found,
        None if known is None else _clock(found, known, logs),
        true,
        entry,
        found.frame.file in layout.by_name,
        around,
    )


def _named(name: str, matches: Matches) -> FrameMatch:
    wanted = name.replace("\\", "/").strip("/").casefold()
    files = {match.frame.file: match for match in matches.frames}
    for file, match in files.items():
        if file.casefold() == wanted:
            return match
    found = [file for file in files if _answers(file.casefold(), wanted)]
    if len(found) == 1:
        return files[found[0]]
    if found:
        text = f"{name} is more than one frame: {' and '.join(found[:3])}"
        raise InputError(Problem("", text, expected="its folder or suffix with it"))
    near = nearest(wanted, [match.frame.stem for match in matches.frames])
    raise InputError(
        Problem("", f"there is no frame {name}", expected="a frame of the folder", suggestion=near)
    )


def _answers(file: str, wanted: str) -> bool:
    """Whether a file has this name, but for folders before it and a suffix."""
    return any(f"/{form}".endswith(f"/{wanted}") for form in (file, file.rpartition(".")[0]))


def _true_time(frame: Frame, known: BodyLog | None, layout: Layout) -> TrueTime | None:
    if known is not None:
        return known.true_time(frame)
    return None if frame.time is None else BodyClock().true_time(frame.time, layout.zone)


def _clock(found: FrameMatch, known: BodyLog, logs: Sequence[SessionLog]) -> ClockWord | None:
    time = found.frame.time
    if time is None:
        return None
    reading = instant(placed(time, known.zone))
    clock = known.clock_of(found.frame)
    lines = [
        line
        for log in logs
        for word in log.clocks
        if word.body in (None, found.body)
        and (line := _line(logs, log.file, word.line)) is not None
    ]
    return ClockWord(
        timedelta(seconds=round(clock.ahead_at(reading) / SECOND)),
        timedelta(seconds=round(clock.error_at(reading) / SECOND)),
        tuple(lines),
        timedelta(microseconds=round(clock.residual)),
    )


def _line(logs: Sequence[SessionLog], file: str | None, line: int | None) -> LogLine | None:
    if file is None or line is None:
        return None
    log = next(log for log in logs if log.file == file)
    return LogLine(file, line, log.lines[line - 1].strip())


def _around(known: BodyLog, true: TrueTime | None, logs: Sequence[SessionLog]) -> Iterator[LogLine]:
    """The entries of the body before and after a time."""
    if true is None:
        return
    changes = known.timeline.changes
    before = [change for change in changes if change.latest <= true.earliest]
    after = [change for change in changes if change.earliest >= true.latest]
    for change in (*before[-1:], *after[:1]):
        line = _line(logs, change.log, change.line)
        if line is not None:
            yield line
