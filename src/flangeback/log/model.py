"""What a session log says, as immutable entries, and what it means, as spans."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from decimal import Decimal
from enum import StrEnum
from typing import Literal

from flangeback.errors import Problem
from flangeback.log.text import Place
from flangeback.words import clock_time, exact

OrderWord = Literal["first", "then"]
"""How an entry stands in the order of slate frames: from the body's first frame on, or after the
next slate frame."""


@dataclass(frozen=True)
class Moment:
    """An instant as closely as it was written: from `earliest` up to, not including, `latest`.

    Both are naive where the log has no zone, and aware where it has one.
    """

    earliest: datetime
    latest: datetime

    def widened(self, slack: timedelta) -> Moment:
        """The same moment when the note may be off by `slack` either way."""
        return Moment(self.earliest - slack, self.latest + slack) if slack else self


class ApertureKind(StrEnum):
    """How an entry gives the aperture."""

    STOP = "stop"
    """An f-number."""
    BETWEEN = "between"
    """The ring stood between two f-numbers."""
    OPEN = "open"
    """Wide open: the lens's widest."""
    NOT_NOTED = "not noted"


@dataclass(frozen=True)
class Aperture:
    """The aperture of an entry; `stops` are the f-numbers written: one, two or none."""

    kind: ApertureKind
    stops: tuple[Decimal, ...] = ()

    def __str__(self) -> str:
        words = {ApertureKind.OPEN: "open", ApertureKind.NOT_NOTED: "f/?"}
        return words.get(self.kind) or "f/" + "-".join(map(exact, self.stops))


@dataclass(frozen=True)
class FrameName:
    """A frame named in the log: its stem as written, with a folder before it where one was given.

    `line` and `column` count from 1 and say where it stands; `quoted` says that it does in quotes.
    """

    name: str
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)
    quoted: bool = field(default=False, compare=False)

    @classmethod
    def at(cls, place: Place, name: str) -> FrameName:
        """The frame of this name, which stands here."""
        return cls(name, place.line.number, place.column, place.is_quoted)


@dataclass(frozen=True)
class FrameRange:
    """The frames from `first` to `last`, both included, counted by their names' last number."""

    first: FrameName
    last: FrameName

    def __str__(self) -> str:
        first, last = self.first.name, self.last.name
        return first if first == last else f"{first}..{last}"


class GroupKind(StrEnum):
    """What the frames of a group share."""

    ALL = "all"
    """Nothing: it is every frame, or every frame of the entry's body."""
    FOLDER = "folder"
    DAY = "day"
    PATTERN = "pattern"
    """A name with `*`, which stands for any characters."""


@dataclass(frozen=True)
class FrameGroup:
    """Frames that are named together: all, those of a folder or a day, those of a pattern.

    `name` is the folder, the pattern, or the place as written; `day` is given for a day alone.
    """

    kind: GroupKind
    name: FrameName
    day: date | None = None

    def __str__(self) -> str:
        return f"{self.name.name}/" if self.kind is GroupKind.FOLDER else self.name.name


Frames = FrameRange | FrameGroup


def covers(outer: Frames, inner: Frames | None) -> bool | None:
    """Whether all frames of `inner` lie in `outer`; None where the words don't tell.

    `inner` None is a stretch of time. A range of names covers nothing but itself: what lies in it
    is told by the frames alone.
    """
    if isinstance(outer, FrameRange) or inner == outer:
        return inner == outer
    if outer.kind is GroupKind.ALL:
        return True
    if inner is None:
        return None
    if isinstance(inner, FrameRange):
        first, last = (_holds(outer, end.name) for end in (inner.first, inner.last))
        is_certain = inner.first == inner.last or outer.kind is GroupKind.FOLDER
        return first if is_certain and first == last else None
    if inner.kind is GroupKind.ALL:
        return False
    if inner.kind is outer.kind is GroupKind.DAY:
        return False
    if inner.kind is outer.kind is GroupKind.FOLDER:
        return _holds(outer, f"{inner.name.name}/*")
    if inner.kind is GroupKind.PATTERN:
        # What its * stands for, a * of the other stands for as well. Else they may overlap.
        return _holds(outer, inner.name.name) or None
    return None


def _holds(group: FrameGroup, name: str) -> bool | None:
    """Whether a frame of this name lies in a group; None where its name doesn't tell."""
    folder, _, _ = name.casefold().rpartition("/")
    own = group.name.name.casefold()
    if group.kind is GroupKind.FOLDER:
        return f"/{own}/" in f"/{folder}/" if folder else None
    if group.kind is GroupKind.PATTERN and folder == own.rpartition("/")[0]:
        return re.fullmatch(".*".join(map(re.escape, own.split("*"))), name.casefold()) is not None
    return None


def is_every_frame(said: Entry | Span) -> bool:
    """Whether it speaks of every frame there is, whichever body made it."""
    is_all = isinstance(said.frames, FrameGroup) and said.frames.kind is GroupKind.ALL
    return is_all and said.body is None


class Part(StrEnum):
    """What a word of an entry says; each at most once. ENTRY is all of them."""

    ENTRY = "entry"
    TIME = "time"
    FRAMES = "range of frames"
    ORDER = "place in the order of slate frames"
    BODY = "body"
    LENS = "lens"
    ADAPTER = "adapter"
    APERTURE = "aperture"
    FOCAL_LENGTH = "focal length"
    OFF = "off"
    REMARK = "remark"


