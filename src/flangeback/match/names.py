"""Frames that the log names: one by one or as a range, by the number at the end of the name."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from flangeback.errors import Problem, nearest
from flangeback.frames.model import Frame
from flangeback.log.model import FrameName, FrameRange, SessionLog

_HALF_WAY = 5000
"""Half of the 9999 frames that names count to before they begin anew (CIPA DC-009)."""
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class NamedFrames:
    """Finds frames by name. `bodies` gives each file's body, where it is known."""

    frames: Sequence[Frame]
    bodies: Mapping[str, str | None]
    by_stem: Mapping[str, Sequence[Frame]]

    @classmethod
    def of(cls, frames: Sequence[Frame], bodies: Mapping[str, str | None]) -> NamedFrames:
        by_stem: dict[str, list[Frame]] = defaultdict(list)
        for frame in frames:
            by_stem[frame.stem.casefold()].append(frame)
        return cls(frames, bodies, by_stem)

    def find(
        self, log: SessionLog, name: FrameName, body: str | None
    ) -> tuple[list[Frame], list[Problem]]:
        """The frames of this name made by `body` (any, when None), or what is wrong with it."""
        named = [f for f in self.by_stem.get(_stem(name.name), ()) if _under(name.name, f)]
        if not named:
            return [], [self._missing(log, name)]
        fitting = [frame for frame in named if self._may_be(frame, body)]
        if not fitting:
            other = self.bodies[named[0].file]
            text = f"{name.name} was made by {other}, not by {body}"
            return [], [_problem(log, name, text, "a frame of the entry's body")]
        if len({_folder(frame.file) for frame in fitting}) > 1:
            places = " and ".join(frame.file for frame in fitting[:2])
            return [], [_problem(log, name, f"{name.name} is more than one frame: {places}",
                                 "its folder before the name")]  # fmt: skip
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
        prefix, number = numbered(frame.stem)
        start_prefix, start = numbered(first.stem)
        _, end = numbered(last.stem)
        if prefix != start_prefix or not self._may_be(frame, body):
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

    def _missing(self, log: SessionLog, name: FrameName) -> Problem:
        near = nearest(_stem(name.name), self.by_stem)
        shown = None if near is None else self.by_stem[near][0].stem
        return _problem(
            log, name, f"there is no frame {name.name}", "the name of a frame in the folder", shown
        )


def numbered(stem: str) -> tuple[str, int]:
    """A stem as its letters, folded, and its last number."""
    found = re.fullmatch(r"(.*?)(\d+)(\D*)", stem)
    if found is None:
        return stem.casefold(), -1
    return f"{found[1]}#{found[3]}".casefold(), int(found[2])


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


def in_turn(things: Sequence[_T], number: Callable[[_T], int]) -> Sequence[_T]:
    """Things in the order of their count, which begins anew after 9999."""
    numbers = [number(thing) for thing in things]
    turned = bool(numbers) and max(numbers) - min(numbers) > _HALF_WAY

    def count(thing: _T) -> int:
        n = number(thing)
        return n + 2 * _HALF_WAY if turned and n < _HALF_WAY else n

    return sorted(things, key=count)
