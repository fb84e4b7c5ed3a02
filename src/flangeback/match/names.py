"""Frames that the log names: one by one, as a range by the number at their end, or as a group."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fnmatch import translate
from functools import cached_property
from typing import Any

from flangeback.clock.counting import numbered
from flangeback.errors import Problem, nearest
from flangeback.frames.model import Frame, without_suffix
from flangeback.log.model import (
    FrameGroup,
    FrameName,
    FrameRange,
    GroupKind,
    Part,
    SessionLog,
    Setting,
    Span,
)
from flangeback.log.text import clean_word
from flangeback.match.bodies import Bodies
from flangeback.match.changes import Change, Rank
from flangeback.words import exact, visible

DayOf = Callable[[Frame], date | None]
"""Tells the day on which a frame was made; None where that isn't known."""
_BEYOND = 10**18
"""No number at the end of a name is as great (see `log.names`)."""
Found = tuple[Sequence[Frame], Sequence[Problem]]
"""The frames that are named, and what is wrong with the names."""


@dataclass(frozen=True)
class NamedFrames:
    """Finds frames by name, among those that these bodies made."""

    frames: Sequence[Frame]
    bodies: Bodies

    @cached_property
    def by_stem(self) -> Mapping[str, Sequence[Frame]]:
        """The frames of each name, as a log has it."""
        found: dict[str, list[Frame]] = defaultdict(list)
        for frame in self.frames:
            found[_stem(frame.stem)].append(frame)
        return found

    @cached_property
    def by_folder(self) -> Mapping[str, Sequence[Frame]]:
        """The frames in each folder, as a log has it."""
        found: dict[str, list[Frame]] = defaultdict(list)
        for frame in self.frames:
            found[_folder(frame.file)].append(frame)
        return found

    @cached_property
    def by_letters(self) -> Mapping[str, Sequence[tuple[str, int, Frame]]]:
        """Folder and number of the frames whose names have these letters, rising."""
        found: dict[str, list[tuple[str, int, Frame]]] = defaultdict(list)
        for frame in self.frames:
            letters, number = numbered(frame.stem)
            found[letters].append((_folder(frame.file), number, frame))
        for series in found.values():
            series.sort(key=lambda one: one[:2])
        return found

    def named(
        self, log: SessionLog, frames: FrameRange | FrameGroup, body: str | None, day_of: DayOf
    ) -> Found:
        """The frames of an entry's place made by `body` (any, when None)."""
        if isinstance(frames, FrameRange):
            return self.range(log, frames, body)
        # A group has no frame that may be another body's, or is none.
        group = self._group(frames, day_of)
        found = [f for f in group if body is None or self.bodies[f.file] == body]
        folders = {_up_to(f.file, frames.name.name) for f in found}
        if frames.kind is GroupKind.FOLDER and len(folders) > 1:
            text = f"{frames} is more than one folder: {' and '.join(sorted(folders)[:2])}"
            return [], [log.problem(frames.name, text, "the folder above it before the name")]
        if found:
            return found, []
        whose = "" if body is None else f" of {body}"
        text = {
            GroupKind.ALL: f"there is no frame{whose}",
            GroupKind.FOLDER: f"no frame{whose} lies in {frames}",
            GroupKind.DAY: f"no frame{whose} was made on {frames}",
            GroupKind.PATTERN: f"no frame{whose} has a name like {frames}",
        }[frames.kind]
        return [], [log.problem(frames.name, text, "frames that are in the folder")]

    def _group(self, group: FrameGroup, day_of: DayOf) -> Iterator[Frame]:
        name = group.name.name
        if group.kind is GroupKind.PATTERN:
            yield from self._like(name)
        elif group.kind is GroupKind.FOLDER:
            yield from self._in_folder(name)
        else:
            day = group.day
            yield from (one for one in self.frames if day is None or day_of(one) == day)

    def _in_folder(self, name: str) -> Iterator[Frame]:
        """The frames below the folders of this name."""
        for folder, frames in self.by_folder.items():
            if f"/{in_a_log(name)}/" in f"/{folder}/":
                yield from frames

    def _like(self, name: str) -> Iterator[Frame]:
        """The frames of whose name, with or without its suffix, this is the pattern."""
        # Of fnmatch's wildcards a log has the star alone.
        pattern = re.compile(translate(re.sub(r"([?[])", r"[\1]", _stem(name))))
        has_suffix = "." in _stem(name)
        for stem, frames in self.by_stem.items():
            fits = pattern.fullmatch(stem)
            for frame in frames if fits or has_suffix else ():
                files = (_stem(file.file) for file in frame.files)
                if (fits or any(map(pattern.fullmatch, files))) and _under(name, frame):
                    yield frame

    def find(self, log: SessionLog, name: FrameName, body: str | None) -> Found:
        """The frames of this name made by `body` (any, when None), or what is wrong with it."""
        named = self._named(name)
        fitting = [frame for frame in named if self._may_be(frame, body)]
        folders = {_folder(frame.file) for frame in fitting}
        if not named:
            near = nearest(_stem(name.name), self.by_stem)
            shown = None if near is None else self.by_stem[near][0].stem
            if any(self._in_folder(name.name)):
                shown = f"{name.name}/"
            text, expected = f"there is no frame {name.name}", "the name of a frame in the folder"
            return [], [log.problem(name, text, expected, shown)]
        if not fitting:
            text = f"{name.name} was made by {self.bodies[named[0].file]}, not by {body}"
            return [], [log.problem(name, text, "a frame of the entry's body")]
        if len(folders) > 1:
            files = " and ".join(frame.file for frame in fitting[:2])
            text = f"{name.name} is more than one frame: {files}"
            return [], [log.problem(name, text, "its folder before the name")]
        return fitting, []

    def _named(self, name: FrameName) -> Sequence[Frame]:
        return [f for f in self.by_stem.get(_stem(name.name), ()) if _under(name.name, f)]

    def doubtful_times(self, log: SessionLog) -> Iterator[Problem]:
        """The problems of times written as 1516 where a frame's name is that, or ends with it."""
        places = [place for entry in log.entries if (place := entry.places.get(Part.TIME))]
        # Who writes several times, all of them so, means times.
        is_habit = len(places) > 1 and all(place.text.isdigit() for place in places)
        by_digits = {stem if is_habit else stem[-4:]: stem for stem in self.by_stem}
        for place in places:
            digits = place.text
            if digits.isdigit() and digits in by_digits:
                stem = self.by_stem.get(digits, self.by_stem[by_digits[digits]])[0].stem
                frame = f'"{digits}" in quotes' if stem == digits else stem
                expected = f"{digits[:2]}:{digits[2:]} for the time, or {frame} for the frame"
                text = f"{digits} can be a time or a frame"
                yield log.problem(FrameName.at(place, digits), text, expected)

    def range(self, log: SessionLog, frames: FrameRange, body: str | None) -> Found:
        """The frames from the first to the last, both included, or what is wrong with the names."""
        first, problems = self.find(log, frames.first, body)
        last, more = self.find(log, frames.last, body)
        if frames.last == frames.first:
            return first, problems
        if problems or more:
            inside = self._inside(frames)
            ends = zip((frames.first, frames.last), inside, (problems, more), strict=True)
            return [], [
                replace(one, suggestion=near if near and not self._named(end) else one.suggestion)
                for end, near, those in ends
                for one in those
            ]
        letters, start = numbered(first[0].stem)
        _, end = numbered(last[0].stem)
        here, there = _folder(first[0].file), _folder(last[0].file)
        if here == there and start <= end:
            stretches = [((here, start), (here, end))]
        elif here == there:
            # The count began anew.
            stretches = [((here, -1), (here, end)), ((here, start), (here, _BEYOND))]
        else:
            # Each folder begins to count anew, or goes on: both hold.
            stretches = [((here, start), (there, end))]
        return [
            frame
            for low, high in stretches
            for frame in self._between(letters, low, high)
            if self._may_be(frame, body)
        ], []

    def _inside(self, frames: FrameRange) -> tuple[str | None, str | None]:
        """The first and the last frame there are of a range, whose ends were culled, perhaps."""
        letters, start = numbered(_stem(frames.first.name))
        _, end = numbered(_stem(frames.last.name))
        found = [
            frame.stem for _, n, frame in self.by_letters.get(letters, ()) if start <= n <= end
        ]
        return (found[0], found[-1]) if found else (None, None)

    def _between(
        self, letters: str, low: tuple[str, int], high: tuple[str, int]
    ) -> Iterator[Frame]:
        """The frames of a series from one folder and number to the other, both included."""
        series = self.by_letters[letters]
        first = bisect_left(series, low, key=lambda one: one[:2])
        last = bisect_right(series, high, key=lambda one: one[:2])
        return (frame for _, _, frame in series[first:last])

    def _may_be(self, frame: Frame, body: str | None) -> bool:
        return body is None or self.bodies[frame.file] in (None, body)


