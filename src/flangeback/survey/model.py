"""What a folder of frames lacks, body by body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from flangeback.copies.others import OtherFiles


@dataclass(frozen=True, slots=True)
class BodyName:
    """A body as its frames name it."""

    make: str | None
    model: str | None
    serial: str | None

    def __str__(self) -> str:
        name = self.model or "a body that doesn't name itself"
        return f"{name}, serial {self.serial}" if self.serial else name


@dataclass(frozen=True, slots=True)
class FrameSequence:
    """Frames of one body in the order of its clock: the first, the last, when, how many."""

    frames: int
    first: str
    last: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Registered:
    """A focal length (mm) registered for the stabiliser: each stretch it stood unchanged for.

    `untimed` counts frames without a time, which belong to no stretch.
    """

    focal_length: float
    stretches: tuple[FrameSequence, ...]
    untimed: int = 0

    @property
    def frames(self) -> int:
        """How many frames carry it."""
        return self.untimed + sum(stretch.frames for stretch in self.stretches)


@dataclass(frozen=True, slots=True)
class Disorder:
    """Two frames that clock and counter put in opposite orders: `later` has the lower number."""

    earlier: str
    later: str
    earlier_time: datetime
    later_time: datetime


@dataclass(frozen=True, slots=True)
class BodySurvey:
    """One body's frames. Times are its own clock's.

    `lacks` counts the frames in which "lens", "f-number" and "focal length" are blank, `lacks_any`
    those where any of them is; a registered focal length counts as one. `pause` is what separates
    the clusters, in seconds.
    `gps_ahead` is how far the clock is ahead of GPS time: whole, where the frames state their
    offset from UTC, else but for whole quarters of an hour (`gps_whole` is False). `natives` are
    the lenses that frames name with their f-number (None: by specification only), and how many do.
    `example` is the first of its frames.
    """

    name: BodyName
    frames: int
    untimed: int
    start: datetime | None
    end: datetime | None
    offsets: tuple[timedelta, ...]
    lacks: Mapping[str, int]
    lacks_any: int
    registered: tuple[Registered, ...]
    natives: Mapping[str | None, int]
    pause: float
    clusters: tuple[FrameSequence, ...]
    disorders: tuple[Disorder, ...]
    gps_frames: int = 0
    gps_ahead: timedelta | None = None
    gps_whole: bool = True
    example: str = ""


@dataclass(frozen=True, slots=True)
class ClockGap:
    """So many `bursts` of two bodies fit together if `ahead`'s clock is `by` ahead of `other`'s."""

    ahead: BodyName
    other: BodyName
    by: timedelta
    bursts: int


@dataclass(frozen=True, slots=True)
class Survey:
    """All of a folder's frames and other files; `damaged` has what can't be read, and why."""

    bodies: tuple[BodySurvey, ...]
    damaged: tuple[tuple[str, str], ...]
    gaps: tuple[ClockGap, ...]
    others: OtherFiles = field(default_factory=OtherFiles)

    @property
    def frames(self) -> int:
        """How many there are, damaged ones included."""
        return len(self.damaged) + sum(body.frames for body in self.bodies)

    @property
    def lacking(self) -> int:
        """How many lack lens, f-number or focal length."""
        return sum(body.lacks_any for body in self.bodies)