@dataclass(frozen=True)
class Entry:
    """One entry, as written: what it doesn't say is None.

    One of `start` (with `end` for a start-end entry), `frames` and `order` is given. `body`,
    `lens` and `adapter` are keys of the kit, `focal_length` is in mm as marked on the lens, `off`
    means that no adapted lens is on the body from here.

    `places` has where each part stands, those included that have a fault and are None for it.
    `lost` says that a fault may hide something else that the entry says.
    """

    start: Moment | None = None
    end: Moment | None = None
    frames: Frames | None = None
    body: str | None = None
    lens: str | None = None
    adapter: str | None = None
    aperture: Aperture | None = None
    focal_length: Decimal | None = None
    off: bool = False
    remark: str | None = None
    line: int = field(default=0, compare=False)
    order: OrderWord | None = None
    places: Mapping[Part, Place] = field(default_factory=dict, compare=False, repr=False)
    lost: bool = field(default=False, compare=False, repr=False)

    def says(self, *parts: Part) -> bool:
        """Whether one of these parts stands in it."""
        return any(part in self.places for part in parts)

    def place(self, *parts: Part) -> Place:
        """Where the first of these parts that it has stands; else the whole entry."""
        return next(self.places[part] for part in (*parts, Part.ENTRY) if part in self.places)


@dataclass(frozen=True)
class ClockOffset:
    """`clock BODY fast|slow AMOUNT`: the body's clock is `ahead` of the log's (slow: negative).

    By `clock BODY right` it is ahead by nothing. `sure` says that no frame may speak against it.
    """

    body: str | None
    ahead: timedelta
    line: int = field(default=0, compare=False)
    sure: bool = False


@dataclass(frozen=True)
class ClockReference:
    """`clock BODY FRAME shows TIME`: the frame is a photo of a clock that showed `shows`."""

    body: str | None
    frame: FrameName
    shows: Moment
    line: int = field(default=0, compare=False)
    sure: bool = False


@dataclass(frozen=True)
class Setting:
    """What stood on a body during a span, everything carried on.

    `lens` is None after `off`. `f_number` and `focal_length` (mm) are as marked on the lens,
    before any reducer or extender; None where not noted. `line` is the entry's line, `log` the
    file it stands in; `says_f_number` whether that entry itself gives the aperture.
    """

    lens: str | None
    adapter: str | None = None
    f_number: Decimal | None = None
    focal_length: Decimal | None = None
    line: int = 0
    log: str = ""
    says_f_number: bool = field(default=False, compare=False)


@dataclass(frozen=True)
class Span:
    """A setting and when it held.

    From `start` to the next change of the same body (or to `end`), for `frames`, or by
    the `order` of slate frames. Moments already include the log's slack. `carried` has the fields
    of the setting that the entry doesn't say, and carries on from the line `carried_from`.
    """

    body: str | None
    setting: Setting
    start: Moment | None = None
    end: Moment | None = None
    frames: Frames | None = None
    order: OrderWord | None = None
    carried: frozenset[str] = frozenset()
    carried_from: int = 0


@dataclass(frozen=True)
class SessionLog:
    """A log without faults: its entries as written, and the spans they mean.

    `zone` is None when the log gives none. With `overnight`, entries hold over the
    longest pauses, too. `day` is the date that holds at its end. `lines` is the text as read, for
    messages.
    """

    file: str
    entries: tuple[Entry, ...] = ()
    spans: tuple[Span, ...] = field(default=(), compare=False)
    clocks: tuple[ClockOffset | ClockReference, ...] = ()
    slates: tuple[FrameName, ...] = ()
    not_slates: tuple[FrameName, ...] = ()
    zone: tzinfo | None = None
    slack: timedelta = timedelta(0)
    overnight: bool = False
    day: date | None = field(default=None, compare=False)
    lines: tuple[str, ...] = field(default=(), compare=False, repr=False)

    @property
    def names_bodies(self) -> bool:
        """Whether all entries name their bodies, but for those of every frame."""
        return all(span.body is not None or is_every_frame(span) for span in self.spans)

    def wall(self, instant: datetime) -> datetime:
        """What a clock on the wall showed at this instant, by the log's zone."""
        local = instant if self.zone is None else instant.astimezone(self.zone)
        return local.replace(tzinfo=None, fold=0)

    def time_text(self, moment: Moment) -> str:
        """A time as it was written, to the minute or to the second.

        The last second of the moment tells, since a time that occurs twice in a clock change is
        an hour wide, whatever its precision.
        """
        first = self.wall(moment.earliest)
        return clock_time(first, seconds=first == self.wall(moment.latest - timedelta(seconds=1)))

    def problem(
        self, at: FrameName | int, text: str, expected: str, suggestion: str | None = None
    ) -> Problem:
        """A fault of a frame's name, or of a whole line, which is shown."""
        line = at if isinstance(at, int) else at.line
        column, width = (None, 1) if isinstance(at, int) else (at.column, len(at.name))
        source = self.lines[line - 1].rstrip()
        return Problem(self.file, text, line, column, width, source, expected, suggestion)
