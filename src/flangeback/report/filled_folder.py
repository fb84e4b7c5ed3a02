"""The page of an outing from its copies alone: the manifest says what each frame came to."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from flangeback.copies.manifest import Manifest
from flangeback.copies.model import CheckedCopy, Verified
from flangeback.copies.plan import CopyMethod, sidecar_names
from flangeback.copies.records import Record
from flangeback.copies.stated import lens_data_of
from flangeback.errors import InputError
from flangeback.formats import BY_CODE
from flangeback.frames import Frame, read_frame, scan
from flangeback.kit import Kit, Lens, read_kit
from flangeback.log import SessionLog, read_log
from flangeback.match import FrameMatch, Matches, Outcome, match_frames
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import Source
from flangeback.report.outing_page import OutingPage
from flangeback.report.proof import remarks, remedies
from flangeback.tags.decide import Fill

_GONE = "the copy is gone"
_AS_LOGGED = (Outcome.FILL, Outcome.PARTIAL, Outcome.AGREE)


def page_of_copies(out: Path, verified: Verified) -> OutingPage:
    """The page of the copies in `out`, with the logs and the kit that are kept beside them.

    Copies that are gone have their place on it, too. Raises InputError where the manifest, a log or
    the kit can't be read.
    """
    with Manifest(out) as manifest:
        records = {record.copy: record for record in manifest.records()}
        run = manifest.runs[-1] if manifest.runs else None
    kit = read_kit(out / run.kit) if run is not None and run.kit is not None else Kit()
    logs = [read_log(out / name, kit) for name in (run.logs if run else ())]
    if run is not None and run.options.get("set_time"):
        # The copies carry the true time: no clock is off.
        logs = [replace(log, clocks=()) for log in logs]
    checked = _by_picture(verified, records)
    frames = scan(out)
    lost = tuple(_lost(frames, records.values(), out))
    culled, frames = {one.file for one in lost} - checked.keys(), (*frames, *lost)
    matches = _matched(frames, logs, kit)
    remedy, of_frames, known = remedies(verified, out), set[str](), list[FrameMatch]()
    for found in sorted(matches.frames, key=lambda one: one.frame.file):
        if found.frame.file not in culled:
            ours = [one for file in found.frame.files for one in checked.get(file.file, ())]
            of_frames.update(one.copy for one in ours)
            told = [one for one in ours if one.copy in remedy]
            known.append(_as_checked(_as_recorded(found, records, logs), told, remedy, out))
    made = (records.get(one.frame.file) for one in known)
    says_before = all(record is not None and record.before is not None for record in made)
    others = [one for one in verified.copies if one.copy in remedy and one.copy not in of_frames]
    besides = (*(f"{one.copy}: {_said(one, remedy)}" for one in others), *remarks(verified))
    matched = replace(matches, frames=tuple(known), clocks=())
    return OutingPage(out.resolve().name, matched, logs, kit, says_before, besides)


def _matched(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> Matches:
    """The copies matched again, as far as the logs still speak of frames that are there."""
    with suppress(InputError):
        if logs:
            return match_frames(frames, logs, kit)
    return Matches(
        tuple(FrameMatch(f, Outcome.UNLOGGED, time=f.time.at if f.time else None) for f in frames)
    )


def _by_picture(verified: Verified, records: Mapping[str, Record]) -> dict[str, list[CheckedCopy]]:
    """What was proved of each picture's copy and of its sidecars, by the picture's name."""
    checked = {copy.copy: copy for copy in verified.copies}
    pictures = [name for name in checked if _is_picture(records[name])]
    return {
        name: [checked.pop(one) for one in (name, *sidecar_names(name)) if one in checked]
        for name in pictures
    }


def _is_picture(record: Record) -> bool:
    return not record.is_sidecar and record.way != CopyMethod.OTHER


def _lost(there: Sequence[Frame], records: Iterable[Record], out: Path) -> Iterator[Frame]:
    """Frames in the place of copies that are gone: what they were made from, if it is at hand."""
    files = {file.file for frame in there for file in frame.files}
    for record in records:
        if record.copy not in files and _is_picture(record):
            folder = Path(record.frames) if record.file == record.copy else out
            try:
                yield read_frame(folder, record.copy)
            except OSError:
                yield Frame(record.copy, out, damage=_GONE, format=BY_CODE[record.kind])


def _as_checked(
    found: FrameMatch, told: Sequence[CheckedCopy], remedy: Mapping[str, str], out: Path
) -> FrameMatch:
    """A copy as its proof came out: one that is gone or broken isn't shown as filled."""
    if not told:
        return found
    own = found.frame.file
    names = {one.copy: f"{one.copy}: " * (one.copy != own) for one in told}
    reason = "; ".join(names[one.copy] + _said(one, remedy) for one in told)
    found = replace(found, reason=reason, is_of_copy=True, frame=replace(found.frame, damage=None))
    failed = [one.copy for one in told if one.failure is not None]
    if not failed:
        return found
    is_there = all(os.path.lexists(out / copy) for copy in failed)
    return replace(found, outcome=Outcome.CONFLICT if is_there else Outcome.UNREADABLE)


def _said(copy: CheckedCopy, remedy: Mapping[str, str]) -> str:
    what = copy.failure or "its picture and the values written still stand"
    if copy.failure is None:
        since = "another program changed it" if copy.is_touched else "its frame changed"
        what = f"{since} since, and {what}"
    return f"{what}; {remedy[copy.copy]}"


def _as_recorded(
    found: FrameMatch, records: Mapping[str, Record], logs: Sequence[SessionLog]
) -> FrameMatch:
    """A copy as the manifest says that its frame came out."""
    record = records.get(found.frame.file)
    if record is None:
        return found
    outcome = Outcome(record.outcome)
    meant = {doubt.kind: doubt.f_number for doubt in found.doubts}
    doubts = [(DoubtKind(one["kind"]), one["text"]) for one in record.doubts]
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
        doubts=tuple(Doubt(kind, text, meant.get(kind)) for kind, text in doubts),
        log=logs[0].file if len(logs) == 1 and record.log_line else found.log,
        log_line=record.log_line,
        by=Source(record.by) if record.by else None,
        reason=record.refusal or (found.reason if found.outcome == outcome else None),
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
