"""What stands in the output folder under the name of each copy, and what is to be done about it."""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from flangeback.copies import touched
from flangeback.copies.edit import Edit, edit_for
from flangeback.copies.faults import ProofError, SourceError, TouchedError, of_source
from flangeback.copies.manifest import Manifest
from flangeback.copies.model import Action
from flangeback.copies.others import OWN
from flangeback.copies.output import folded, is_same_file, nearest
from flangeback.copies.plan import CopyMethod, FilePlan, FillOptions, plan_frame, sidecar_names
from flangeback.copies.prove import Digests, digest, is_beginning, prove
from flangeback.copies.records import FileState, Record
from flangeback.copies.stated import Stated, asked_digest
from flangeback.copies.tasks import Job, Task
from flangeback.formats import Damaged, Refused
from flangeback.frames.model import Frame
from flangeback.match.model import FrameMatch
from flangeback.system import identity, longest_name, open_file
from flangeback.tags.table import TagValue


class Standing:
    """An output folder as it stands, its manifest open inside `with`, for frames of one folder."""

    def __init__(self, frames: Path, out: Path, manifest: Manifest, options: FillOptions) -> None:
        self.frames, self.out, self.manifest, self.options = frames, out, manifest, options
        self.folder = str(frames.resolve())
        self._sound_folders: set[Path] = {out}
        self._spelled: dict[str, str] | None = None
        self._longest = longest_name(nearest(out))

    def jobs(self, matches: Iterable[FrameMatch]) -> Iterator[Job]:
        """Every frame with its files; no two files get one name."""
        worked_on = self._touched_sidecars()
        if not worked_on:
            yield from self._jobs(matches)
            return
        jobs = list(self._jobs(matches))
        stale = worked_on - {task.plan.copy for job in jobs for task in job.tasks}
        yield from (self._beside_stale(job, stale) for job in jobs)

    def _touched_sidecars(self) -> set[str]:
        """The new sidecars of earlier runs that other programs have worked on, noted or not."""
        found = set()
        for name in self.manifest:
            if name.lower().endswith(".xmp") and (record := self.manifest[name]).is_new_sidecar:
                with suppress(OSError):
                    status = (self.out / name).lstat()
                    is_ours = _is_as_recorded(self.out / name, record.copy_state, status)
                    if record.patched or not is_ours:
                        found.add(name)
        return found

    def _beside_stale(self, job: Job, stale: Collection[str]) -> Job:
        """A frame beside whose copy there may be such a sidecar that has no place any more.

        It goes on under its name where a new one would be made beside it. Else our values are taken
        out of it; where they can't be, the frame is left: its copy would contradict them.
        """
        pictures = [task.plan for task in job.tasks if task.plan.is_picture]
        found = ((one, name) for one in pictures for name in sidecar_names(one.copy))
        beside = next(((one, name) for one, name in found if name in stale), None)
        if beside is None or job.action == Action.LEAVE:
            return job
        plan, name = beside
        if any(task.plan.is_new_sidecar for task in job.tasks):
            renamed = (
                self._task(replace(task.plan, copy=name)) if task.plan.is_new_sidecar else task
                for task in job.tasks
            )
            return replace(job, tasks=tuple(renamed))
        without = FilePlan(CopyMethod.SIDECAR, plan.frame, name, plan.folder, None, 0, 0)
        emptied = self._task(without)
        return replace(job, tasks=_all_left((*job.tasks, emptied), emptied))

    def _jobs(self, matches: Iterable[FrameMatch]) -> Iterator[Job]:
        taken: set[str] = set()
        for match in matches:
            try:
                planned = plan_frame(match, self.frames, self.options, self._has)
                plans = [p for p in (_apart(plan, taken) for plan in planned) if p is not None]
                tasks = tuple(self._task(plan) for plan in self._with_names(plans))
                # All files of a frame are left where its picture is.
                left = [task for task in tasks if task.plan.is_picture]
                yield Job(match, _all_left(tasks, *left))
            except SourceError as why:
                yield Job(match, (), str(why))

    def _with_names(self, plans: list[FilePlan]) -> Iterator[FilePlan]:
        """The plans, but for new sidecars whose names the disk can't hold: their frames go without.

        Raises SourceError where it can't hold a frame's own name.
        """
        long = [plan for plan in plans if self._is_long(plan.copy)]
        if not all(plan.is_new_sidecar for plan in long):
            raise SourceError(_LONG)
        without = {plan.frame.file for plan in long}
        for plan in plans:
            if plan.is_picture and plan.copy in without:
                yield replace(plan, refusal=f"its sidecar: {_LONG}")
            elif plan not in long:
                yield plan

    def _is_long(self, copy: str) -> bool:
        return len(os.fsencode(copy.rpartition("/")[2])) > self._longest

    def _has(self, file: Frame, values: tuple[TagValue, ...]) -> bool:
        """Whether an earlier run wrote these values into the copy of this very file."""
        record = self.manifest.get(file.file)
        return (
            record is not None
            and record.way == CopyMethod.EMBED
            and record.frames == self.folder
            and record.asked == asked_digest(values, packet=self.options.xmp)
            and record.source_state is not None
            and record.source_state.is_of(file.size, file.modified_ns)
        )

    def _task(self, plan: FilePlan) -> Task:
        plan = self._as_recorded(plan)
        target = self.out / plan.copy
        if OWN.fullmatch(plan.copy):
            return Task(plan, self.out, Action.LEAVE, reason=_OURS)
        if (way := self._in_the_way(target)) is not None:
            return Task(plan, self.out, Action.LEAVE, reason=_STRANGER, in_the_way=way)
        if self._is_long(plan.copy):
            return Task(plan, self.out, Action.LEAVE, reason=_LONG)
        record = self.manifest.get(plan.copy)
        try:
            status = target.lstat()
        except FileNotFoundError:
            return Task(plan, self.out, Action.MAKE)
        if not stat.S_ISREG(status.st_mode):
            return Task(plan, self.out, Action.LEAVE, reason=_STRANGER)
        task = Task(plan, self.out, Action.KEEP, record, identity(status))
        try:
            if record is None:
                return self._unknown(task)
            return self._known(task, record, status)
        except TouchedError as why:
            reason = left_as_it_is(why)
            with suppress(OSError, SourceError):
                if record is not None and self._is_broken(plan, record, status):
                    reason = _BROKEN
            return replace(task, action=Action.LEAVE, reason=reason)
        except OSError as error:
            reason = f"its copy can't be read: {error.strerror}"
            return replace(task, action=Action.LEAVE, reason=reason)

    def _as_recorded(self, plan: FilePlan) -> FilePlan:
        """The plan under the name that the manifest has for its copy.

        The system of an earlier run may have listed it in other letters, or another Unicode form.
        """
        if plan.copy in self.manifest or not len(self.manifest):
            return plan
        if self._spelled is None:
            self._spelled = {folded(name): name for name in self.manifest}
        name = self._spelled.get(folded(plan.copy))
        if name is None:
            return plan
        record = self.manifest[name]
        known = replace(plan, copy=record.copy)
        there, recorded = self.out / plan.copy, self.out / record.copy
        if os.path.lexists(there) or os.path.lexists(recorded):
            return known if is_same_file(there, recorded) else plan
        with suppress(SourceError):  # Making it will say why it can't be read.
            return known if self._is_of_same_source(plan, record) else plan
        return plan

    def _in_the_way(self, target: Path) -> Path | None:
        """A folder on the way that is none of its own: a file, or a link that leads elsewhere."""
        for folder in target.parents:
            if folder in self._sound_folders:
                return None
            if os.path.lexists(folder):
                if folder.is_symlink() or not folder.is_dir():
                    return folder
                self._sound_folders.add(folder)
        return None

    def _unknown(self, task: Task) -> Task:
        """What is to be done about a file that no manifest has.

        It may be the very copy that would be made, which a run that was killed gave its name and
        didn't note, or another program's sidecar, which is merged.
        """
        with suppress(ProofError, SourceError, OSError):
            self.adopted(task)
            return task
        if task.plan.is_picture or not self.manifest.exists or not task.plan.values:
            return replace(task, action=Action.LEAVE, reason=_STRANGER)
        present = touched.present_plan(task.plan, self.out, None)
        return replace(task, action=Action.CHANGE, present=present)

    def others(self, files: Iterable[str]) -> Iterator[Task]:
        """The files that are no frames, to be copied byte for byte."""
        for file in files:
            frame = Frame(file, self.frames)
            with suppress(OSError):  # Copying it will say why it can't be read.
                status = frame.path.stat()
                frame = replace(frame, size=status.st_size, modified_ns=status.st_mtime_ns)
            size, modified_ns = frame.size, frame.modified_ns
            yield self._task(
                FilePlan(CopyMethod.OTHER, frame, file, self.frames, file, size, modified_ns)
            )

    def _known(self, task: Task, record: Record, status: os.stat_result) -> Task:
        plan = task.plan
        is_frames = plan.method == CopyMethod.OTHER and record.way != CopyMethod.OTHER
        if is_frames or (plan.is_picture and not self._is_of_same_source(plan, record)):
            reason = _ANOTHER if plan.frame.damage is None else _KEPT
            return replace(task, action=Action.LEAVE, reason=reason)
        is_asked = record.asked == asked_digest(plan.values, packet=self.options.xmp)
        is_done = is_asked and record.way == plan.method and record.failure is None
        if _is_as_recorded(task.target, record.copy_state, status, thorough=self.options.mend):
            is_done = is_done and (plan.is_picture or self._is_of_same_source(plan, record))
            if is_done or not record.patched:
                if is_done:
                    return task
                values = Stated.of(plan.values).values
                gone = touched.losses(record.values, values) - touched.TIME_NAMES
                return replace(task, action=Action.TAKE_BACK if gone else Action.CHANGE)
        elif self.options.mend and self._is_broken(plan, record, status):
            return replace(task, action=Action.CHANGE)
        elif plan.method == CopyMethod.OTHER:
            raise TouchedError("another program changed it")
        elif is_done:
            touched.check_own(plan, self.out, record, as_verify=self.options.mend)
            return replace(task, reason=TOUCHED)
        present = touched.present_plan(plan, self.out, record)
        return replace(task, action=Action.CHANGE, present=present)

    def _is_broken(self, plan: FilePlan, record: Record, status: os.stat_result) -> bool:
        """Whether a copy changed by itself.

        It did at the time that it had, or so that nobody can have meant it, or it was cut.
        """
        is_by_itself = status.st_mtime_ns == record.copy_state.modified_ns
        return is_by_itself or touched.is_broken(plan, self.out, record) or self._is_cut(plan)

    def _is_cut(self, plan: FilePlan) -> bool:
        try:
            edit = edit_for(plan, self.options)
        except (Refused, Damaged):
            edit = Edit()
        with open_file(self.out / plan.copy) as copy:
            if edit.text is not None:
                there = copy.read()
                return there != edit.text and edit.text.startswith(there)
            with of_source():
                source = open_file(plan.source or plan.frame.path)
            with source:
                return is_beginning(source.fileno(), copy.fileno(), plan.size, edit.splices)

    def _is_of_same_source(self, plan: FilePlan, record: Record) -> bool:
        """Whether the file is the one that the copy was made of.

        Told by size and time where it lies where it lay, else by its digest.
        """
        state = record.source_state
        if state is None or plan.source_file is None:
            return state is None and plan.source_file is None
        if plan.size != state.size:
            return False
        if record.frames == self.folder and state.is_of(plan.size, plan.modified_ns):
            return True
        with of_source(), open_file(plan.folder / plan.source_file) as file:
            return digest(file.fileno()) == state.digest

    def withdrawals(self, planned: Iterable[str], left: Collection[str]) -> Iterator[Record]:
        """New sidecars of earlier runs beside the copies that this one doesn't make.

        A catalogue would still go by them. One that somebody has worked on since is theirs, and one
        beside a copy that is left goes with it.
        """
        names = set(planned)
        of_left, beside = (
            {name for copy in copies for name in sidecar_names(copy) if name in self.manifest}
            for copies in (left, (copy for copy in names if copy not in left))
        )
        for name in sorted(beside - of_left - names):
            record = self.manifest.get(name)
            if record is None or not record.is_new_sidecar or record.patched:
                continue
            target = self.out / name
            with suppress(FileNotFoundError):
                status = target.lstat()
                is_ours = stat.S_ISREG(status.st_mode)
                if not (is_ours and _is_as_recorded(target, record.copy_state, status)):
                    continue
            yield record

    def adopted(self, task: Task) -> tuple[Edit, Digests]:
        """The edit by which a file that stands there was made, and its proof.

        Raises ProofError where it is another file, the frame itself by another name for one;
        SourceError, OSError.
        """
        plan = task.plan
        if plan.source is not None and task.target.samefile(plan.source):
            raise ProofError("it is the frame itself")
        try:
            edit = edit_for(plan, self.options, touched.date_in(plan, task.target))
            return edit, prove(plan, edit, task.target)
        except (Refused, Damaged):
            return Edit(), prove(plan, Edit(), task.target)


