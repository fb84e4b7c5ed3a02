"""From outcomes to verified copies."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from flangeback.copies import manifest, output
from flangeback.copies.compare import Digests, ProofError, digest
from flangeback.copies.edit import Edit, edit_for
from flangeback.copies.manifest import FileState, ManifestWriter, Record
from flangeback.copies.model import Filled, FrameCopy
from flangeback.copies.plan import CopyMethod, FilePlan, FillOptions, plan_frame
from flangeback.copies.stated import Stated
from flangeback.copies.write import Written, prove_file, write_file
from flangeback.errors import InputError, Problem
from flangeback.formats import Damaged, Refused
from flangeback.frames.model import without_suffix
from flangeback.match.model import FrameMatch, Matches, Outcome
from flangeback.raw_mode import RawMode
from flangeback.system import open_file, sync_folder
from flangeback.tags.table import TAGS, TIME_TAGS

Progress = Callable[[int, int], None]
"""Called with the number of finished copies and the bytes of their frames."""

_TIME_NAMES = frozenset(TAGS[tag].name for tag in TIME_TAGS)
_LONGEST_GROWTH = 1 << 16
_WORKERS = min(8, 2 * (os.cpu_count() or 2))
"""Twice the cores: half of them wait for the disk."""


@dataclass(frozen=True, slots=True)
class _Task:
    """One file on its way: its plan, its place, whether an older one of our own stands there, and
    the record of one that an earlier run finished."""

    plan: FilePlan
    target: Path
    replaces: bool = False
    finished: Record | None = None

    @property
    def needed(self) -> int:
        """Bytes of room that it takes."""
        if self.finished is not None:
            return 0
        return self.plan.size + (_LONGEST_GROWTH if self.plan.values else 0)


@dataclass(frozen=True, slots=True)
class _Job:
    """A frame on its way, with the files its copy consists of."""

    match: FrameMatch
    tasks: tuple[_Task, ...]


@dataclass(frozen=True, slots=True)
class _Done:
    """What became of one file: its record (None where there is one already), why it didn't get
    the values, in what it failed its proof, or what a person should know of it."""

    task: _Task
    record: Record | None = None
    refusal: str | None = None
    failure: str | None = None
    remark: str | None = None

    @property
    def stands(self) -> bool:
        """Whether the file is there; not so a sidecar that was refused and wasn't there before."""
        return self.failure is None and bool(self.record or self.task.finished)


def fill(
    matches: Matches,
    frames: Path,
    out: Path,
    progress: Progress | None = None,
    *,
    raw: RawMode = RawMode.SIDECAR,
    xmp: bool = False,
    set_time: bool = False,
) -> Filled:
    """Copies every frame of the folder `frames` into `out`, fills those that can be, proves all.

    `raw` says what becomes of raw files, `xmp` adds an XMP packet to each filled picture,
    `set_time` writes the true time into every copy whose body's clock the log tells. A frame
    without room for its values is copied as it is, and comes back unreadable, with the reason. A
    copy that fails its proof is removed and comes back with its failure. What an earlier run
    finished isn't made again.

    Raises InputError, with nothing written, where `out` isn't fit for it, and, with the finished
    copies kept, where the run can't go on.
    """
    output.check_place(frames, out)
    run = _Run(frames, out, manifest.read_manifest(out), FillOptions(raw, xmp, set_time))
    jobs = run.jobs(matches)
    tasks = [task for job in jobs for task in job.tasks]
    problems = [problem for task in tasks for problem in run.strangers(task)]
    if problems:
        raise InputError(problems)
    output.check_room(out, sum(task.needed for task in tasks))
    try:
        out.mkdir(parents=True, exist_ok=True)
        writer = ManifestWriter(out)
        try:
            output.clear_unfinished(out)
            copies = run.carry_out(jobs, writer, progress)
            run.withdraw_times(tasks, writer)
            return Filled(tuple(copies))
        finally:
            writer.close()
            for folder in {task.target.parent for task in tasks}:
                sync_folder(folder)
    except OSError as error:
        raise InputError(_cannot_go_on(out, error)) from None


def _cannot_go_on(path: Path | str, error: OSError) -> Problem:
    if error.errno == errno.ENOSPC:
        return Problem(
            str(path),
            "the disk is full; what was finished is kept",
            expected="more room, then the same command again",
        )
    what = error.strerror or str(error)
    return Problem(
        str(error.filename or path),
        f"{what}; what was finished is kept",
        expected="the same command again once this is mended",
    )


