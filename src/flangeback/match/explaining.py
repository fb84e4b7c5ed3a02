"""Why one frame came to what it came to, read off what the match knows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from flangeback.clock.model import SECOND, BodyClock, instant, placed
from flangeback.errors import InputError, Problem, nearest
from flangeback.log.model import SessionLog
from flangeback.match.changes import BodyTimeline
from flangeback.match.clock_fit import ClockFit
from flangeback.match.model import FrameMatch, Matches, Source
from flangeback.match.names import in_a_log
from flangeback.words import listed


@dataclass(frozen=True)
class LogLine:
    """A line of a log, as it was written."""

    log: str
    line: int
    text: str


@dataclass(frozen=True)
class ClockWord:
    """How a body's clock was taken to go.

    `ahead` of the log's (behind: negative) when the frame was made, good to `error` either way;
    `lines` say so, none where it was taken as right. `residual` is how far the farthest of them
    lies from the line through all.
    """

    ahead: timedelta
    error: timedelta
    lines: tuple[LogLine, ...]
    residual: timedelta


@dataclass(frozen=True)
class Explanation:
    """One frame's way through the match.

    `clock` and `fit`, which is how the frames agree with
    it, are None where no log speaks of its body. `entry` is what decided, None where nothing
    covers the frame: then `around` are the lines of its body before and after it.
    """

    match: FrameMatch
    clock: ClockWord | None
    fit: ClockFit | None
    entry: LogLine | None
    around: tuple[LogLine, ...]

    @property
    def by_name(self) -> bool:
        """Whether an entry names the frame."""
        return self.match.by is Source.NAME


def explain(name: str, matches: Matches, logs: Sequence[SessionLog]) -> Explanation:
    """Why the frame of this name (with or without suffix and folder) came to its outcome.

    `matches` is what match_frames made of these logs. Raises InputError where there is no such
    frame, or more than one.
    """
    found = _named(name, matches)
    timeline = matches.timelines.get(found.body)
    entry = _line(logs, found.log, found.log_line)
    return Explanation(
        found,
        None if timeline is None else _clock(found, timeline, logs),
        next((fit for fit in matches.clocks if fit.body == found.body), None),
        entry,
        () if entry is not None or timeline is None else tuple(_around(found, timeline, logs)),
    )


def _named(name: str, matches: Matches) -> FrameMatch:
    wanted = in_a_log(name.replace("\\", "/").strip("/"))
    files = {match.frame.file: match for match in matches.frames}
    exact = [file for file in files if in_a_log(file) == wanted]
    found = exact or [file for file in files if _answers(in_a_log(file), wanted)]
    if exact or len(found) == 1:
        return files[found[0]]
    if found:
        text = f"{name} is more than one frame: {listed(found[:3])}"
        raise InputError(Problem("", text, expected="its folder or suffix with it"))
    near = nearest(wanted, [match.frame.stem for match in matches.frames])
    raise InputError(
        Problem("", f"there is no frame {name}", expected="a frame of the folder", suggestion=near)
    )


def _answers(file: str, wanted: str) -> bool:
    """Whether a file has this name, but for folders before it and a suffix."""
    return any(f"/{form}".endswith(f"/{wanted}") for form in (file, file.rpartition(".")[0]))


def _clock(
    found: FrameMatch, timeline: BodyTimeline, logs: Sequence[SessionLog]
) -> ClockWord | None:
    time = found.frame.time
    if time is None:
        return None
    reading = instant(placed(time, timeline.clock.zone))
    clock: BodyClock = timeline.clock.at(found.frame)
    words = [(log, word) for log in logs for word in log.clocks if word.body in (None, found.body)]
    lines = (_line(logs, log.file, word.line) for log, word in words)
    return ClockWord(
        timedelta(seconds=round(clock.ahead_at(reading) / SECOND)),
        timedelta(seconds=round(clock.error_at(reading) / SECOND)),
        tuple(line for line in lines if line is not None),
        timedelta(microseconds=round(clock.residual)),
    )


def _line(logs: Sequence[SessionLog], file: str | None, line: int | None) -> LogLine | None:
    if file is None or line is None:
        return None
    log = next(log for log in logs if log.file == file)
    return LogLine(file, line, log.lines[line - 1].strip())


def _around(
    found: FrameMatch, timeline: BodyTimeline, logs: Sequence[SessionLog]
) -> Iterator[LogLine]:
    """The entries of the body before and after a frame."""
    shots, changes = timeline.shots, timeline.changes
    at = next((n for n, shot in enumerate(shots) if shot.frame == found.frame), None)
    if at is None:
        return
    before = [change for change in changes if change.places[-1] <= at]
    after = [change for change in changes if change.places[0] > at]
    for change in (*before[-1:], *after[:1]):
        line = _line(logs, change.log, change.line)
        if line is not None:
            yield line
