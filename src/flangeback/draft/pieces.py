"""Frames cut into pieces that one entry may hold for: at pauses, and where the lens changed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from flangeback.frames.model import Frame
from flangeback.survey.clusters import Timed, clusters, in_time, pause_of


@dataclass(frozen=True, slots=True)
class Piece:
    """Frames of one body in a row.

    `start` and `end` are its clock's, None where the frames carry no time. `is_slate` marks a lone
    slate frame.
    """

    frames: tuple[Frame, ...]
    start: datetime | None = None
    end: datetime | None = None
    is_slate: bool = False


def pieces(frames: Sequence[Frame], slates: Collection[str]) -> Iterator[Piece]:
    """The pieces of one body's frames, in the order of its clock; what has no time comes last.

    A pause, a slate frame, another native lens and another focal length registered for the
    stabiliser each begin a new one.
    """
    timed = in_time(frames)
    for cluster in clusters(timed, pause_of(timed)):
        for is_slate, run in _alike(cluster, slates):
            yield Piece(tuple(frame for _, frame in run), run[0][0], run[-1][0], is_slate)
    untimed = tuple(frame for frame in frames if frame.time is None)
    if untimed:
        yield Piece(untimed)


def _alike(timed: Timed, slates: Collection[str]) -> Iterator[tuple[bool, Timed]]:
    """Runs of frames that nothing tells apart; a slate frame stands alone."""

    def likeness(one: tuple[datetime, Frame]) -> tuple[object, ...]:
        _, frame = one
        data = frame.lens_data
        lens = (data.lens or True) if data.is_native else None
        slate = frame.file if frame.file in slates else None
        return slate, lens, data.registered_focal_length

    for (slate, *_), run in groupby(timed, key=likeness):
        yield slate is not None, list(run)
