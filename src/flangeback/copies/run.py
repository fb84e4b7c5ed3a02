"""From outcomes to verified copies."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import flangeback
from flangeback.copies import output
from flangeback.copies.edit import Edit, edit_for
from flangeback.copies.faults import ProofError, SourceError, TouchedError
from flangeback.copies.keeping import keep_used
from flangeback.copies.manifest import Manifest, ManifestWriter, now
from flangeback.copies.model import Filled, FrameCopy, FramePreview
from flangeback.copies.others import OtherFiles, other_files
from flangeback.copies.plan import FilePlan, FillOptions
from flangeback.copies.records import WITHDRAWN, FileState, Record, RunStart
from flangeback.copies.results import Done, frame_copy
from flangeback.copies.standing import TIME_NAMES, Action, Job, Standing, Task
from flangeback.copies.stated import Stated, asked_digest
from flangeback.copies.write import Written, write_file
from flangeback.errors import InputError, Problem
from flangeback.formats import Damaged, Refused
from flangeback.match.model import FrameMatch, Matches
from flangeback.raw_mode import RawMode, SidecarName
from flangeback.system import set_times, sync_folder
from flangeback.words import count, listed

Progress = Callable[[int, int], None]
"""Called with the number of finished copies and the bytes of their frames."""

_WORKERS = min(8, 2 * (os.cpu_count() or 2))
"""Twice the cores: half of them wait for the disk."""


_PLAIN = FillOptions()


def fill(
    matches: Matches,
    frames: Path,
    out: Path,
    options: FillOptions = _PLAIN,
    progress: Progress | None = None,
) -> Filled:
    """Copies every frame of the folder `frames` into `out`, fills those that can be, proves all.

    A frame without room for its values is copied as it is, and comes back unreadable, with the
    reason; so does one that can't be read, without a copy. A copy that fails its proof comes back
    with its failure, its frame copied as it is. What an earlier run finished isn't made again; the
    copy of another frame is kept, and so is one in which another program changed our values: the
    frame comes back as a conflict.

    Raises InputError, with nothing written, where `out` isn't fit for it or the run would take
    lens data out of copies, and, with the finished copies kept, where the run can't go on.
    """
    output.check_place(frames, out)
    others = other_files(frames, (match.frame for match in matches.frames), options.used)
    with Manifest(out) as manifest:
        standing = Standing(frames, out, manifest, options)
        jobs = list(standing.jobs(matches.frames))
        tasks = [task for job in jobs for task in job.tasks]
        other_tasks = list(standing.others(others)) if options.others else []
        names = [task.plan.copy for task in (*tasks, *other_tasks)]
        withdrawn = list(standing.withdrawals(names))
        _check_strangers(manifest, (*tasks, *other_tasks))
        if not options.take_back:
            _check_losses(out, jobs, withdrawn)
        output.check_names(out, names)
        output.check_room(out, sum(task.needed for task in (*tasks, *other_tasks)))
        run = _Run(standing, options, frames.stat().st_dev)
        try:
            out.mkdir(parents=True, exist_ok=True)
            writer = ManifestWriter(out)
            try:
                output.clear_unfinished(out)
                writer.start(run.start((*tasks, *other_tasks)))
                copies = run.carry_out(jobs, writer, progress)
                left = run.carry_out_others(other_tasks, writer)
                run.withdraw(withdrawn, writer)
                run.finish_folders(names)
                writer.seal()
            finally:
                writer.close()
        except OSError as error:
            raise InputError(_cannot_go_on(out, error)) from None
    return Filled(tuple(copies), matches, OtherFiles(others, options.others, left))


def preview(
    matches: Matches, frames: Path, out: Path, options: FillOptions | None = None
) -> tuple[FramePreview, ...]:
    """What `fill` would do about the copy of each frame; nothing is written.

    Without `options`, those of the last run into `out` are taken. Raises InputError where `out`
    isn't fit for it.
    """
    output.check_place(frames, out)
    with Manifest(out) as manifest:
        if options is None:
            options = options_of(manifest.runs[-1]) if manifest.runs else _PLAIN
        standing = Standing(frames, out, manifest, options)
        found = []
        for job in standing.jobs(matches.frames):
            gains, changes, losses = (tuple(sorted(names)) for names in job.changes())
            found.append(FramePreview(job.match, job.action, job.reason, gains, changes, losses))
        return tuple(found)


def options_of(run: RunStart) -> FillOptions:
    """The options that a run was made with."""
    given = run.options
    return FillOptions(
        RawMode(given.get("raw", RawMode.SIDECAR)),
        SidecarName(given.get("sidecar", SidecarName.STEM)),
        break_seal=bool(given.get("break_seal")),
        xmp=bool(given.get("xmp")),
        set_time=bool(given.get("set_time")),
        others=bool(given.get("others")),
        over=bool(given.get("over")),
        by_log_alone=bool(given.get("by_log_alone")),
    )


def _check_strangers(manifest: Manifest, tasks: Iterable[Task]) -> None:
    """Raises InputError where something stands in the way in a folder that isn't ours at all."""
    strangers = [task for task in tasks if task.action == Action.LEAVE]
    if strangers and not manifest.exists:
        text = "stands in the way and isn't flangeback's own"
        expected = "another folder for the copies"
        raise InputError(Problem(str(one.target), text, expected=expected) for one in strangers)


