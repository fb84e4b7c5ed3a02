"""Counts what a folder of frames lacks, body by body."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.survey.clocks import Timed, burst_gaps, disorders, gps_ahead
from flangeback.survey.clusters import clusters, in_time, pause_of, stretch
from flangeback.survey.model import BodyName, BodySurvey, Native, Registered, Sight, Survey
from flangeback.survey.sighting import sights


def survey_folder(folder: Path, progress: Callable[[int], None] | None = None) -> Survey:
    """What lens data the frames of a folder lack; neither log nor kit is asked for.

    `progress` is called with the count of frames so far. Raises InputError when there is no such
    folder, when it can't be read, or has no frames.
    """
    found = survey_sights(sights(folder, progress))
    if not found.frames:
        expected = "JPEG, raw, TIFF or HEIF files, at any depth"
        raise InputError(Problem(str(folder), "there are no frames in it", expected=expected))
    return found


def survey_sights(frames: Iterable[Sight]) -> Survey:
    """The survey of frames that were seen already."""
    by_body: dict[BodyName, list[Sight]] = defaultdict(list)
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


def _body(name: BodyName, frames: Sequence[Sight], timed: Timed) -> BodySurvey:
    pause = pause_of(timed)
    natives = Counter(frame.lens for frame in frames if frame.is_native)
    gps_frames, ahead, whole = gps_ahead(frames)
    return BodySurvey(
        name,
        len(frames),
        len(frames) - len(timed),
        timed[0][0] if timed else None,
        timed[-1][0] if timed else None,
        tuple(sorted({frame.offset for frame in frames if frame.offset is not None})),
        sum(not frame.names_lens for frame in frames),
        sum(frame.f_number is None for frame in frames),
        sum(frame.focal_length is None for frame in frames),
        sum(frame.lacks_lens_data for frame in frames),
        tuple(_registered(frames, timed)),
        tuple(Native(lens, count) for lens, count in natives.most_common()),
        pause,
        tuple(stretch(cluster) for cluster in clusters(timed, pause)),
        tuple(disorders(timed)),
        gps_frames,
        ahead,
        whole,
    )


def _registered(frames: Sequence[Sight], timed: Timed) -> Iterator[Registered]:
    """Each focal length registered for the stabiliser, the shortest first."""
    stretches = defaultdict(list)
    for length, run in groupby(timed, key=lambda one: one[1].registered_focal_length):
        if length is not None:
            stretches[length].append(stretch(list(run)))
    untimed = Counter(frame.registered_focal_length for frame in frames if frame.time is None)
    untimed.pop(None, None)
    for length in sorted(length for length in {*stretches, *untimed} if length is not None):
        yield Registered(length, tuple(stretches[length]), untimed[length])
