"""From outcomes to verified copies."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from flangeback.containers.tiff import Damaged
from flangeback.copies import manifest, output
from flangeback.copies.making import Made, make_copy, planned, prove
from flangeback.copies.manifest import FileState, ManifestWriter, Record
from flangeback.copies.model import Filled, FrameCopy
from flangeback.copies.transfer import Digests, ProofError, digest, parts
from flangeback.embed import Refused, Splice
from flangeback.errors import InputError, Problem
from flangeback.match.model import FrameMatch, Matches, Outcome
from flangeback.tags.decide import decide
from flangeback.tags.table import TagValue

Progress = Callable[[int, int], None]
"""Called with the number of finished copies and the bytes of their frames."""

_LONGEST_GROWTH = 1 << 16
_WORKERS = min(8, 2 * (os.cpu_count() or 2))
"""Twice the cores: half of them wait for the disk."""


@dataclass(frozen=True, slots=True)
class _Job:
    """A frame on its way: the values to write, where, and whether an own copy stands there."""

    match: FrameMatch
    values: tuple[TagValue, ...]
    target: Path
    owned: bool = False
    finished: Record | None = None


def fill(matches: Matches, frames: Path, out: Path, progress: Progress | None = None) -> Filled:
    """Copies every frame of the folder `frames` into `out`, fills those that can be, proves all.

    A frame without room for its values is copied as it is, and comes back unreadable, with the
    reason. A copy that fails its proof is removed and comes back with its failure. What an
    earlier run finished isn't made again.

    Raises InputError, with nothing written, where `out` isn't fit for it, and, with the finished
    copies kept, where the run can't go on.
    """
    output.check_place(frames, out)
    run = _Run(frames.resolve(), out, manifest.read_manifest(out))
    jobs = [run.job(match) for match in matches.frames]
    run.check_strangers(jobs)
    output.check_room(out, sum(_needed(job) for job in jobs))
    try:
        out.mkdir(parents=True, exist_ok=True)
        writer = ManifestWriter(out)
        output.clear_unfinished(out)
    except OSError as error:
        raise InputError(_cannot_go_on(out, error)) from None
    try:
        try:
            return Filled(tuple(run.carry_out(jobs, writer, progress)))
        finally:
            writer.close()
            output.sync_folders({job.target.parent for job in jobs})
    except OSError as error:
        raise InputError(_cannot_go_on(out, error)) from None


def _needed(job: _Job) -> int:
    if job.finished is not None:
        return 0
    return job.match.frame.size + (_LONGEST_GROWTH if job.values else 0)


def _values(match: FrameMatch) -> tuple[TagValue, ...]:
    if not match.outcome.is_filled or match.fill is None:
        return ()
    return decide(match.fill, match.stale)


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


class _Run:
    """One run of `fill`: the folders and what the manifest already has."""

    def __init__(self, frames: Path, out: Path, records: Mapping[str, Record]) -> None:
        self.frames = frames
        self.out = out
        self.records = records

    def job(self, match: FrameMatch) -> _Job:
        job = _Job(match, _values(match), self.out / match.frame.file)
        record = self.records.get(match.frame.file)
        if record is None or not job.target.is_file():
            return job
        if self._is_finished(job, record):
            return replace(job, finished=record)
        return replace(job, owned=_is_as_recorded(job.target, record.copy_state))

    def _is_finished(self, job: _Job, record: Record) -> bool:
        """Whether this very copy was made: same frame, same values, and it still stands so."""
        frame, status = job.match.frame, job.target.stat()
        return (
            (frame.size, frame.modified_ns)
            == (record.source_state.size, record.source_state.modified_ns)
            and (status.st_size, status.st_mtime_ns)
            == (record.copy_state.size, record.copy_state.modified_ns)
            and (record.values or {}) == self._recorded_values(job, record)
        )

    def _recorded_values(self, job: _Job, record: Record) -> Mapping[str, str]:
        """What the record of this job would say; a frame that was refused has no values."""
        refused = record.outcome == Outcome.UNREADABLE and job.match.outcome.is_filled
        return {} if refused else manifest.values_as_text(job.values)

    def check_strangers(self, jobs: Sequence[_Job]) -> None:
        """Raises InputError where something stands under a copy's name that isn't our own."""
        problems = [problem for job in jobs for problem in self._stranger(job)]
        if problems:
            raise InputError(problems)

    def _stranger(self, job: _Job) -> Iterator[Problem]:
        in_the_way = next(
            (
                p
                for p in job.target.parents
                if p != self.out and self.out in p.parents and (p.is_file() or p.is_symlink())
            ),
            job.target,
        )
        if not in_the_way.exists() and not in_the_way.is_symlink():
            return
        passes = job.finished is not None or job.owned or self._is_same(job)
        if in_the_way != job.target or not passes:
            text = "stands in the way and isn't flangeback's own"
            yield Problem(str(in_the_way), text, expected="another folder for the copies")

    def _is_same(self, job: _Job) -> bool:
        """Whether the file there is the copy that would be made: a run was killed between giving
        it its name and noting it."""
        try:
            self._adopted(job)
        except (ProofError, OSError):
            return False
        return True

    def _adopted(self, job: _Job) -> Digests:
        source, size = job.match.frame.path, job.match.frame.size
        if job.target.is_symlink():
            raise ProofError("a link")
        try:
            splices = planned(source, job.values)
            return prove(source, job.target, size, splices, job.values)
        except (Refused, Damaged):
            return prove(source, job.target, size, (), ())

    def carry_out(
        self, jobs: Sequence[_Job], writer: ManifestWriter, progress: Progress | None
    ) -> Iterator[FrameCopy]:
        """Makes the copies, several at a time; gives them in the jobs' order."""
        found: dict[int, FrameCopy] = {}
        done = size = 0
        waiting: dict[Future[tuple[FrameCopy, Record | None]], int] = {}
        with ThreadPoolExecutor(_WORKERS) as pool:
            try:
                todo = iter(enumerate(jobs))
                while len(found) < len(jobs):
                    for number, job in todo:
                        waiting[pool.submit(self._one, job)] = number
                        if len(waiting) >= 2 * _WORKERS:
                            break
                    finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in finished:
                        number = waiting.pop(future)
                        copy, record = future.result()
                        if record is not None:
                            writer.append(record)
                        found[number] = copy
                        done, size = done + 1, size + copy.match.frame.size
                        if progress:
                            progress(done, size)
            except OSError as error:
                self._keep_finished(waiting, writer)
                raise InputError(_cannot_go_on(self.out, error)) from None
            except BaseException:
                self._keep_finished(waiting, writer)
                raise
        return iter([found[number] for number in range(len(jobs))])

    def _keep_finished(
        self, waiting: Mapping[Future[tuple[FrameCopy, Record | None]], int], writer: ManifestWriter
    ) -> None:
        """Ends a run that can't go on: what is under way is finished and noted."""
        for future in waiting:
            future.cancel()
        for future in waiting:
            if not future.cancelled() and future.exception() is None:
                record = future.result()[1]
                # A copy that can't be noted now is adopted by the next run.
                with suppress(OSError):
                    if record is not None:
                        writer.append(record)

    def _one(self, job: _Job) -> tuple[FrameCopy, Record | None]:
        """One frame's copy, and its line for the manifest unless it has one already."""
        match = job.match
        if job.finished is not None:
            if job.finished.outcome == Outcome.UNREADABLE and match.outcome.is_filled:
                match = _refused(match, "there was no room for its values")
            return FrameCopy(match, match.frame.file, True, resumed=True), None
        values = job.values
        try:
            try:
                splices = planned(match.frame.path, values)
                made = self._make(job, splices)
            except (Refused, Damaged) as refusal:
                match, values, splices = _refused(match, str(refusal)), (), ()
                made = self._make(replace(job, match=match, values=values), splices)
        except ProofError as failure:
            return FrameCopy(match, None, False, failure=str(failure)), None
        return FrameCopy(match, match.frame.file, True), self._record(match, values, splices, made)

    def _make(self, job: _Job, splices: Sequence[Splice]) -> Made:
        job.target.parent.mkdir(parents=True, exist_ok=True)
        try:
            return make_copy(job.match.frame.path, job.target, splices, job.values, job.owned)
        except FileExistsError:
            digests = self._adopted(job)
            status = job.target.stat()
            return Made(digests, status.st_size, status.st_mtime_ns)

    def _record(
        self,
        match: FrameMatch,
        values: Sequence[TagValue],
        splices: Sequence[Splice],
        made: Made,
    ) -> Record:
        frame = match.frame
        return Record(
            frames=str(self.frames),
            file=frame.file,
            copy=frame.file,
            outcome=match.outcome,
            source_state=FileState(frame.size, frame.modified_ns, made.digests.source),
            copy_state=FileState(made.size, made.modified_ns, made.digests.copy),
            payload=made.digests.payload,
            edits=tuple(_edits(frame.size, splices)),
            values=manifest.values_as_text(values),
            log=match.log,
            log_line=match.log_line,
            doubts=tuple(asdict(doubt) for doubt in match.doubts),
        )


def _edits(size: int, splices: Sequence[Splice]) -> Iterator[tuple[int, int, int, int]]:
    shift = 0
    for start, end, splice in parts(size, splices):
        if splice is not None:
            yield start, end, start + shift, start + shift + len(splice.data)
            shift += splice.growth


def _refused(match: FrameMatch, reason: str) -> FrameMatch:
    return replace(match, outcome=Outcome.UNREADABLE, fill=None, reason=reason)


def _is_as_recorded(path: Path, state: FileState) -> bool:
    """Whether a file is still the one that was recorded, by size and digest."""
    if path.is_symlink() or path.stat().st_size != state.size:
        return False
    file = os.open(path, os.O_RDONLY)
    try:
        return digest(file) == state.digest
    finally:
        os.close(file)
