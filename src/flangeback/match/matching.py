"""Frames times logs: what each frame comes to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from flangeback.clock.model import BodyClock, TrueTime
from flangeback.containers.kinds import FileKind
from flangeback.evidence import PictureReader, read_picture
from flangeback.frames.model import Frame, without_suffix
from flangeback.kit.model import Kit
from flangeback.log.model import SessionLog, Setting
from flangeback.match.bodies import described
from flangeback.match.judging import Verdict, judge, strictest
from flangeback.match.layout import BodyLog, Layout, lay_out
from flangeback.match.model import Doubt, DoubtKind, FrameMatch, Matches, Outcome
from flangeback.match.narrowing import Finding, gather
from flangeback.match.readings import is_ambiguous
from flangeback.match.sensor import with_equivalents


def match_frames(
    frames: Sequence[Frame],
    logs: Sequence[SessionLog],
    kit: Kit,
    *,
    over: bool = False,
    pictures: PictureReader = read_picture,
) -> Matches:
    """What each frame comes to by the logs. `over` fills frames that contradict the log, too.

    `pictures` gives the light of a frame's picture, where an entry leaves something open.

    Raises InputError, with every fault found, where a log names frames that aren't there or
    doesn't fit the bodies that made them.
    """
    layout = lay_out(frames, logs, kit)
    apart = _namesakes(frames)
    findings = gather(frames, layout, kit, pictures)
    matched = (_matched(frame, layout, kit, over, apart, findings) for frame in frames)
    return with_equivalents(Matches(tuple(matched)), kit)


def _namesakes(frames: Sequence[Frame]) -> Mapping[str, str]:
    """Pictures and raw files that share a name and weren't made by one release, each with the
    other."""
    by_stem: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_stem[without_suffix(frame.file).casefold()].append(frame)
    return {
        one.file: other.file
        for found in by_stem.values()
        for one in found
        for other in found
        if one.kind.is_raw != other.kind.is_raw and not (one.damage or other.damage)
    }


def _matched(
    frame: Frame,
    layout: Layout,
    kit: Kit,
    over: bool,
    apart: Mapping[str, str],
    findings: Mapping[str, Finding],
) -> FrameMatch:
    if frame.damage is not None:
        return FrameMatch(frame, Outcome.UNREADABLE, reason=frame.damage)
    body = layout.bodies[frame.file]
    known = layout.by_body.get(body)
    true = _true_time(frame, known, layout)
    finding = findings.get(frame.file, Finding())
    verdict = _verdict(frame, body, known, true, layout, kit, over, finding)
    by_name = frame.file in layout.by_name
    clock_doubts = () if known is None else tuple(_clock_doubts(frame, known, layout))
    doubts = () if by_name else clock_doubts
    return FrameMatch(
        frame,
        verdict.outcome,
        body,
        true.at if true else None,
        verdict.fill,
        verdict.stale,
        (*verdict.doubts, *_told(finding, verdict), *_pair_doubts(frame, apart), *doubts),
        verdict.setting.log if verdict.setting else None,
        verdict.setting.line if verdict.setting else None,
        verdict.reason,
        not clock_doubts and _is_told(frame, known),
    )


def _true_time(frame: Frame, known: BodyLog | None, layout: Layout) -> TrueTime | None:
    if known is not None:
        return known.true_time(frame)
    return None if frame.time is None else BodyClock().true_time(frame.time, layout.zone)


def _is_told(frame: Frame, known: BodyLog | None) -> bool:
    """Whether the log tells the frame's true time, and only one: where clocks change, a reading
    may be either of two."""
    if known is None or frame.time is None:
        return False
    return not is_ambiguous(frame.time, known.zone)


def _verdict(
    frame: Frame,
    body: str | None,
    known: BodyLog | None,
    true: TrueTime | None,
    layout: Layout,
    kit: Kit,
    over: bool,
    finding: Finding,
) -> Verdict:
    if frame.file in layout.slates:
        return Verdict(Outcome.SLATE)
    settings: Sequence[Setting | None]
    span = layout.by_name.get(frame.file)
    told = finding.verdict
    if told is not None and (span is None or told.outcome is Outcome.SLATE):
        return told
    if span is not None:
        body = body or span.body
        settings = (span.setting,)
    elif true is None:
        doubt = Doubt(DoubtKind.NO_TIME, "the frame carries no time, and no entry names it")
        return Verdict(Outcome.UNLOGGED, doubts=(doubt,), reason="it carries no time")
    elif known is None:
        return Verdict(Outcome.UNLOGGED, reason=_why_unlogged(frame, body))
    elif finding.settings is not None:
        settings = finding.settings
    else:
        settings = known.timeline.settings(true.earliest, true.latest)
    gear = kit.bodies[body] if body else None
    return strictest(
        [judge(settings, gear, kit, file.lens_data, over) for file in frame.files if _says(file)]
        or [judge(settings, gear, kit, frame.lens_data, over)]
    )


def _says(file: Frame) -> bool:
    """Whether a file's lens data could be read at all: some raw structures keep theirs apart."""
    return file.kind != FileKind.OTHER_RAW


def _told(finding: Finding, verdict: Verdict) -> Iterator[Doubt]:
    """The doubts that evidence raises, once each kind; on light only where an f-number is told."""
    has = {doubt.kind for doubt in verdict.doubts}
    for doubt in finding.doubts:
        without = verdict.fill is None or verdict.fill.f_number is None
        if doubt.kind not in has and not (doubt.kind == DoubtKind.LIGHT_STEP and without):
            yield doubt


def _why_unlogged(frame: Frame, body: str | None) -> str:
    if body is None:
        return f"no body of the kit made it: {described(frame)}"
    return f"no entry speaks of {body}"


def _pair_doubts(frame: Frame, apart: Mapping[str, str]) -> Iterator[Doubt]:
    """The doubt on a frame whose files say different things, or on one with a namesake."""
    other = apart.get(frame.file)
    if other is not None:
        text = f"{other} has the same name, but another time or body: it isn't the same frame"
        yield Doubt(DoubtKind.PAIR_DIFFERS, text)
    files = [file for file in frame.files if _says(file)]
    said = {(f.lens_data.lens, f.lens_data.f_number, f.lens_data.focal_length) for f in files}
    if len(said) > 1:
        names = " and ".join(file.file.rsplit("/", 1)[-1] for file in files)
        text = f"{names} carry different lens data"
        yield Doubt(DoubtKind.PAIR_DIFFERS, text)


def _clock_doubts(frame: Frame, known: BodyLog, layout: Layout) -> Iterator[Doubt]:
    if known.clock.unsure:
        yield Doubt(DoubtKind.CLOCK_UNSURE, known.clock.unsure)
    offset = frame.time.offset if frame.time else None
    if known.zone is None and offset is not None and offset != layout.common_offset:
        text = "its offset from UTC isn't the other frames', and the log has no zone"
        yield Doubt(DoubtKind.CLOCK_UNSURE, text)
