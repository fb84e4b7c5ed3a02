"""Counts what a folder of frames lacks, body by body."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from flangeback.copies.others import other_files
from flangeback.frames.model import Frame
from flangeback.frames.scanning import scan
from flangeback.survey.clocks import burst_gaps, disorders, gps_ahead
from flangeback.survey.clusters import Timed, clusters, in_time, pause_of, stretch
from flangeback.survey.model import BodyName, BodySurvey, Registered, Survey


def survey_folder(folder: Path, progress: Callable[[int], None] | None = None) -> Survey:
    """What lens data the frames of a folder lack; neither log nor kit is asked for.

    `progress` is called with the count of frames so far. Raises InputError when there is no such
    folder, when it can't be read, or has no frames.
    """
    frames = scan(folder, progress)
    used = (folder / "session.txt", folder / "kit.toml")
    return replace(survey_frames(frames), others=other_files(folder, frames, used))


def survey_frames(frames: Iterable[Frame]) -> Survey:
    """The survey of frames that were read already."""
    by_body: dict[BodyName, list[Frame]] = defaultdict(list)
    damaged = []
    for frame in frames:
        if frame.damage is not None:
            damaged.append((frame.file, frame.damage))
        else:
            by_body[BodyName(frame.make, frame.model, frame.serial)].append(frame)
    timed = {name: in_time(found) for name, found in by_body.items()}
    bodies = [_body(name, found, timed[name]) for name, found in by_body.items()]
    bodies.sort(key=lambda body: (-body.frames, str(body.name)))
    return Survey(tuple(bodies), tuple(sorted(damaged)), tuple(burst_gaps(timed)))


def _body(name: BodyName, frames: Sequence[Frame], timed: Timed) -> BodySurvey:
    pause = pause_of(timed)
    data = [frame.lens_data for frame in frames]
    natives = Counter(one.lens for one in data if one.is_native)
    gps_frames, ahead, whole = gps_ahead(frames)
    return BodySurvey(
        name,
        len(frames),
        len(frames) - len(timed),
        timed[0][0] if timed else None,
        timed[-1][0] if timed else None,
        tuple(sorted({f.time.offset for f in frames if f.time and f.time.offset is not None})),
        {
            "lens": sum(not one.says_lens for one in data),
            "f-number": sum(one.f_number is None for one in data),
            "focal length": sum(one.focal_length is None for one in data),
        },
        sum(not one.is_whole for one in data),
        tuple(_registered(frames, timed)),
        dict(natives.most_common()),
        pause,
        tuple(stretch(cluster) for cluster in clusters(timed, pause)),
        tuple(disorders(timed)),
        gps_frames,
        ahead,
        whole,
        min(frame.file for frame in frames),
    )


def _registered(frames: Sequence[Frame], timed: Timed) -> Iterator[Registered]:
    """Each focal length registered for the stabiliser, the shortest first."""
    stretches = defaultdict(list)
    for length, run in groupby(timed, key=lambda one: one[1].lens_data.registered_focal_length):
        if length is not None:
            stretches[length].append(stretch(list(run)))
    untimed = Counter(f.lens_data.registered_focal_length for f in frames if f.time is None)
    for length in sorted(length for length in {*stretches, *untimed} if length is not None):
        yield Registered(float(length), tuple(stretches[length]), untimed[length])
