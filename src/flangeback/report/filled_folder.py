"""The page of an outing from its copies alone: the manifest says what each frame came to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from flangeback.copies.manifest import Manifest
from flangeback.copies.records import Record, RunStart
from flangeback.copies.stated import lens_data_of
from flangeback.frames import Frame, scan
from flangeback.kit import Kit, Lens, read_kit
from flangeback.log import SessionLog, read_log
from flangeback.match import FrameMatch, Matches, Outcome, match_frames
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import Source
from flangeback.report.outing_page import OutingPage
from flangeback.tags.decide import Fill

_AS_LOGGED = (Outcome.FILL, Outcome.PARTIAL, Outcome.AGREE)


def page_of_copies(out: Path) -> OutingPage:
    """The page of the copies in `out`, with the logs and the kit that are kept beside them.

    Raises InputError where the manifest, a log or the kit can't be read.
    """
    with Manifest(out) as manifest:
        records = {record.copy: record for record in manifest.records()}
        run = manifest.runs[-1] if manifest.runs else None
    kit = read_kit(out / run.kit) if run is not None and run.kit is not None else Kit()
    logs = _logs(out, run, kit)
    frames = scan(out)
    unmatched = (
        FrameMatch(frame, Outcome.UNLOGGED, time=frame.time.at if frame.time else None)
        for frame in frames
    )
    matches = match_frames(frames, logs, kit) if logs else Matches(tuple(unmatched))
    known = tuple(_as_recorded(found, records, logs) for found in matches.frames)
    found = replace(matches, frames=known, clocks=())
    made = (records.get(one.file) for one in frames)
    says_before = all(record is not None and record.before is not None for record in made)
    return OutingPage(out.resolve().name, found, logs, kit, says_before)


def _logs(out: Path, run: RunStart | None, kit: Kit) -> Sequence[SessionLog]:
    """The logs of the last run. Where the copies carry the true time, no clock is off."""
    logs = [read_log(out / name, kit) for name in (run.logs if run else ())]
    is_true = run is not None and bool(run.options.get("set_time"))
    return [replace(log, clocks=()) for log in logs] if is_true else logs


def _as_recorded(
    found: FrameMatch, records: Mapping[str, Record], logs: Sequence[SessionLog]
) -> FrameMatch:
    """A copy as the manifest says that its frame came out."""
    record = records.get(found.frame.file)
    if record is None:
        return found
    outcome = Outcome(record.outcome)
    fill = found.fill or _stated(found.frame) if outcome in _AS_LOGGED else None
    frame = found.frame
    if record.before is not None:
        frame = replace(frame, lens_data=lens_data_of(record.before))
    return replace(
        found,
        frame=frame,
        outcome=outcome,
        body=record.body or found.body,
        fill=fill,
        doubts=tuple(Doubt(DoubtKind(one["kind"]), one["text"]) for one in record.doubts),
        log=logs[0].file if len(logs) == 1 and record.log_line else found.log,
        log_line=record.log_line,
        by=Source(record.by) if record.by else None,
        reason=record.refusal,
    )


def _stated(frame: Frame) -> Fill | None:
    """The values that a copy states, where the kit they are from isn't at hand."""
    data = frame.lens_data
    if data.lens is None:
        return None
    number, length = (
        None if value is None else Decimal(value.numerator) / value.denominator
        for value in (data.f_number, data.focal_length)
    )
    zero = Decimal(0)
    lens = Lens(data.lens, data.lens, "", (length or zero, length or zero), (zero, zero))
    return Fill(lens, None, number, length, data.focal_length_35mm)
