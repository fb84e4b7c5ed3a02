"""What each frame comes to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from flangeback.frames.model import Frame
from flangeback.log.model import Setting
from flangeback.match.changes import BodyTimeline
from flangeback.match.clock_fit import ClockFit
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.sensors import BodySensor
from flangeback.tags.decide import Fill
from flangeback.tags.table import Tag

NO_ENTRY = "no entry covers it"
"""The usual reason for unlogged."""


class Outcome(StrEnum):
    """What a frame can come to."""

    FILL = "fill"
    PARTIAL = "partial"
    AGREE = "agree"
    CONFLICT = "conflict"
    UNSURE = "unsure"
    UNLOGGED = "unlogged"
    NATIVE = "native"
    SLATE = "slate"
    UNREADABLE = "unreadable"

    @property
    def is_filled(self) -> bool:
        """Whether values are written for it."""
        return self in (Outcome.FILL, Outcome.PARTIAL)

    @property
    def needs_person(self) -> bool:
        """Whether somebody has to look at the frame (exit 1)."""
        return self in _FOR_A_PERSON


_FOR_A_PERSON = frozenset(
    [Outcome.PARTIAL, Outcome.CONFLICT, Outcome.UNSURE, Outcome.UNLOGGED, Outcome.UNREADABLE]
)


class Source(StrEnum):
    """What tells the values of a frame."""

    NAME = "name"
    LOG = "log"
    ORDER = "order"
    PAUSE = "pause"
    LIGHT = "light"
    REGISTERED = "registered"


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the light alone makes of an f-number, from `low` to `high`; it is never written."""

    f_number: float
    low: float
    high: float

    def within(self, widest: float, narrowest: float) -> Estimate | None:
        """The part of it from one f-number to another; None where there is none."""
        low, high = max(self.low, widest), min(self.high, narrowest)
        return Estimate(min(max(self.f_number, low), high), low, high) if low <= high else None


@dataclass(frozen=True, slots=True)
class FrameMatch:
    """One frame and what it comes to.

    `body` is a key of the kit; `time` the frame's time by the log's clock, and `time_sure` says
    that the log speaks of its body and that nothing makes that time unsure. `fill` holds the values
    where the outcome is fill or partial, and those the log claims where it is agree or conflict.
    `stale` are tags of the frame that would contradict the fill. `log` and `log_line` name the
    entry, `by` what tells that it holds; `reason` says in words what isn't plain from the outcome
    alone; `estimate` is there where the f-number stays open, or the light objects to it. With
    `is_of_copy` that reason is about its copy, so that no line of the log settles it.
    """

    frame: Frame
    outcome: Outcome
    body: str | None = None
    time: datetime | None = None
    fill: Fill | None = None
    stale: frozenset[Tag] = frozenset()
    doubts: tuple[Doubt, ...] = ()
    log: str | None = None
    log_line: int | None = None
    reason: str | None = None
    time_sure: bool = False
    by: Source | None = None
    estimate: Estimate | None = None
    is_of_copy: bool = False

    @property
    def replaces_lens(self) -> bool:
        """Whether the fill comes in the place of another lens."""
        return bool(self.stale - {Tag.FOCAL_LENGTH_35MM})

    @property
    def would_break_seal(self) -> bool:
        """Whether it is to be filled and a picture of it is under a seal (C2PA)."""
        sealed = (file.is_sealed and not file.format.is_raw for file in self.frame.files)
        return self.outcome.is_filled and any(sealed)


@dataclass(frozen=True, slots=True)
class Matches:
    """All frames of a run, in the order of their names.

    By the body's key, `sensors` says what its sensor is known by, and `timelines` has the bodies
    that the logs speak of: their clocks, their shots and the changes among them as evidence left
    them. `clocks` says how each body's clock fits its frames; `idle` are the entries that met no
    frame, each with its line. `noted` gives what the frames told, for a
    later match of the same files (see `told`); None where the log spoke alone.
    """

    frames: tuple[FrameMatch, ...]
    sensors: Mapping[str, BodySensor] = field(default_factory=dict)
    timelines: Mapping[str | None, BodyTimeline] = field(default_factory=dict)
    clocks: tuple[ClockFit, ...] = ()
    idle: tuple[tuple[Setting, str], ...] = ()
    noted: Callable[[], Mapping[str, Any]] | None = field(default=None, compare=False, repr=False)

    @property
    def totals(self) -> Mapping[Outcome, int]:
        """How many frames came to each outcome, in the outcomes' own order."""
        counts = Counter(found.outcome for found in self.frames)
        return {outcome: counts[outcome] for outcome in Outcome if counts[outcome]}

    @property
    def needs_person(self) -> bool:
        """Whether somebody has to look at any frame, or at the clock of a body (exit 1)."""
        open_clocks = [clock for clock in self.clocks if not clock.stated.sure]
        return any(found.outcome.needs_person for found in self.frames) or any(
            clock.leans or not clock.agrees or self._is_doubted(clock.body) for clock in open_clocks
        )

    def _is_doubted(self, body: str | None) -> bool:
        """Whether there is a doubt on its clock in all that is filled of a body."""
        filled = [one for one in self.frames if one.body == body and one.outcome.is_filled]
        kinds = [{doubt.kind for doubt in one.doubts} for one in filled]
        return bool(kinds) and all(DoubtKind.CLOCK_UNSURE in one for one in kinds)
