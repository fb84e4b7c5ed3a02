"""The frames of one body, in the order they were made."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby

from flangeback.clock.model import SECOND, TrueTime, instant, microseconds, placed
from flangeback.frames.model import Frame
from flangeback.match.layout import BodyLog
from flangeback.match.names import in_turn, numbered


@dataclass(frozen=True, slots=True)
class Shot:
    """A frame with its time: `true` by the log's clock, and the body's own reading from `start`
    up to `end` (microseconds), in which the clock's error has no part."""

    frame: Frame
    true: TrueTime
    start: int
    end: int


class Order:
    """The shots of one body, each after the one before it.

    Readings tell the order; where they are equal, the count in the names does, with its turn from
    9999 to 0001.
    """

    def __init__(self, shots: Iterable[Shot]) -> None:
        self.shots: Sequence[Shot] = tuple(_ordered(shots))
        # Rising, so that they can be searched, whatever a single reading's width is.
        self._latest = list(accumulate((shot.true.latest for shot in self.shots), max))
        earliest = accumulate((shot.true.earliest for shot in reversed(self.shots)), min)
        self._earliest = [*earliest][::-1]

    @classmethod
    def of(cls, frames: Iterable[Frame], known: BodyLog) -> Order:
        """The order of these frames of one body; those without a time have no place in it."""
        return cls(shot for frame in frames if (shot := _shot(frame, known)) is not None)

    def places(self, earliest: int, latest: int) -> tuple[int, int]:
        """How many shots were made before a change that fell in this stretch of the log's time:
        the least and the most."""
        return bisect_right(self._latest, earliest), bisect_left(self._earliest, latest)

    def pause(self, place: int) -> float:
        """Seconds, at the longest, between the shots before and after a place."""
        if not 0 < place < len(self.shots):
            return float("inf")
        return (self.shots[place].end - self.shots[place - 1].start) / SECOND


def _shot(frame: Frame, known: BodyLog) -> Shot | None:
    if frame.time is None:
        return None
    start = instant(placed(frame.time, known.zone)) - known.set_by(frame)
    true = known.clock_of(frame).true_time(frame.time, known.zone)
    return Shot(frame, true, start, start + microseconds(frame.time.resolution))


def _ordered(shots: Iterable[Shot]) -> Iterable[Shot]:
    by_reading = sorted(shots, key=lambda shot: (shot.start, shot.frame.file))
    for _, group in groupby(by_reading, key=lambda shot: shot.start):
        yield from counted(list(group))


def counted(shots: Sequence[Shot]) -> Sequence[Shot]:
    """Shots of one reading by the count in their names."""
    if len(shots) < 2:
        return shots
    by_file = sorted(shots, key=lambda shot: shot.frame.file)
    return in_turn(by_file, lambda shot: numbered(shot.frame.stem)[1])