def _check_losses(out: Path, jobs: Iterable[Job], withdrawn: Sequence[Record]) -> None:
    """Raises InputError where copies would lose lens data, or more of them have it changed than
    gain any."""
    losing = [record.copy for record in withdrawn if record.values.keys() - TIME_NAMES]
    gaining = changing = 0
    for job in jobs:
        gains, changes, losses = job.changes()
        if losses:
            losing.append(job.match.frame.file)
        elif changes:
            changing += 1
        elif gains and job.action == Action.CHANGE:
            gaining += 1
    if not losing and changing <= gaining:
        return
    told = [
        f"{count(len(losing), 'copy', 'copies')} would lose lens data",
        f"{changing} would have it changed",
        f"{gaining} would gain some",
    ]
    named = f" ({', '.join(losing[:3])}{', ...' * (len(losing) > 3)})" if losing else ""
    expected = "the log that these copies were filled by, or --take-back if this is meant"
    text = f"{listed(told, 'and')}{named}: nothing was written"
    raise InputError(Problem(str(out), text, expected=expected))


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
    """One run; `device` is the one that the frames lie on as it begins."""

    standing: Standing
    options: FillOptions
    device: int

    @property
    def out(self) -> Path:
        return self.standing.out

    @property
    def frames(self) -> Path:
        return self.standing.frames

    def start(self, tasks: Sequence[Task]) -> RunStart:
        """The run as the manifest has it. Raises OSError."""
        from xxhash import xxh3_128_hexdigest

        logs, kit = keep_used(self.out, self.options.logs, self.options.kit)
        names = "\n".join(sorted(task.plan.copy for task in tasks))
        return RunStart(
            version=flangeback.__version__,
            when=now(),
            frames=str(self.frames.resolve()),
            frames_relative=os.path.relpath(self.frames.resolve(), self.out.resolve()),
            options={name: getattr(self.options, name) for name in _OPTIONS},
            logs=logs,
            kit=kit,
            files=len(tasks),
            names=xxh3_128_hexdigest(os.fsencode(names)),
            to_make=sum(task.action in _MADE for task in tasks),
        )

    def carry_out(
        self, jobs: Sequence[Job], writer: ManifestWriter, progress: Progress | None
    ) -> list[FrameCopy]:
        """Makes the copies, several at a time; gives them in the jobs' order."""
        found: dict[int, FrameCopy] = {}
        size = 0
        waiting: dict[Future[list[Done]], int] = {}
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
                        found[number] = frame_copy(jobs[number], done)
                        size += sum(task.plan.size for task in jobs[number].tasks)
                        if progress:
                            progress(len(found), size)
            except BaseException:
                _keep_finished(waiting, writer)
                raise
        return [found[number] for number in range(len(jobs))]

    def _job(self, job: Job) -> list[Done]:
        """One frame's files. Raises OSError where the run can't go on."""
        done = [self._file(job.match, task) for task in job.tasks]
        if job.lost is not None or any(one.lost for one in done):
            self._check_card()
        return done

    def _check_card(self) -> None:
        """Raises OSError where the frames' disk is gone: that is no matter of one frame."""
        if self.frames.stat().st_dev != self.device:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), str(self.frames))

    def _file(self, match: FrameMatch | None, task: Task) -> Done:
        if task.action == Action.LEAVE:
            return Done(task, stands=False, left=task.reason)
        try:
            if task.action == Action.KEEP:
                return self._kept(match, task)
            return self._made(match, task)
        except SourceError as why:
            return Done(task, stands=False, lost=str(why))
        except TouchedError as why:
            return Done(task, stands=False, left=f"its copy is left as it is: {why}")
        except ProofError as failure:
            return Done(task, stands=False, failure=str(failure))

    def _kept(self, match: FrameMatch | None, task: Task) -> Done:
        """What an earlier run finished, noted or not; a frames folder that moved is noted."""
        record = task.record
        if record is None:
            edit, digests = self.standing.adopted(task)
            status = task.target.stat()
            written = Written(digests, status.st_size, status.st_mtime_ns)
            return Done(task, self._record(match, task, edit, written), remark=edit.remark)
        moved = None
        if record.frames != str(self.frames.resolve()):
            moved = replace(record, frames=str(self.frames.resolve()))
        remark = "; ".join(filter(None, (record.remark, task.reason))) or None
        return Done(task, moved, refusal=record.refusal, remark=remark)

    def _made(self, match: FrameMatch | None, task: Task) -> Done:
        """A new file; where the values can't be written, or their proof fails, a plain copy."""
        edit, refusal, failure = Edit(), None, None
        plan = task.present or task.plan
        try:
            edit = edit_for(plan, self.options)
            written = self._write(task, plan, edit)
        except (Refused, Damaged) as why:
            refusal = str(why)
        except ProofError as why:
            failure = str(why)
        if refusal or failure:
            if plan.source is None or task.present is not None:
                return Done(task, stands=False, refusal=refusal, failure=failure)
            edit = Edit()
            written = self._write(task, plan, edit)
        record = replace(self._record(match, task, edit, written), refusal=refusal, failure=failure)
        return Done(task, record, True, refusal, failure, remark=edit.remark)

    def _write(self, task: Task, plan: FilePlan, edit: Edit) -> Written:
        task.target.parent.mkdir(parents=True, exist_ok=True)
        return write_file(plan, edit, task.target, replaces=task.replaces)

    def _record(self, match: FrameMatch | None, task: Task, edit: Edit, written: Written) -> Record:
        plan, stated = task.plan, Stated.of(edit.values)
        source = None
        if plan.source is not None:
            digest = written.digests.source
            if task.present is not None and task.record and task.record.source_state:
                digest = task.record.source_state.digest
            source = FileState(plan.size, plan.modified_ns, digest)
        record = Record(
            frames=str(self.frames.resolve()),
            file=plan.frame.file if plan.is_picture else plan.copy,
            copy=plan.copy,
            kind=plan.code,
            way=plan.method,
            outcome="other" if match is None else match.outcome,
            source_state=source,
            copy_state=FileState(written.size, written.modified_ns, written.digests.copy),
            payload=written.digests.payload,
            edits=edit.stretches,
            values=stated.values,
            whole=stated.whole,
            in_packet=edit.in_packet,
            patched=task.present is not None,
            asked=asked_digest(plan.values, packet=self.options.xmp),
            remark=edit.remark,
        )
        return record if match is None else _with_match(record, match)

    def carry_out_others(self, tasks: Iterable[Task], writer: ManifestWriter) -> Mapping[str, str]:
        """Copies files that are no frames; why those were left that couldn't be copied."""
        left = {}
        for task in tasks:
            done = self._file(None, task)
            _note([done], writer)
            why = done.lost or done.left or done.failure
            if why:
                self._check_card()
                left[task.plan.copy] = why
        return left

    def withdraw(self, records: Iterable[Record], writer: ManifestWriter) -> None:
        """Takes files of earlier runs back. Raises OSError."""
        for record in records:
            (self.out / record.copy).unlink(missing_ok=True)
            writer.append(replace(record, verdict=WITHDRAWN))

    def finish_folders(self, names: Iterable[str]) -> None:
        """Gives the folders of copies the times of the frames' folders, and has their names written
        to disk. Raises OSError."""
        folders = {folder for name in names for folder in Path(name).parents}
        for folder in sorted(folders, key=lambda one: len(one.parts), reverse=True):
            sync_folder(self.out / folder)
            with suppress(OSError):
                status = (self.frames / folder).stat()
                set_times(self.out / folder, status.st_atime_ns, status.st_mtime_ns)


_OPTIONS = ("raw", "sidecar", "break_seal", "xmp", "set_time", "others", "over", "by_log_alone")
_MADE = (Action.MAKE, Action.CHANGE, Action.TAKE_BACK)


def _with_match(record: Record, match: FrameMatch) -> Record:
    fill = match.fill
    return replace(
        record,
        body=match.body,
        adapter=fill.adapter.key if fill and fill.adapter else None,
        log=match.log,
        log_line=match.log_line,
        by=match.by,
        doubts=tuple({"kind": doubt.kind, "text": doubt.text} for doubt in match.doubts),
    )


def _note(done: Sequence[Done], writer: ManifestWriter) -> None:
    for one in done:
        if one.record is not None:
            writer.append(one.record)


def _keep_finished(waiting: Mapping[Future[list[Done]], int], writer: ManifestWriter) -> None:
    """Ends a run that can't go on: what is under way is finished and noted."""
    for future in waiting:
        future.cancel()
    for future in waiting:
        if not future.cancelled() and future.exception() is None:
            # A copy that can't be noted now is adopted by the next run.
            with suppress(OSError):
                _note(future.result(), writer)
