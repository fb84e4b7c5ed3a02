"""Frames that the log names: one by one or as a range, by the number at the end of the name."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flangeback.clock.counting import numbered
from flangeback.errors import Problem, nearest
from flangeback.frames.model import Frame
from flangeback.log.model import FrameName, FrameRange, SessionLog
from flangeback.match.bodies import Bodies


@dataclass(frozen=True, slots=True)
class NamedFrames:
    """Finds frames by name."""

    frames: Sequence[Frame]
    bodies: Bodies
    by_stem: Mapping[str, Sequence[Frame]]

    @classmethod
    def of(cls, frames: Sequence[Frame], bodies: Bodies) -> NamedFrames:
        """The frames of a folder, made by these bodies."""
        by_stem: dict[str, list[Frame]] = defaultdict(list)
        for frame in frames:
            by_stem[frame.stem.casefold()].append(frame)
        return cls(frames, bodies, by_stem)

    def find(
        self, log: SessionLog, name: FrameName, body: str | None
    ) -> tuple[list[Frame], list[Problem]]:
        """The frames of this name made by `body` (any, when None), or what is wrong with it."""
        named = [f for f in self.by_stem.get(_stem(name.name), ()) if _under(name.name, f)]
        fitting = [frame for frame in named if self._may_be(frame, body)]
        folders = {_folder(frame.file) for frame in fitting}
        if not named:
            near = nearest(_stem(name.name), self.by_stem)
            shown = None if near is None else self.by_stem[near][0].stem
            text, expected = f"there is no frame {name.name}", "the name of a frame in the folder"
            return [], [_problem(log, name, text, expected, shown)]
        if not fitting:
            text = f"{name.name} was made by {self.bodies[named[0].file]}, not by {body}"
            return [], [_problem(log, name, text, "a frame of the entry's body")]
        if len(folders) > 1:
            files = " and ".join(frame.file for frame in fitting[:2])
            text = f"{name.name} is more than one frame: {files}"
            return [], [_problem(log, name, text, "its folder before the name")]
        return fitting, []

    def range(
        self, log: SessionLog, frames: FrameRange, body: str | None
    ) -> tuple[list[Frame], list[Problem]]:
        """The frames from the first to the last, both included, or what is wrong with the names."""
        first, problems = self.find(log, frames.first, body)
        last, more = self.find(log, frames.last, body)
        problems += more if frames.last != frames.first else []
        if problems:
            return [], problems
        return [f for f in self.frames if self._within(f, first[0], last[0], body)], []

    def _within(self, frame: Frame, first: Frame, last: Frame, body: str | None) -> bool:
        letters, number = numbered(frame.stem)
        start_letters, start = numbered(first.stem)
        _, end = numbered(last.stem)
        if letters != start_letters or not self._may_be(frame, body):
            return False
        at, start_at, end_at = (_folder(one.file) for one in (frame, first, last))
        if start_at == end_at:
            inside = start <= number <= end if start <= end else not end < number < start
            return at == start_at and inside
        # Each folder begins to count anew, or goes on: both hold.
        if at == start_at:
            return number >= start
        return number <= end if at == end_at else start_at < at < end_at

    def _may_be(self, frame: Frame, body: str | None) -> bool:
        return body is None or self.bodies[frame.file] in (None, body)


def _problem(
    log: SessionLog, name: FrameName, text: str, expected: str, suggestion: str | None = None
) -> Problem:
    return log.problem(name.line, name.column, len(name.name), text, expected, suggestion)


def _stem(name: str) -> str:
    return name.rsplit("/", 1)[-1].casefold()


def _folder(file: str) -> str:
    return file.rpartition("/")[0].casefold()


def _under(name: str, frame: Frame) -> bool:
    """Whether the frame lies in the folder that the name gives, if it gives one."""
    folder = _folder(name)
    return not folder or f"/{_folder(frame.file)}".endswith(f"/{folder}")