_RANKS = {
    GroupKind.ALL: Rank.ALL,
    GroupKind.FOLDER: Rank.GROUP,
    GroupKind.DAY: Rank.GROUP,
    GroupKind.PATTERN: Rank.NAME,
}


def named_change(span: Span, frames: Iterable[Frame]) -> Change:
    """The change that an entry means which names these frames."""
    rank = _RANKS[span.frames.kind] if isinstance(span.frames, FrameGroup) else Rank.NAME
    files = frozenset(frame.file for frame in frames)
    setting = span.setting
    named = Change(setting.log, setting.line, setting, None, (), rank=rank, files=files)
    return replace(named, frames=span.frames, body=span.body)


def named_twice(
    log: SessionLog, span: Span, change: Change, others: Iterable[Change]
) -> Iterator[Problem]:
    """The problem that an entry above says otherwise of a frame, neither standing above."""
    other = next((other for other in others if change.contradicts(other)), None)
    if other is not None and span.frames is not None:
        frames = span.frames
        name = frames.first if isinstance(frames, FrameRange) else frames.name
        stem = without_suffix(min(change.files & other.files)).rsplit("/", 1)[-1]
        text = f"{_line_of(other, log)} already has {stem}, with other values"
        yield log.problem(name, text, "each frame once")


def carried_otherwise(
    log: SessionLog, span: Span, change: Change, held: Mapping[str, Sequence[Setting]]
) -> Iterator[Problem]:
    """The problem that an entry carries on what didn't stand on the body by the other entries.

    `held` has the settings that may have stood by time, or by the order of slate frames, by file.
    """
    own, frames = span.setting, span.frames
    others = dict.fromkeys(one for file in sorted(change.files) for one in held.get(file, ()))
    for name, (what, shown) in _CARRIED.items():
        if name not in span.carried or getattr(own, name) is None:
            continue
        for other in others:
            its = getattr(other, name)
            if name != "lens" and other.lens != own.lens:
                # A new lens forgets the rest, but has its adapter.
                its = own.adapter if name == "adapter" else None
            if its != getattr(own, name) and frames is not None:
                text = f"{shown(getattr(own, name))} as in line {span.carried_from}"
                text += f" or {shown(its)} as in {_line_of(other, log)}?"
                place = frames.first if isinstance(frames, FrameRange) else frames.name
                yield log.problem(place, text, f"the {what} to be named")
                return