@dataclass(frozen=True, slots=True)
class _Run:
    """One run: the frames folder, the output folder, what the manifest has of it, the options."""

    frames: Path
    out: Path
    records: Mapping[str, Record]
    options: FillOptions

    def jobs(self, matches: Matches) -> list[_Job]:
        """Every frame with its files; no two files get one name."""
        taken: set[str] = set()
        jobs = []
        for match in matches.frames:
            planned = plan_frame(match, self.frames, self.options)
            plans = [p for p in (_apart(plan, taken) for plan in planned) if p is not None]
            jobs.append(_Job(match, tuple(self._task(plan) for plan in plans)))
        return jobs

    def _task(self, plan: FilePlan) -> _Task:
        target = self.out / plan.copy
        record = self.records.get(plan.copy)
        if record is None or not target.is_file():
            return _Task(plan, target)
        if self._is_finished(plan, target, record):
            return _Task(plan, target, finished=record)
        return _Task(plan, target, replaces=_is_as_recorded(target, record.copy_state))

    def _is_finished(self, plan: FilePlan, target: Path, record: Record) -> bool:
        """Whether this very file was made: of the same source, for the same values, whether it
        could take them or not, and it still stands so."""
        status, source = target.stat(), record.source_state
        known = None if source is None else (source.size, source.modified_ns)
        return (
            known == (None if plan.source is None else (plan.size, plan.modified_ns))
            and (status.st_size, status.st_mtime_ns)
            == (record.copy_state.size, record.copy_state.modified_ns)
            and record.way == plan.method
            and record.asked == manifest.asked(plan.values, self.options.xmp)
        )

    def strangers(self, task: _Task) -> Iterator[Problem]:
        """What stands under a copy's name, or in the way to it, and isn't our own."""
        in_the_way = next(
            (
                p
                for p in task.target.parents
                if p != self.out and self.out in p.parents and (p.is_file() or p.is_symlink())
            ),
            task.target,
        )
        if not os.path.lexists(in_the_way):
            return
        passes = task.finished is not None or task.replaces or self._is_same(task)
        if in_the_way != task.target or not passes:
            text = "stands in the way and isn't flangeback's own"
            yield Problem(str(in_the_way), text, expected="another folder for the copies")

    def _is_same(self, task: _Task) -> bool:
        """Whether the file there is the copy that would be made: a run was killed between giving
        it its name and noting it."""
        try:
            self._adopted(task)
        except (ProofError, OSError):
            return False
        return True

    def _adopted(self, task: _Task) -> Digests:
        if task.target.is_symlink():
            raise ProofError("a link")
        try:
            return prove_file(task.plan, edit_for(task.plan, self.options), task.target)
        except (Refused, Damaged):
            return prove_file(task.plan, Edit(), task.target)

    def carry_out(
        self, jobs: Sequence[_Job], writer: ManifestWriter, progress: Progress | None
    ) -> list[FrameCopy]:
        """Makes the copies, several at a time; gives them in the jobs' order."""
        found: dict[int, FrameCopy] = {}
        size = 0
        waiting: dict[Future[list[_Done]], int] = {}
        with ThreadPoolExecutor(_WORKERS) as pool:
            try:
                todo = iter(enumerate(jobs))
                while len(found) < len(jobs):
                    for number, job in todo:
                        waiting[pool.submit(self._job, job)] = number
                        if len(waiting) >= 2 * _WORKERS:
                            break
                    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                        number = waiting.pop(future)
                        done = future.result()
                        _note(done, writer)
                        found[number] = _frame_copy(jobs[number].match, done)
                        size += sum(one.task.plan.size for one in done)
                        if progress:
                            progress(len(found), size)
            except BaseException:
                _keep_finished(waiting, writer)
                raise
        return [found[number] for number in range(len(jobs))]

    def withdraw_times(self, tasks: Sequence[_Task], writer: ManifestWriter) -> None:
        """Takes back the sidecars that an earlier run made for the true time alone, where that
        isn't wanted any more: a catalogue would still go by them. Raises OSError."""
        planned = {task.plan.copy for task in tasks}
        beside = {f"{copy}.xmp" for copy in planned}
        beside |= {f"{without_suffix(copy)}.xmp" for copy in planned}
        for name in beside & self.records.keys() - planned:
            record, target = self.records[name], self.out / name
            if not _states_time_alone(record):
                continue
            if os.path.lexists(target):
                if not target.is_file() or not _is_as_recorded(target, record.copy_state):
                    continue  # Somebody has worked on it since: it is theirs.
                target.unlink()
            writer.append(replace(record, verdict=manifest.WITHDRAWN))

    def _job(self, job: _Job) -> list[_Done]:
        """One frame's files."""
        return [self._file(job.match, task) for task in job.tasks]

    def _file(self, match: FrameMatch, task: _Task) -> _Done:
        if task.finished is not None:
            return _Done(task, refusal=task.finished.refusal, remark=task.finished.remark)
        edit, refusal = Edit(), None
        try:
            try:
                edit = edit_for(task.plan, self.options)
                written = self._write(task, edit)
            except (Refused, Damaged) as why:
                refusal = str(why)
                if task.plan.method == CopyMethod.SIDECAR and task.plan.source is None:
                    return _Done(task, refusal=refusal)
                edit = Edit()
                written = self._write(task, edit)
        except ProofError as failure:
            return _Done(task, failure=str(failure))
        record = self._record(match, task.plan, edit, written)
        return _Done(task, replace(record, refusal=refusal), refusal, remark=edit.remark)

    def _write(self, task: _Task, edit: Edit) -> Written:
        task.target.parent.mkdir(parents=True, exist_ok=True)
        try:
            return write_file(task.plan, edit, task.target, replaces=task.replaces)
        except FileExistsError:
            digests = self._adopted(task)
            status = task.target.stat()
            return Written(digests, status.st_size, status.st_mtime_ns)

    def _record(self, match: FrameMatch, plan: FilePlan, edit: Edit, written: Written) -> Record:
        source, fill, stated = None, match.fill, Stated.of(edit.values)
        if plan.source is not None:
            source = FileState(plan.size, plan.modified_ns, written.digests.source)
        is_picture = plan.method in (CopyMethod.COPY, CopyMethod.EMBED)
        return Record(
            frames=str(self.frames.resolve()),
            file=plan.file if is_picture else plan.copy,
            copy=plan.copy,
            kind=plan.format.code,
            way=plan.method,
            outcome=match.outcome,
            source_state=source,
            copy_state=FileState(written.size, written.modified_ns, written.digests.copy),
            payload=written.digests.payload,
            edits=edit.stretches,
            values=stated.values,
            whole=stated.whole,
            in_packet=edit.in_packet,
            asked=manifest.asked(plan.values, self.options.xmp),
            body=match.body,
            adapter=fill.adapter.key if fill and fill.adapter else None,
            log=match.log,
            log_line=match.log_line,
            doubts=tuple(asdict(doubt) for doubt in match.doubts),
            remark=edit.remark,
        )


