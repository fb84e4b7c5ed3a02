"""The shots of one body, in the order they were made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flangeback.clock.model import SECOND
from flangeback.frames.model import Frame


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame of a body.

    Its true time, by the log's clock, lies from `earliest` up to, not including, `latest`; `start`
    up to `end` is the body's own reading, in which the clock's error has no part. All four are
    whole microseconds.
    """

    frame: Frame
    earliest: int
    latest: int
    start: int
    end: int

    @property
    def at(self) -> float:
        """The middle of its true time, in seconds."""
        return (self.earliest + self.latest) / 2 / SECOND


def pause(shots: Sequence[Shot], place: int) -> float:
    """Seconds, at the longest, between the shots before and after a place; infinite at either end.

    Place p lies after p shots.
    """
    if not 0 < place < len(shots):
        return float("inf")
    return (shots[place].end - shots[place - 1].start) / SECOND