def _line_of(said: Change | Setting, log: SessionLog) -> str:
    """Where it is said, in words for a reader of this log."""
    return f"line {said.line}" + ("" if said.log == log.file else f" of {said.log}")


_CARRIED: Mapping[str, tuple[str, Callable[[Any], str]]] = {
    "lens": ("lens", lambda key: key or "off"),
    "adapter": ("adapter", lambda key: f"via {key}" if key else "no adapter"),
    "f_number": ("f-number", lambda stop: f"f/{exact(stop)}" if stop else "f/?"),
    "focal_length": ("focal length", lambda mm: f"{exact(mm)} mm" if mm else "no focal length"),
}
"""What an entry may carry on, the name of it, and it in words."""


def differing(one: Setting, other: Setting) -> tuple[str, str] | None:
    """In words, what two settings say differently; None where one may be the other's rest."""
    for name, (_, shown) in _CARRIED.items():
        values = getattr(one, name), getattr(other, name)
        if values[0] != values[1] and (name == "lens" or None not in values):
            return shown(values[0]), shown(values[1])
    return None


def in_a_log(name: str) -> str:
    """A name, folders before it and all, as a log's reader has it, in small letters.

    What isn't to be seen in it, such as a byte that isn't UTF-8, stands there by its number.
    """
    if name.isascii() and name.isprintable():
        return name.casefold()
    return clean_word(visible(name)).casefold()


def _stem(name: str) -> str:
    return in_a_log(name.rsplit("/", 1)[-1])


def _up_to(file: str, folder: str) -> str:
    """The path of a file up to the folder of this name."""
    before, _, _ = f"/{in_a_log(file)}".partition(f"/{in_a_log(folder)}/")
    return f"{before}/{folder}".strip("/")


def _folder(file: str) -> str:
    return in_a_log(file.rpartition("/")[0])


def _under(name: str, frame: Frame) -> bool:
    """Whether the frame lies in the folder that the name gives, if it gives one."""
    folder = _folder(name)
    return not folder or f"/{_folder(frame.file)}".endswith(f"/{folder}")
