"""What a run does about each file of a frame's copy, and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from flangeback.copies.model import Action, FrameCopy
from flangeback.copies.plan import FilePlan
from flangeback.copies.records import Record
from flangeback.copies.stated import Stated
from flangeback.copies.touched import TIME_NAMES, losses, says_something
from flangeback.match.model import FrameMatch, Outcome
from flangeback.system import Identity

_LONGEST_GROWTH = 1 << 16


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
    def is_finished(self) -> bool:
        """Whether an earlier run made it and noted that."""
        return self.record is not None and self.action == Action.KEEP

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


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one file.

    `record` is what is to be noted of it, `stands` says that it is there; then why it didn't get
    the values, in what it failed its proof, why it is left or its source lost, what a person
    should know of it, and whether it has its source's mode, times and attributes.
    """

    task: Task
    record: Record | None = None
    stands: bool = True
    refusal: str | None = None
    failure: str | None = None
    left: str | None = None
    lost: str | None = None
    remark: str | None = None
    keeps_attributes: bool = True


def frame_copy(job: Job, done: Sequence[Done]) -> FrameCopy:
    """What became of a frame, from what became of its files."""
    failures = [f"{one.task.plan.copy}: {one.failure}" for one in done if one.failure]
    there = [one.task.plan.copy for one in done if one.stands]
    first = done[0] if done else None
    is_whole = all(one.stands for one in done if not one.refusal) and bool(there)
    return FrameCopy(
        outcome_of(job, done),
        first.task.plan.copy if first and first.stands else None,
        tuple(there),
        verified=is_whole and not failures,
        failure="; ".join(failures) or None,
        resumed=bool(done) and all(one.task.is_finished for one in done),
        noted=tuple(
            one.task.plan.copy
            for one in done
            if one.record is not None and one.task.action == Action.KEEP
        ),
        action=job.action,
        keeps_attributes=all(one.keeps_attributes for one in done),
    )


def outcome_of(job: Job, done: Sequence[Done]) -> FrameMatch:
    """The outcome with what the files refused, why they were left, or what is remarkable."""
    match = job.match
    lost = job.lost or next((one.lost for one in done if one.lost), None)
    if lost:
        return replace(match, outcome=Outcome.UNREADABLE, fill=None, reason=lost)
    left = next((one.left for one in done if one.left), None)
    if left:
        outcome = match.outcome if match.outcome == Outcome.UNREADABLE else Outcome.CONFLICT
        return replace(match, outcome=outcome, reason=_joined(match.reason, left), is_of_copy=True)
    failure = _joined(*(one.failure for one in done))
    why = _joined(*(one.refusal for one in done))
    if failure:
        why = _joined(why, f"its copy with values failed the proof and isn't kept: {failure}")
    filled = any(
        one.task.plan.states_all and one.stands and not (one.refusal or one.failure) for one in done
    )
    if why and match.outcome.is_filled and not filled:
        match = replace(match, outcome=Outcome.UNREADABLE, fill=None, reason=None)
    elif why and not match.outcome.is_filled:
        why = f"its time is left as it is: {why}"
    reason = _joined(match.reason, why, *(one.remark for one in done))
    return match if reason == match.reason else replace(match, reason=reason)


def _joined(*texts: str | None) -> str | None:
    """Each text once, and none that another contains; None where there is none."""
    found = dict.fromkeys(text for text in texts if text)
    alone = (one for one in found if not any(one in more for more in found if more != one))
    return "; ".join(alone) or None
