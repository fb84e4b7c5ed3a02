"""Copies that are missing or changed, made again by what lies beside them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from flangeback.copies.manifest import Manifest, check_folder
from flangeback.copies.model import Filled
from flangeback.copies.own import check_times, own_frames
from flangeback.copies.records import RunStart
from flangeback.copies.run import fill, options_of
from flangeback.errors import InputError, Problem
from flangeback.match.matching import match_frames
from flangeback.match.session import read_session


def mend(
    out: Path, frames: Path | None = None, progress: Callable[[int, int], None] | None = None
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
        raise InputError(Problem(str(out), "its manifest has no run on record", expected=expected))
    # What a run that was stopped had begun to take back was meant.
    return tuple(
        _mend(out, run, frames, progress, take_back=run is unfinished) for run in runs.values()
    )


def _mend(
    out: Path,
    run: RunStart,
    moved: Path | None,
    progress: Callable[[int, int], None] | None,
    *,
    take_back: bool,
) -> Filled:
    if not run.logs or run.kit is None:
        text = "the log or the kit of its last run isn't beside the copies"
        raise InputError(Problem(str(out), text, expected="`fill` with the same log and kit"))
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
