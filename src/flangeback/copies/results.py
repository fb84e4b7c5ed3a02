"""What became of each file of a frame, and so of the frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from flangeback.copies.model import FrameCopy
from flangeback.copies.records import Record
from flangeback.copies.tasks import Action, Job, Task
from flangeback.match.model import FrameMatch, Outcome


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
        resumed=bool(done) and all(_is_finished(one.task) for one in done),
        noted=tuple(
            one.task.plan.copy
            for one in done
            if one.record is not None and one.task.action == Action.KEEP
        ),
        action=job.action,
        keeps_attributes=all(one.keeps_attributes for one in done),
    )


def _is_finished(task: Task) -> bool:
    return task.record is not None and task.action == Action.KEEP


def outcome_of(job: Job, done: Sequence[Done]) -> FrameMatch:
    """The outcome with what the files refused, why they were left, or what is remarkable."""
    match = job.match
    lost = job.lost or next((one.lost for one in done if one.lost), None)
    if lost:
        return replace(match, outcome=Outcome.UNREADABLE, fill=None, reason=lost)
    left = next((one.left for one in done if one.left), None)
    if left:
        outcome = match.outcome if match.outcome == Outcome.UNREADABLE else Outcome.CONFLICT
        return replace(match, outcome=outcome, reason=_joined(match.reason, left))
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
