"""What a run does about each file of a frame's copy."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from flangeback.copies.plan import FilePlan
from flangeback.copies.records import Record
from flangeback.copies.stated import Stated
from flangeback.copies.touched import TIME_NAMES, losses, says_something
from flangeback.match.model import FrameMatch
from flangeback.system import Identity

_LONGEST_GROWTH = 1 << 16


class Action(StrEnum):
    """What a run does about a copy."""

    MAKE = "made"
    CHANGE = "changed"
    TAKE_BACK = "taken back"
    KEEP = "kept"
    LEAVE = "left"


MADE = (Action.MAKE, Action.CHANGE, Action.TAKE_BACK)
"""Those by which a file is written."""


@dataclass(frozen=True, slots=True)
class Task:
    """One file on its way to the output folder `out`.

    `record` is what the manifest has of the file that stands there, `replaces` that file, where a
    new one is to take its place, `present` the plan by which it is corrected on the bytes that
    another program left. `reason` says why it is left, or what a person should know of it,
    `in_the_way` what stands where a folder above it should.
    """

    plan: FilePlan
    out: Path
    action: Action
    record: Record | None = None
    replaces: Identity | None = None
    present: FilePlan | None = None
    reason: str | None = None
    in_the_way: Path | None = None

    @property
    def target(self) -> Path:
        """Where the file goes."""
        return self.out / self.plan.copy

    @property
    def needed(self) -> int:
        """Bytes of room that it takes."""
        if self.action not in (Action.MAKE, Action.CHANGE):
            return 0
        return self.plan.size + (_LONGEST_GROWTH if self.plan.values else 0)


@dataclass(frozen=True, slots=True)
class Job:
    """A frame on its way, with the files its copy consists of.

    `lost` says why none of them can be made: the frame can't be read.
    """

    match: FrameMatch
    tasks: tuple[Task, ...]
    lost: str | None = None

    @property
    def action(self) -> Action:
        """What is done about the frame, all in all."""
        actions = {task.action for task in self.tasks}
        order = (Action.LEAVE, Action.TAKE_BACK, Action.CHANGE, Action.MAKE, Action.KEEP)
        if self.lost is not None:
            return Action.LEAVE
        return next(action for action in order if action in actions)

    def changes(self) -> tuple[set[str], set[str], set[str]]:
        """The names of the lens data that the frame's copy gains, has changed, and loses."""
        old, new = dict[str, str](), dict[str, str]()
        for task in self.tasks:
            if task.action == Action.LEAVE:
                continue
            if task.record is not None:
                old |= says_something(task.record.values)
            if not (task.record and task.record.refusal):
                new |= says_something(Stated.of(task.plan.values).values)
        lost, gains = losses(old, new), new.keys() - old.keys()
        changed = {name for name in old if old[name] != new.get(name)} - lost
        return gains - TIME_NAMES, changed - TIME_NAMES, lost - TIME_NAMES