def _apart(plan: FilePlan, taken: set[str]) -> FilePlan | None:
    """The plan under a name that no other file has: two frames of one stem share the name of
    their sidecar. None for one that another frame's plan makes already."""
    if plan.copy in taken:
        if plan.method != CopyMethod.SIDECAR:
            return None
        plan = replace(plan, copy=f"{plan.file}.xmp")
    taken.add(plan.copy)
    return plan


def _note(done: Sequence[_Done], writer: ManifestWriter) -> None:
    for one in done:
        if one.record is not None:
            writer.append(one.record)


def _keep_finished(waiting: Mapping[Future[list[_Done]], int], writer: ManifestWriter) -> None:
    """Ends a run that can't go on: what is under way is finished and noted."""
    for future in waiting:
        future.cancel()
    for future in waiting:
        if not future.cancelled() and future.exception() is None:
            # A copy that can't be noted now is adopted by the next run.
            with suppress(OSError):
                _note(future.result(), writer)


def _frame_copy(match: FrameMatch, done: Sequence[_Done]) -> FrameCopy:
    """What became of a frame, from what became of its files."""
    failures = [f"{one.task.plan.copy}: {one.failure}" for one in done if one.failure]
    return FrameCopy(
        _with_refusals(match, done),
        done[0].task.plan.copy if done[0].failure is None else None,
        tuple(one.task.plan.copy for one in done if one.stands),
        verified=not failures,
        failure="; ".join(failures) or None,
        resumed=all(one.task.finished is not None for one in done),
    )


def _with_refusals(match: FrameMatch, done: Sequence[_Done]) -> FrameMatch:
    """The outcome with what the files refused, or have remarks on."""
    why = "; ".join(dict.fromkeys(one.refusal for one in done if one.refusal))
    filled = any(one.task.plan.values and not (one.refusal or one.failure) for one in done)
    if why and match.outcome.is_filled and not filled:
        match = replace(match, outcome=Outcome.UNREADABLE, fill=None, reason=None)
    elif why and not match.outcome.is_filled:
        why = f"its time is left as it is: {why}"
    remarks = dict.fromkeys(one.remark for one in done if one.remark)
    return replace(match, reason="; ".join(filter(None, (match.reason, why, *remarks))) or None)


def _states_time_alone(record: Record) -> bool:
    """Whether a file is a new sidecar with nothing but the true time in it."""
    if record.way != CopyMethod.SIDECAR or record.source_state is not None:
        return False
    return bool(record.values) and set(record.values or ()) <= _TIME_NAMES


def _is_as_recorded(path: Path, state: FileState) -> bool:
    """Whether a file is still the one that was recorded, by size and digest."""
    if path.is_symlink() or path.stat().st_size != state.size:
        return False
    with open_file(path) as file:
        return digest(file.fileno()) == state.digest
