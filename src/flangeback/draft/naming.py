"""Names by which a log can speak of some frames and of no others."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence

from flangeback.errors import InputError
from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log import parse_log
from flangeback.survey.counters import counted


class Namer:
    """Knows every frame of the folder, so that a range names none besides those meant."""

    def __init__(self, frames: Sequence[Frame], kit: Kit) -> None:
        self._kit = kit
        self._folders: dict[str, set[str]] = defaultdict(set)
        self._numbers: dict[tuple[str, str], list[int]] = defaultdict(list)
        for frame in frames:
            self._folders[frame.stem.casefold()].add(_folder(frame.file).casefold())
            series, number = counted(_without_suffix(frame))
            if number is not None:
                self._numbers[series].append(number)
        for numbers in self._numbers.values():
            numbers.sort()

    def ranges(self, frames: Sequence[Frame]) -> Iterator[tuple[str | None, Sequence[Frame]]]:
        """The frames in runs, each with its range of names, such as K7_0212..K7_0230; None where
        names won't do."""
        for run in self._runs(frames):
            name = self._name(run[0], run[-1])
            forms = [f"{name}..{run[-1].stem}"]
            if len(run) == 1:
                forms.insert(0, name)
            yield next((form for form in forms if self._is_read(form, run)), None), run

    def name(self, frame: Frame) -> str | None:
        """One frame's name for a `slate` line; None where it can't stand there."""
        written = self._name(frame)
        try:
            names = parse_log(f"slate {written}", self._kit).slates
        except InputError:
            return None
        fits = [name.name for name in names] == [written] and not self._is_ambiguous(frame)
        return written if fits else None

    def _runs(self, frames: Sequence[Frame]) -> Iterator[Sequence[Frame]]:
        """Frames in a row whose range of numbers holds no other frame of the folder."""
        run: list[Frame] = []
        for frame in frames:
            if run and not self._follows(run[-1], frame):
                yield run
                run = []
            run.append(frame)
        if run:
            yield run

    def _follows(self, before: Frame, after: Frame) -> bool:
        series, first = counted(_without_suffix(before))
        other, second = counted(_without_suffix(after))
        if series != other or first is None or second is None or second <= first:
            return False
        numbers = self._numbers[series]
        # Each once, and no other between them.
        return bisect_right(numbers, second) - bisect_left(numbers, first) == 2

    def _name(self, frame: Frame, last: Frame | None = None) -> str:
        """Its stem, with the folder before it where it, or the last of its range, would otherwise
        be a name of other frames too."""
        ends = (frame, last or frame)
        alone = all(len(self._folders[end.stem.casefold()]) == 1 for end in ends)
        return frame.stem if alone else _without_suffix(frame)

    def _is_read(self, written: str, run: Sequence[Frame]) -> bool:
        """Whether the log's reader takes it for these frames' names, and nothing else."""
        if self._is_ambiguous(run[0]) or self._is_ambiguous(run[-1]):
            return False
        body = next(iter(self._kit.bodies), "")
        try:
            log = parse_log(f"{written} {body} off", self._kit)
        except InputError:
            return False
        if len(log.entries) != 1 or log.entries[0].frames is None:
            return False
        named = log.entries[0].frames
        return (named.first.name.rpartition("/")[2], named.last.name.rpartition("/")[2]) == (
            run[0].stem,
            run[-1].stem,
        )

    def _is_ambiguous(self, frame: Frame) -> bool:
        """Whether its folder's name ends another's that has such a stem too."""
        own = _folder(frame.file).casefold()
        others = self._folders[frame.stem.casefold()] - {own}
        return any(not own or f"/{other}".endswith(f"/{own}") for other in others)


def _folder(file: str) -> str:
    return file.rpartition("/")[0]


def _without_suffix(frame: Frame) -> str:
    folder = _folder(frame.file)
    return f"{folder}/{frame.stem}" if folder else frame.stem