def _all_left(tasks: tuple[Task, ...], *which: Task) -> tuple[Task, ...]:
    """All of them left where one of these is."""
    left = next((task for task in which if task.action == Action.LEAVE), None)
    if left is None:
        return tasks
    return tuple(replace(task, action=Action.LEAVE, reason=left.reason) for task in tasks)


def left_as_it_is(why: TouchedError) -> str:
    """Why a copy stays that another program changed, and what to do about it."""
    how = "moved away, it is made anew by the same command, without that program's work"
    return f"its copy is left as it is: {why}; {how}"


_BROKEN = "its copy is broken: `flangeback verify --mend` makes it again"
_LONG = "the disk for the copies can't hold a name of that length"
TOUCHED = "another program changed its copy since: its picture and the values written still stand"
_STRANGER = (
    "something stands in the way of its copy that isn't flangeback's own:"
    " moved away, the same command makes the copy"
)
_OURS = "its name is one of flangeback's own beside the copies: it needs another name for its copy"
_ANOTHER = (
    "the copy of that name is of another frame, or of this one before it changed: it is kept;"
    " `fill` into another folder makes one of this, or with --beside, if no other card's folder has"
    " the name of this one's"
)
_KEPT = "the copy of that name is kept"


def _apart(plan: FilePlan, taken: set[str]) -> FilePlan | None:
    """The plan under a name that no other file has.

    Two frames of one stem share the name of their sidecar. None for a file that another frame's
    plan makes already.
    """
    if plan.copy in taken:
        if plan.method != CopyMethod.SIDECAR:
            return None
        plan = replace(plan, copy=f"{plan.frame.file}.xmp")
    taken.add(plan.copy)
    return plan


def _is_as_recorded(
    path: Path, state: FileState, status: os.stat_result, *, thorough: bool = False
) -> bool:
    """Whether a file is still the one that was recorded.

    Told by size and time, else by its digest, since not every file system keeps a time as it was
    set. `thorough` asks for the digest.
    """
    if status.st_size != state.size:
        return False
    if status.st_mtime_ns == state.modified_ns and not thorough:
        return True
    with open_file(path) as file:
        return digest(file.fileno()) == state.digest
