"""Names by which a log can speak of some frames and of no others."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence

from flangeback.clock.counting import count_of
from flangeback.frames.model import Frame, without_suffix
from flangeback.kit.model import Kit
from flangeback.log.gear import Gear
from flangeback.log.reading import frames_in
from flangeback.match.names import in_a_log
from flangeback.words import visible


class Namer:
    """Knows every frame of the folder, so that a range names none besides those meant."""

    def __init__(self, frames: Sequence[Frame], kit: Kit) -> None:
        self._gear = Gear(kit)
        self._folders: dict[str, set[str]] = defaultdict(set)
        self._numbers: dict[str, list[int]] = defaultdict(list)
        for frame in frames:
            self._folders[frame.stem.casefold()].add(_folder(frame))
            series, number = count_of(frame)
            if number >= 0:
                self._numbers[series].append(number)
        for numbers in self._numbers.values():
            numbers.sort()

    def ranges(self, frames: Sequence[Frame]) -> Iterator[tuple[str | None, Sequence[Frame]]]:
        """The frames in runs, each with its range, K7_0212..K7_0230; None where names won't do."""
        run: list[Frame] = []
        for frame in frames:
            if run and not self._follows(run[-1], frame):
                yield self._range(run), run
                run = []
            run.append(frame)
        if run:
            yield self._range(run), run

    def name(self, frame: Frame) -> str | None:
        """One frame's name for a `slate` line; None where it can't stand there."""
        written = self._written(frame, frame)
        for form in (written, f'"{written}"'):
            names = [in_a_log(slate.name) for slate in frames_in(f"slate {form}", self._gear)]
            if names == [in_a_log(written)] and not self._is_ambiguous(frame):
                return form
        return None

    def _follows(self, before: Frame, after: Frame) -> bool:
        """Whether one frame comes after the other in a row, no frame of the folder between."""
        series, first = count_of(before)
        other, second = count_of(after)
        if series != other or first < 0 or second <= first:
            return False
        numbers = self._numbers[series]
        return bisect_right(numbers, second) - bisect_left(numbers, first) == 2

    def _range(self, run: Sequence[Frame]) -> str | None:
        """What names these frames, and is read as nothing else."""
        first, last = run[0], run[-1]
        if self._is_ambiguous(first) or self._is_ambiguous(last):
            return None
        name = self._written(first, last)
        to = shown(last.stem)
        one = [name, f'"{name}"'] if len(run) == 1 else []
        for form in (*one, f"{name}..{to}", f'"{name}".."{to}"'):
            ends = frames_in(f"{form} off", self._gear)
            named = [in_a_log(end.name.rpartition("/")[2]) for end in ends]
            if named == [in_a_log(first.stem), in_a_log(last.stem)]:
                return form
        return None

    def _written(self, first: Frame, last: Frame) -> str:
        """A frame's stem as it is to be seen, with its folder where it needs one.

        It does where its stem, or that of the last of its range, is that of other frames too.
        """
        is_alone = all(len(self._folders[end.stem.casefold()]) == 1 for end in (first, last))
        return shown(first.stem if is_alone else without_suffix(first.file))

    def _is_ambiguous(self, frame: Frame) -> bool:
        """Whether its folder's name ends another's that has such a stem too."""
        own = _folder(frame)
        others = self._folders[frame.stem.casefold()] - {own}
        return any(not own or f"/{other}".endswith(f"/{own}") for other in others)


def _folder(frame: Frame) -> str:
    return frame.file.rpartition("/")[0].casefold()


def shown(name: str) -> str:
    """A name as it is to be seen, in one line."""
    return visible(name).replace("\n", " ")
