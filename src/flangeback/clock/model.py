"""Time as whole microseconds, and a body's clock as a straight line through it.

Where the log has a zone, instants count from 1970 in UTC; where it has none, they count the
reading of the wall clock as it stands. Both ends of a comparison are always of one kind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from enum import StrEnum

from flangeback.frames.model import CameraTime, Frame

SECOND = 1_000_000
"""Microseconds."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def instant(at: datetime) -> int:
    """Microseconds since 1970; a naive reading counts as it stands."""
    return ((at if at.tzinfo else at.replace(tzinfo=UTC)) - _EPOCH) // _MICROSECOND


def microseconds(span: timedelta) -> int:
    """A length of time in whole microseconds."""
    return span // _MICROSECOND


@dataclass(frozen=True)
class TrueTime:
    """When a frame was made, by the log's clock.

    Somewhere from `earliest` up to, not including, `latest` (microseconds); `at` is the best single
    reading, for people.
    """

    at: datetime
    earliest: int
    latest: int


@dataclass(frozen=True)
class Reference:
    """A photo of a clock: the body read `camera`, the clock `true`.

    Both are in microseconds, each the middle of what the reading allows; their difference is good
    to `error` either way. `name` is the frame's, for messages.
    """

    camera: float
    true: float
    error: float
    name: str = ""

    @property
    def ahead(self) -> float:
        """By how many microseconds the body's clock was ahead."""
        return self.camera - self.true


@dataclass(frozen=True)
class BodyClock:
    """How far a body's clock is ahead of the log's.

    It is `ahead` microseconds at the reading `origin`, and grows by `drift` per microsecond.

    `error` is how far the offset may be off, either way, between `first` and `last` (readings of
    the body's clock); outside it grows by `error_growth` per microsecond. `unsure` says in words
    why a person should look at this clock, if one should; `residual` is how far, in microseconds,
    the reference that fits worst lies off the line.
    """

    ahead: float = 0.0
    drift: float = 0.0
    origin: float = 0.0
    error: float = 0.0
    first: float = 0.0
    last: float = 0.0
    error_growth: float = 0.0
    unsure: str | None = None
    residual: float = 0.0

    def ahead_at(self, reading: float) -> float:
        """Microseconds the body's clock is ahead when it reads this."""
        return self.ahead + self.drift * (reading - self.origin)

    def error_at(self, reading: float) -> float:
        """Microseconds by which `ahead_at` may be off, either way."""
        outside = max(self.first - reading, reading - self.last, 0.0)
        return self.error + self.error_growth * outside

    def true_time(self, camera: CameraTime, zone: tzinfo | None) -> TrueTime:
        """When a frame was made, by the log's clock. `zone` is the log's, None where it has none.

        A reading with its own offset from UTC is taken by that; one without, by the log's zone.
        Where clocks change, it may be either of two instants.
        """
        reading, other = readings(camera, zone)
        ahead = self.ahead_at(reading)
        error = self.error_at(reading)
        earliest = min(reading, other) - round(ahead + error)
        latest = max(reading, other) + microseconds(camera.resolution) - round(ahead - error)
        return TrueTime(_shown(camera, zone, reading, ahead), earliest, latest)


class ClockSource(StrEnum):
    """What states a body's clock."""

    LOG = "log"
    GPS = "gps"


@dataclass(frozen=True)
class StatedClock:
    """By how much a body's clock is ahead (seconds) as `source` says; None: taken as right.

    `sure` stands above the frames; `error` is how far it, or a note, may be off, in seconds;
    `by_gps` what satellites have instead, where the log states it in these `lines`. With `by_photo`
    photos of a clock among the frames tell it; with `was_set` it was set during the outing, and
    nothing tells by how much.
    """

    ahead: float = 0.0
    source: ClockSource | None = None
    sure: bool = False
    error: float = 0.0
    by_gps: float | None = None
    lines: tuple[int, ...] = ()
    by_photo: bool = False
    was_set: bool = False


@dataclass(frozen=True)
class ClockHistory:
    """What a body's readings go by: `clock`, but for the files in `pieces`.

    Those were made before or after it was set. `zone` is the log's, None where it has none.
    """

    zone: tzinfo | None = None
    clock: BodyClock = BodyClock()
    pieces: Mapping[str, BodyClock] = field(default_factory=dict)

    def at(self, frame: Frame) -> BodyClock:
        """The clock by which a frame was made."""
        return self.pieces.get(frame.file, self.clock)

    def true_time(self, frame: Frame) -> TrueTime | None:
        """The frame's time by the log's clock; None when the frame carries none."""
        return None if frame.time is None else self.at(frame).true_time(frame.time, self.zone)

    def reading(self, camera: CameraTime, file: str) -> int:
        """A file's reading (microseconds), as if the clock had never been set."""
        set_by = round(self.pieces[file].ahead) if file in self.pieces else 0
        return instant(placed(camera, self.zone)) - set_by


def placed(camera: CameraTime, zone: tzinfo | None, fold: int = 0) -> datetime:
    """The body's reading on the log's time line: naive without a zone, else aware.

    `fold` chooses between two instants that read alike, as datetime's does.
    """
    if zone is None:
        return camera.at
    if camera.offset is not None:
        return camera.at.replace(tzinfo=timezone(camera.offset))
    return camera.at.replace(tzinfo=zone, fold=fold)


def readings(camera: CameraTime, zone: tzinfo | None) -> tuple[int, int]:
    """The two instants (microseconds) that a body's reading may be; mostly they are one."""
    reading = instant(placed(camera, zone))
    if zone is None or camera.offset is not None:
        return reading, reading
    return reading, instant(placed(camera, zone, fold=1))


def in_their_hours(stretches: Sequence[tuple[int, int, int]]) -> list[tuple[int, int]]:
    """Stretches of time in their order, each in that of its two places which the others leave it.

    Each is (first, last, apart), in microseconds. Where clocks fall back an hour, what reads alike
    is `apart`: it ends so long before `last`, or begins so long after `first`. Else that is 0.
    """
    found, reached = [], min((first for first, *_ in stretches), default=0)
    for first, last, apart in stretches:
        if apart and last - apart <= reached:
            first += apart
        reached = max(reached, first)
        found.append((first, last))
    coming = max((last for _, last in found), default=0)
    for at in reversed(range(len(found))):
        (first, last), apart = found[at], stretches[at][2]
        if apart and last - first > apart and first + apart >= coming:
            last -= apart
        coming = min(coming, last)
        found[at] = first, last
    return found


def _shown(camera: CameraTime, zone: tzinfo | None, reading: int, ahead: float) -> datetime:
    """The true time as a person reads it, to the camera's own resolution."""
    step = microseconds(camera.resolution)
    true = reading - round(ahead / step) * step
    if true == reading and zone is None and camera.offset is None:
        return camera.at
    at = _EPOCH + timedelta(microseconds=true)
    if zone is not None:
        return at.astimezone(zone)
    own = None if camera.offset is None else timezone(camera.offset)
    return at.replace(tzinfo=own)
