"""From outcomes to verified copies."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flangeback.copies import output
from flangeback.copies.edit import edit_for
from flangeback.copies.faults import SourceError
from flangeback.copies.making import OPTIONS, Planned, Progress, Run
from flangeback.copies.manifest import NAME, Manifest, ManifestWriter, check_folder
from flangeback.copies.model import MADE, Action, Filled, FramePreview
from flangeback.copies.others import OtherFiles, other_files
from flangeback.copies.own import check_times, own_frames
from flangeback.copies.plan import CopyMethod, FillOptions, plan_frame, sidecar_names
from flangeback.copies.records import RunStart
from flangeback.copies.standing import Standing
from flangeback.copies.tasks import Done, Job, Task, outcome_of
from flangeback.copies.touched import TIME_NAMES
from flangeback.errors import InputError
from flangeback.formats import Damaged, Refused
from flangeback.match.matching import match_frames
from flangeback.match.model import FrameMatch, Matches
from flangeback.match.session import read_session
from flangeback.system import is_part
from flangeback.words import count, listed, some_of

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
    beside = other_files(frames, (match.frame for match in matches.frames), options.used)
    others = beside.files
    with Manifest(out) as manifest:
        if not options.others:
            # Those that an earlier run copied stay.
            known = {file: manifest.get(file) for file in others}
            others = tuple(f for f, one in known.items() if not one or one.way != CopyMethod.OTHER)
        run = Run(Standing(frames, out, manifest, options), frames.stat().st_dev)
        planned = run.plan(matches.frames, others)
        _check_strangers(out, manifest, list(planned.tasks))
        if not options.take_back:
            _check_losses(out, planned)
            before = [one for one in manifest.runs if one.frames == run.standing.folder]
            _check_options(out, planned, options, before)
        output.check_names(out, planned.names)
        output.check_room(out, sum(task.needed for task in planned.tasks))
        try:
            out.mkdir(parents=True, exist_ok=True)
            writer = ManifestWriter(out, manifest)
            try:
                run.open_folders(planned)
                output.clear_unfinished(out)
                writer.start(run.start(planned))
                copies = run.carry_out(planned, writer, progress)
                left = run.carry_out_others(planned.others, writer)
                run.withdraw(planned.withdrawn, writer)
                run.finish_folders(planned.names)
                writer.seal(matches.noted() if matches.noted else None)
            finally:
                writer.close()
        except OSError as error:
            raise _cannot_go_on(out, error) from None
    tried = (one.plan.copy for one in planned.others if one.action in MADE)
    made = tuple(name for name in tried if name not in left)
    left = {**beside.left, **left}
    return Filled(tuple(copies), matches, OtherFiles(others, options.others, made, left))


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
            match = _foreseen(job, options)
            found.append(FramePreview(match, job.action, gains, changes, losses))
        return tuple(found)


def asked(match: FrameMatch, frames: Path) -> FrameMatch:
    """What a frame comes to that is to be filled, once its files are asked for room."""
    try:
        plans = plan_frame(match, frames, _PLAIN)
    except SourceError as why:
        return _foreseen(Job(match, (), str(why)), _PLAIN)
    tasks = (Task(plan, frames, Action.MAKE) for plan in plans)
    return _foreseen(Job(match, tuple(tasks)), _PLAIN)


def _foreseen(job: Job, options: FillOptions) -> FrameMatch:
    """What a frame would come to."""
    return outcome_of(job, [_foreseen_file(task, options) for task in job.tasks])


def _foreseen_file(task: Task, options: FillOptions) -> Done:
    plan, record = task.present or task.plan, task.record
    if task.action == Action.LEAVE:
        return Done(task, stands=False, left=task.reason)
    if task.action == Action.KEEP and record is not None:
        refusal = record.refusal if plan.values else plan.refusal
        return Done(task, refusal=refusal, remark=task.reason)
    try:
        return Done(task, remark=edit_for(plan, options).remark)
    except SourceError as why:
        return Done(task, stands=False, lost=str(why))
    except (Refused, Damaged) as why:
        return Done(task, stands=plan.source is not None, refusal=str(why))


def options_of(run: RunStart) -> FillOptions:
    """The options that a run was made with."""
    return FillOptions(**{name: run.options[name] for name in OPTIONS if name in run.options})


def _check_strangers(out: Path, manifest: Manifest, tasks: Sequence[Task]) -> None:
    """Raises InputError where something stands in the way in a folder that isn't ours at all.

    It is ours, its manifest lost, where copies with their very values stand there.
    """
    left = (task.in_the_way or task.target for task in tasks if task.action == Action.LEAVE)
    strangers = list(filter(os.path.lexists, left))
    is_ours = any(task.action == Action.KEEP and task.plan.values for task in tasks)
    if strangers and not (manifest.exists or is_ours):
        names = dict.fromkeys(path.relative_to(out).as_posix() for path in strangers)
        stands = count(
            len(names), "file stands in the way that isn't", "files stand in the way that aren't"
        )
        text = f"{stands} flangeback's own: {some_of(names)}"
        raise InputError.at(out, text, "another folder for the copies")


def _check_losses(out: Path, planned: Planned) -> None:
    """Raises InputError where copies would lose lens data.

    Also where more of them would have it changed than would gain any.
    """
    moved: dict[str, set[str]] = {}
    for job in planned.jobs.values() if planned.withdrawn else ():
        names = {value.name for task in job.tasks for value in task.plan.values}
        for task in job.tasks:
            moved |= dict.fromkeys(sidecar_names(task.plan.copy), names)
    losing: dict[str, str | None] = {
        record.copy: None
        for record in planned.withdrawn
        if record.values.keys() - TIME_NAMES - moved.get(record.copy, set())
    }
    changing, gaining = list[str](), list[str]()
    for job in planned.jobs.values():
        gains, changes, losses = job.changes()
        if losses:
            losing[job.match.frame.file] = job.match.reason
        elif changes:
            changing.append(job.match.frame.file)
        elif gains and job.action == Action.CHANGE:
            gaining.append(job.match.frame.file)
    if not losing and len(changing) <= len(gaining):
        return
    told = (
        f"{count(len(files), 'copy', 'copies')} would {what} ({some_of(files)})"
        for what, files in (
            ("lose lens data", losing),
            ("have lens data changed", changing),
            ("gain some", gaining),
        )
        if files
    )
    why = next((f"; {file}: {reason}" for file, reason in losing.items() if reason), "")
    text = f"{listed(told, 'and')}: nothing was written{why}"
    expected = "the log that these copies were filled by, or --take-back if this is meant"
    raise InputError.at(out, text, expected)


def _check_options(
    out: Path, planned: Planned, options: FillOptions, runs: Sequence[RunStart]
) -> None:
    """Raises InputError where copies would lose what an option gave them that is left out now."""
    old = [task.record for task in planned.tasks if task.record and task.action in MADE]
    old += planned.withdrawn
    timed = [record.copy for record in old if record.values.keys() & TIME_NAMES]
    edited = [record.copy for record in old if record.way == CopyMethod.EMBED]
    given = {"set_time": ("the true time", timed), "xmp": ("the XMP packet", edited)}
    for name, (what, losing) in given.items():
        gave = any(run.options.get(name) for run in runs[-1:])
        if losing and gave and not getattr(options, name):
            option = f"--{name.replace('_', '-')}"
            told = f"{count(len(losing), 'copy', 'copies')} would lose {what} ({some_of(losing)})"
            text = f"{told}, without {option}: nothing was written"
            expected = f"{option} as before, or --take-back if this is meant"
            raise InputError.at(out, text, expected)


def _cannot_go_on(path: Path, error: OSError) -> InputError:
    what, place = error.strerror or str(error), Path(error.filename or path)
    expected = "the same command again once this is mended"
    if error.errno == errno.ENOSPC:
        what, place = "the disk is full", path
        expected = "more room, then the same command again"
    place = place.parent if is_part(place.name) else place
    return InputError.at(place, f"{what}; what was finished is kept", expected)


def mend(
    out: Path, frames: Path | None = None, progress: Progress | None = None
) -> tuple[Filled, ...]:
    """Fills `out` again by the log, the kit and the options of its last run on each frames folder.

    Copies that are gone or broken are made again, whole ones that the manifest lost are noted;
    those that another program worked on stay. `frames` is where the frames lie now, where one
    folder's are all there are.

    Raises InputError where a run left no log or kit, or its frames aren't at hand.
    """
    check_folder(out)
    with Manifest(out) as manifest:
        runs = {run.frames: run for run in manifest.runs}
        unfinished = None if manifest.is_sealed else manifest.runs[-1]
    if not runs:
        expected = "`fill` with the same log and kit, which makes again what is missing"
        told = f"there is no {NAME} in it, or no run on record in that"
        raise InputError.at(out, told, expected)
    # What a run that was stopped had begun to take back was meant.
    return tuple(
        _mend(out, run, frames, progress, take_back=run is unfinished) for run in runs.values()
    )


def _mend(
    out: Path,
    run: RunStart,
    moved: Path | None,
    progress: Progress | None,
    *,
    take_back: bool,
) -> Filled:
    if not run.logs or run.kit is None:
        text = "the log or the kit of its last run isn't beside the copies"
        raise InputError.at(out, text, "`fill` with the same log and kit")
    places = [moved] if moved else [Path(run.frames), out / run.frames_relative]
    folder = next((place for place in places if place.is_dir()), None)
    if folder is None:
        expected = "the folder with the frames: --frames says where they lie now"
        raise InputError.at(places[0], "there is no such folder", expected)
    logs = tuple(out / name for name in run.logs)
    session = read_session(folder, logs, out / run.kit)
    check_times(folder, session.logs)
    options = replace(options_of(run), mend=True, take_back=take_back, logs=logs, kit=out / run.kit)
    over = options.over or own_frames(session.frames, folder)
    matches = match_frames(
        session.frames, session.logs, session.kit, over=over, by_log_alone=options.by_log_alone
    )
    return fill(matches, folder, out, options, progress)
