"""Frames times logs: what each frame comes to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from flangeback.clock.checks import is_ambiguous
from flangeback.clock.model import ClockHistory
from flangeback.frames.model import Frame, without_suffix
from flangeback.kit.model import Kit
from flangeback.log.model import SessionLog
from flangeback.match.bodies import described
from flangeback.match.brightness import PictureReader, read_picture
from flangeback.match.changes import BodyTimeline, Change, Rank, values
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.evidence import log_evidence, weigh_evidence
from flangeback.match.index import LogIndex, index_logs
from flangeback.match.model import Matches, Outcome, Source
from flangeback.match.outcomes import Circumstances, Rewriting, Standing, judge
from flangeback.match.sensors import BodySensor, sensors_of
from flangeback.match.slates import BY_PICTURE
from flangeback.match.told import Told, state_of


def match_frames(
    frames: Sequence[Frame],
    logs: Sequence[SessionLog],
    kit: Kit,
    *,
    over: bool | Collection[str] = False,
    by_log_alone: bool = False,
    pictures: PictureReader = read_picture,
    noted: object = None,
) -> Matches:
    """What each frame comes to by the logs.

    `over` fills frames that contradict the log, too: all, or those of these names; with
    `by_log_alone` nothing but the log speaks: no pauses, no light, no look at the clocks.

    `pictures` gives the light of a frame's picture. With `noted`, which an earlier `fill` has of
    the very same files and words (`copies.manifest.noted_in`), none is read.

    Raises InputError, with every fault found, where a log names frames that aren't there or
    doesn't fit the bodies that made them.
    """
    index = index_logs(frames, logs, kit)
    if by_log_alone:
        evidence, told = log_evidence(index, kit), None
    else:
        state = partial(state_of, frames, logs, kit)
        evidence, told = weigh_evidence(index, kit, pictures, state, noted)
    timelines = {body: found.timeline for body, found in evidence.items()}
    told_of = {file: found for body in evidence.values() for file, found in body.standings()}
    sensors = sensors_of(frames, index.bodies, kit)
    standings = [_standing(frame, index, told_of, told) for frame in frames]
    twins = _told_apart(frames, standings, index.by_name) if index.named else {}
    about = _About(index, timelines, kit, sensors, _namesakes(frames), twins)
    found = tuple(
        judge(frame, standing, about.frame(frame), kit, _rewriting(frame, over=over))
        for frame, standing in zip(frames, standings, strict=True)
    )
    met = {(one.log, one.log_line) for one in found}
    met |= {(one.log, one.line) for those in standings for one in those.settings if one}
    idle = {
        (span.setting, "".join(log.lines[span.setting.line - 1 :][:1]).strip()): None
        for log in logs
        for span in log.spans
        if (span.setting.log, span.setting.line) not in met
    }
    clocks = tuple(one.clock for one in evidence.values())
    noted = told.noted if told else None
    return Matches(found, sensors, timelines, clocks, tuple(idle), noted)


def _rewriting(frame: Frame, *, over: bool | Collection[str]) -> Rewriting:
    if isinstance(over, bool):
        return Rewriting.ANY if over else Rewriting.NOTHING
    return Rewriting.OWN if frame.file in over else Rewriting.NOTHING


def _standing(
    frame: Frame, index: LogIndex, told_of: Mapping[str, Standing], told: Told | None
) -> Standing:
    """What may have stood when a frame was made, and what the frames told of it.

    A slate frame stands above all that entries say, which stand above each other by their `Rank`.
    """
    found, named = told_of.get(frame.file), index.named.get(frame.file)
    if frame.damage is not None:
        return Standing(outcome=Outcome.UNREADABLE, reason=frame.damage)
    if frame.file in index.slates:
        return Standing(outcome=Outcome.SLATE)
    if told is not None and frame.file in told.slates:
        return Standing(outcome=Outcome.SLATE, reason=BY_PICTURE)
    if found is not None and found.outcome is Outcome.SLATE:
        return found
    steps = (told.steps[frame.file],) if told and frame.file in told.steps else ()
    if named is not None and (found is None or named.rank > Rank.TIME):
        return Standing((named.setting,), Source.NAME, steps)
    if found is not None:
        found = found if named is None else _above(found, named)
        return replace(found, doubts=(*found.doubts, *steps)) if steps else found
    if frame.time is None:
        doubt = Doubt(DoubtKind.NO_TIME, "the frame carries no time, and no entry names it")
        return Standing(outcome=Outcome.UNLOGGED, doubts=(doubt,), reason="it carries no time")
    body = index.bodies[frame.file]
    who = f"no body of the kit made it: {described(frame)}"
    if frame.model:
        who += f'; its entry there needs model = "{frame.model}"'
    reason = who if body is None else f"no entry speaks of {body}"
    return Standing(outcome=Outcome.UNLOGGED, reason=reason)


def _above(found: Standing, named: Change) -> Standing:
    """The same, with what a lower change says where the entries say nothing."""
    if found.outcome not in (None, Outcome.UNLOGGED):
        return found
    settings, by_rival = (
        tuple(dict.fromkeys(one or named.setting for one in those))
        for those in (found.settings, found.by_rival)
    )
    is_told = any(found.settings)
    by = found.by if is_told else Source.NAME
    # What stood before the first entry, or after a range, is known now.
    found = replace(found, settings=settings, by_rival=by_rival, by=by)
    return replace(found, outcome=None, is_open=False)


@dataclass(frozen=True, slots=True)
class _About:
    """Tells what is known of each frame besides what stood on its body.

    `namesakes` are pictures and raw files that share a name and weren't made by one release, each
    with the other; `twins` are files of one exposure that the log gives other values than the one
    that an entry names.
    """

    index: LogIndex
    timelines: Mapping[str | None, BodyTimeline]
    kit: Kit
    sensors: Mapping[str, BodySensor]
    namesakes: Mapping[str, str]
    twins: Mapping[str, str]

    def frame(self, frame: Frame) -> Circumstances:
        """What is known of this frame."""
        if frame.damage is not None:
            return Circumstances()
        key = self.index.bodies[frame.file]
        timeline = self.timelines.get(key)
        clock = ClockHistory(self.index.zone) if timeline is None else timeline.clock
        true = clock.true_time(frame)
        unsure = () if timeline is None else tuple(self._clock_doubts(frame, clock))
        named = self.index.named.get(frame.file)
        is_by_name = named is not None and named.rank > Rank.TIME
        body = key or (named.body if named else None)
        told = timeline is not None and frame.time and not is_ambiguous(frame.time, clock.zone)
        return Circumstances(
            self.kit.bodies[body] if body else None,
            self.sensors.get(key or ""),
            true.at if true else None,
            bool(told) and not unsure,
            (*self._pair_doubts(frame), *(() if is_by_name else unsure)),
        )

    def _pair_doubts(self, frame: Frame) -> Iterator[Doubt]:
        """The doubt on a frame whose files say different things, or on one with a namesake."""
        other = self.namesakes.get(frame.file)
        if other is not None:
            text = f"{other} has the same name, but another time or body: it isn't the same frame"
            yield Doubt(DoubtKind.PAIR_DIFFERS, text)
        if frame.file in self.twins:
            text = f"by name and time it is a copy of {self.twins[frame.file]}, which the log names"
            yield Doubt(DoubtKind.PAIR_DIFFERS, f"{text}, with other values")
        files = frame.files
        said = {(f.lens_data.lens, f.lens_data.f_number, f.lens_data.focal_length) for f in files}
        if len(said) > 1:
            names = " and ".join(file.file.rsplit("/", 1)[-1] for file in files)
            yield Doubt(DoubtKind.PAIR_DIFFERS, f"{names} carry different lens data")

    def _clock_doubts(self, frame: Frame, clock: ClockHistory) -> Iterator[Doubt]:
        for text in dict.fromkeys((clock.clock.unsure, clock.at(frame).unsure)):
            if text:
                yield Doubt(DoubtKind.CLOCK_UNSURE, text)
        offset = frame.time.offset if frame.time else None
        if clock.zone is None and offset is not None and offset != self.index.common_offset:
            text = "its offset from UTC isn't the other frames', and the log has no zone"
            yield Doubt(DoubtKind.CLOCK_UNSURE, text)


def _namesakes(frames: Sequence[Frame]) -> Mapping[str, str]:
    by_stem: dict[str, list[Frame]] = {
        without_suffix(frame.file).casefold(): [] for frame in frames if frame.format.is_raw
    }
    for frame in frames if by_stem else ():
        by_stem.get(without_suffix(frame.file).casefold(), []).append(frame)
    return {
        one.file: other.file
        for found in by_stem.values()
        for one in found
        for other in found
        if one.format.is_raw != other.format.is_raw and not (one.damage or other.damage)
    }


def _told_apart(
    frames: Sequence[Frame], standings: Sequence[Standing], by_name: Collection[str]
) -> Mapping[str, str]:
    """Files that the log gives other values than another of the same exposure, named by it.

    Programs name a copy after its frame: K7_0002-2, K7_0002_edit (common practice).
    """
    alike: dict[object, list[tuple[Frame, Standing]]] = defaultdict(list)
    for frame, standing in zip(frames, standings, strict=True):
        if frame.time is not None and standing.outcome is None:
            key = frame.model, frame.serial, frame.time, frame.exposure
            alike[key].append((frame, standing))
    return {
        one.file: named.file
        for found in alike.values()
        for one, standing in found
        for named, other in found
        if named.file in by_name
        and _is_named_after(*sorted((one.stem, named.stem), key=len))
        and {values(said) for said in standing.settings if said}
        != {values(said) for said in other.settings if said}
    }


def _is_named_after(stem: str, longer: str) -> bool:
    return longer.startswith(stem) and not longer[len(stem) :][:1].isdigit()
