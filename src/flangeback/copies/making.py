"""The copies of a run: what there is to do, and doing it."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path, PurePath

import flangeback
from flangeback.copies.edit import Edit, edit_for
from flangeback.copies.faults import ProofError, SourceError, TouchedError
from flangeback.copies.manifest import ManifestWriter, now
from flangeback.copies.model import MADE, Action, FrameCopy
from flangeback.copies.others import keep_used
from flangeback.copies.prove import Digests, digest
from flangeback.copies.records import WITHDRAWN, FileState, Record, RunStart
from flangeback.copies.standing import Standing, left_as_it_is
from flangeback.copies.stated import Stated, asked_digest, before_texts
from flangeback.copies.tasks import Done, Job, Task, frame_copy
from flangeback.copies.touched import check_stands
from flangeback.copies.write import write_file
from flangeback.formats import Damaged, Refused
from flangeback.match.model import FrameMatch, Outcome
from flangeback.pinning import pinned
from flangeback.system import identity, open_file, remove, set_times, sync_folder, way_to
from flangeback.tags.decide import blank

Progress = Callable[[int, int], None]
"""Called with the number of finished copies and the bytes of their frames."""

_WORKERS = min(8, 2 * (os.cpu_count() or 2))
"""Twice the cores: half of them wait for the disk."""
_OF_ONE_FILE = frozenset({errno.EEXIST, errno.EFBIG, errno.ENAMETOOLONG, errno.EILSEQ})
"""What a system refuses for one file's size or name (POSIX open, write); else it is the disk's."""
OPTIONS = ("raw", "sidecar", "break_seal", "xmp", "set_time", "others", "over", "by_log_alone")
"""Those that a manifest has of a run."""


@dataclass(frozen=True, slots=True)
class Planned:
    """What a run is to do, by the frames' places in their order.

    `jobs` are those with something to do, and go as they are done; `finished` is what earlier runs
    made; `names` are the names of all copies, `withdrawn` the sidecars to be taken back, `others`
    the other files.
    """

    jobs: dict[int, Job]
    finished: Mapping[int, FrameCopy]
    names: Sequence[str]
    others: Sequence[Task]
    withdrawn: Sequence[Record]

    @property
    def tasks(self) -> Iterator[Task]:
        """Each file that something is to be done about."""
        yield from (task for job in self.jobs.values() for task in job.tasks)
        yield from self.others


@dataclass(frozen=True, slots=True)
class Run:
    """One run; `device` is the one that the frames lie on as it begins."""

    standing: Standing
    device: int

    def plan(self, matches: Iterable[FrameMatch], others: Iterable[str]) -> Planned:
        """What there is to do. Of what is finished no more is kept than its name and result."""
        jobs, finished = dict[int, Job](), dict[int, FrameCopy]()
        names, left = list[str](), set[str]()
        for number, job in enumerate(self.standing.jobs(matches)):
            own = [task.plan.copy for task in job.tasks]
            names += own
            if job.action == Action.LEAVE:
                left.update(own, (file.file for file in job.match.frame.files))
            if job.tasks and all(self._is_finished(job.match, task) for task in job.tasks):
                finished[number] = frame_copy(job, self._job(job))
            else:
                jobs[number] = job
        other_tasks = list(self.standing.others(others)) if self.standing.options.others else []
        names += [task.plan.copy for task in other_tasks]
        withdrawn = list(self.standing.withdrawals(names, left))
        return Planned(jobs, finished, names, other_tasks, withdrawn)

    def _is_finished(self, match: FrameMatch, task: Task) -> bool:
        if task.record is None or _came_to_another(task.record, match):
            return False
        is_kept = task.action == Action.KEEP and task.reason is None
        return is_kept and task.record.frames == self.standing.folder

    def start(self, planned: Planned) -> RunStart:
        """The run as the manifest has it. Raises OSError."""
        from xxhash import xxh3_128_hexdigest

        logs, kit = keep_used(
            self.standing.out, self.standing.options.logs, self.standing.options.kit
        )
        return RunStart(
            version=flangeback.__version__,
            when=now(),
            frames=self.standing.folder,
            frames_relative=way_to(self.standing.frames.resolve(), self.standing.out.resolve()),
            options={name: getattr(self.standing.options, name) for name in OPTIONS},
            logs=logs,
            kit=kit,
            files=len(planned.names),
            names=xxh3_128_hexdigest(os.fsencode("\n".join(sorted(planned.names)))),
            to_make=sum(
                task.action in MADE or (task.action == Action.KEEP and task.record is None)
                for task in planned.tasks
            )
            # Frames that couldn't be read, now or by an earlier run.
            + sum(
                job.lost is not None and job.match.frame.file not in self.standing.manifest
                for job in planned.jobs.values()
            ),
        )

    def carry_out(
        self, planned: Planned, writer: ManifestWriter, progress: Progress | None
    ) -> list[FrameCopy]:
        """Makes the copies, several at a time; gives all in the frames' order."""
        found, jobs = dict(planned.finished), planned.jobs
        size, last = sum(_size(one.match) for one in found.values()), len(found) + len(jobs)
        waiting: dict[Future[list[Done]], int] = {}
        with ThreadPoolExecutor(_WORKERS) as pool:
            try:
                todo = iter(list(jobs))
                while len(found) < last:
                    for number in todo:
                        waiting[pool.submit(self._job, jobs[number])] = number
                        if len(waiting) >= 2 * _WORKERS:
                            break
                    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                        done = future.result()
                        _note(done, writer)
                        number = waiting.pop(future)
                        job = jobs.pop(number)
                        found[number] = frame_copy(job, done)
                        size += _size(job.match)
                        if progress:
                            progress(len(found), size)
            except BaseException:
                _keep_finished(waiting, writer)
                raise
        return [found[number] for number in range(len(found))]

    def _job(self, job: Job) -> list[Done]:
        """One frame's files. Raises OSError where the run can't go on."""
        done: list[Done] = []
        without_copy: dict[str, str] = {}
        for task in job.tasks:
            plan, why = task.plan, without_copy.get(task.plan.frame.file)
            if why and plan.is_new_sidecar and task.action == Action.MAKE:
                # A sidecar that stands alone says nothing of any picture.
                done.append(Done(task, stands=False, lost=why))
                continue
            done.append(one := self._file(job.match, task))
            if plan.is_picture and one.lost:
                without_copy[plan.frame.file] = one.lost
        if job.lost is not None or any(one.lost for one in done):
            self._check_card()
        return done

    def _check_card(self) -> None:
        """Raises OSError where the frames' disk is gone: that is no matter of one frame."""
        if self.standing.frames.stat().st_dev != self.device:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), str(self.standing.frames))

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
            return Done(task, stands=False, left=left_as_it_is(why))
        except OSError as error:
            if error.errno not in _OF_ONE_FILE:
                raise
            if error.errno != errno.EEXIST:
                return Done(task, stands=False, lost=f"its copy can't be made: {error.strerror}")
            return Done(task, stands=False, left="another program put a file where its copy goes")
        except ProofError as failure:
            return Done(task, stands=False, failure=str(failure))

    def _kept(self, match: FrameMatch | None, task: Task) -> Done:
        """What an earlier run finished, noted or not.

        Noted anew is what another program changed since, or whose frames folder moved.
        """
        record = task.record
        if record is None:
            edit, digests = self.standing.adopted(task)
            record = self._record(match, task, edit, digests, task.target.stat())
            return Done(task, record, refusal=task.plan.refusal, remark=edit.remark)
        folder = self.standing.folder
        anew = record if record.frames == folder else replace(record, frames=folder)
        if match is not None and _came_to_another(record, match):
            anew = _with_match(replace(anew, outcome=match.outcome), match)
        if task.reason:
            anew = _as_it_is_now(self.standing.out, task, anew)
        remark = "; ".join(filter(None, (record.remark, task.reason))) or None
        changed = anew if anew != record else None
        # What an earlier run was refused says nothing of one that asks for no values.
        refusal = record.refusal if task.plan.values else task.plan.refusal
        return Done(task, changed, refusal=refusal, remark=remark)

    def _made(self, match: FrameMatch | None, task: Task) -> Done:
        """A new file; where the values can't be written, or their proof fails, a plain copy."""
        edit, refusal, failure = Edit(), None, None
        plan, out = task.present or task.plan, self.standing.out
        try:
            edit = edit_for(plan, self.standing.options)
            made = write_file(plan, edit, out, replaces=task.replaces)
        except (Refused, Damaged) as why:
            refusal = str(why)
        except ProofError as why:
            failure = str(why)
        if refusal or failure:
            if plan.source is None or task.present is not None:
                return Done(task, stands=False, refusal=refusal, failure=failure)
            edit = Edit()
            made = write_file(plan, edit, out, replaces=task.replaces)
        digests, status, is_whole = made
        record = self._record(match, task, edit, digests, status)
        if refusal or failure:
            record = replace(record, refusal=refusal, failure=failure)
            if match is not None and match.outcome.is_filled:
                record = replace(record, outcome=Outcome.UNREADABLE)
        return Done(
            task,
            record,
            refusal=refusal,
            failure=failure,
            remark=edit.remark,
            keeps_attributes=is_whole,
        )

    def _record(
        self,
        match: FrameMatch | None,
        task: Task,
        edit: Edit,
        digests: Digests,
        status: os.stat_result,
    ) -> Record:
        plan, asked = task.plan, {value.tag for value in task.plan.values}
        # What the frame says itself isn't ours though it had to be written again.
        ours = [one for one in edit.values if one.tag in asked or one == blank(one.tag)]
        stated = Stated.of(ours)
        source = None
        if plan.source is not None:
            digest = digests.source
            if task.present is not None and task.record and task.record.source_state:
                digest = task.record.source_state.digest
            source = FileState(plan.size, plan.modified_ns, digest)
        record = Record(
            frames=self.standing.folder,
            file=plan.frame.file if plan.is_picture else plan.copy,
            copy=plan.copy,
            kind=plan.code,
            way=plan.method,
            outcome="other" if match is None else match.outcome,
            source_state=source,
            copy_state=FileState(status.st_size, status.st_mtime_ns, digests.copy),
            payload=digests.payload,
            picture=digests.picture,
            edits=edit.stretches,
            values=stated.values,
            whole=stated.whole,
            patched=task.present is not None,
            asked=asked_digest(plan.values, packet=self.standing.options.xmp),
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
            below = PurePath(record.copy)
            gone = suppress(FileNotFoundError)
            with gone, pinned(self.standing.out, below.parent, make=False) as folder:
                remove(folder / below.name)
            writer.append(replace(record, verdict=WITHDRAWN))

    def open_folders(self, planned: Planned) -> None:
        """Has folders written to that an earlier run gave the modes of read-only ones."""
        made = [task.plan.copy for task in planned.tasks if task.action in MADE]
        for folder in reversed(_folders([*made, *(one.copy for one in planned.withdrawn)])):
            if not folder.name:
                continue  # The output folder has the mode that its owner gave it.
            with suppress(OSError), pinned(self.standing.out, folder, make=False) as there:
                mode = there.stat().st_mode
                if mode & stat.S_IRWXU != stat.S_IRWXU:
                    there.chmod(stat.S_IMODE(mode) | stat.S_IRWXU)

    def finish_folders(self, names: Iterable[str]) -> None:
        """Gives the folders of copies the modes and the times of the frames' folders.

        The output folder itself keeps its mode. Their names are written to disk, too. Raises
        OSError.
        """
        for folder in _folders(names):
            with suppress(OSError), pinned(self.standing.out, folder, make=False) as there:
                sync_folder(there)
                status = (self.standing.frames / folder).stat()
                set_times(there, status.st_atime_ns, status.st_mtime_ns)
                if folder.name:
                    there.chmod(stat.S_IMODE(status.st_mode))


def _folders(names: Iterable[str]) -> list[PurePath]:
    """The folders that files of these names lie in, the deepest first."""
    folders = {folder for name in names for folder in PurePath(name).parents}
    return sorted(folders, key=lambda one: len(one.parts), reverse=True)


def _size(match: FrameMatch) -> int:
    return sum(file.size for file in match.frame.files)


def _as_it_is_now(out: Path, task: Task, record: Record) -> Record:
    """The record of a copy with what another program put into it.

    It is the old one where that changed what the body wrote. Raises TouchedError, OSError.
    """
    try:
        check_stands(out, record, task.plan.source)
    except (ProofError, Damaged):
        return record
    with open_file(task.target) as file:
        status = os.fstat(file.fileno())
        if identity(status) != task.replaces:
            raise TouchedError("another program changed it while flangeback ran")
        now = FileState(status.st_size, status.st_mtime_ns, digest(file.fileno()))
    return replace(record, copy_state=now, payload=now.digest, edits=(), patched=True)


def _came_to_another(record: Record, match: FrameMatch) -> bool:
    """Whether a frame whose own copy stays is filled by now, by a sidecar, or isn't any more."""
    was_filled = record.outcome in (Outcome.FILL, Outcome.PARTIAL)
    is_told = record.refusal is None and record.failure is None
    return is_told and was_filled != match.outcome.is_filled


def _with_match(record: Record, match: FrameMatch) -> Record:
    fill = match.fill
    return replace(
        record,
        body=match.body,
        adapter=fill.adapter.key if fill and fill.adapter else None,
        before=before_texts(match.frame.lens_data),
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
