"""The JSON documents of the commands, as plain data.

Lengths are in mm, angles in degrees, lengths of time in seconds; what isn't known is null.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import reduce
from typing import TYPE_CHECKING, Any

from flangeback.match.clock_fit import ClockFit
from flangeback.report.survey import clock_remarks
from flangeback.tally.model import TABLES
from flangeback.words import utc_offset

if TYPE_CHECKING:
    from flangeback.copies.model import Filled, FramePreview, Verified
    from flangeback.copies.others import OtherFiles
    from flangeback.errors import InputError
    from flangeback.match.explaining import Explanation
    from flangeback.match.model import FrameMatch, Matches
    from flangeback.match.sensors import BodySensor, SizeFinding
    from flangeback.survey.model import BodySurvey, Survey
    from flangeback.tally.model import Tally

Document = dict[str, Any]
_NAME = ("make", "model", "serial")
_STRETCH = ("first", "last", "frames", "start", "end")


def _plain(value: object) -> Any:
    """A value as JSON has it."""
    if isinstance(value, float):
        return None if math.isinf(value) else value
    if isinstance(value, Decimal | Fraction):
        return float(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [_plain(each) for each in value]
    return value


def fields(found: object, *names: str, **paths: str) -> Document:
    """Attributes of an object under their own names, or under the names given to their paths.

    A path goes through attributes ("frame.time.at"), and through each of several things
    ("adapters.key"); where there is nothing on the way, the value is null.
    """
    wanted = {name: name for name in names} | paths
    return {name: _plain(reduce(_got, path.split("."), found)) for name, path in wanted.items()}


def _got(found: object, name: str) -> object:
    if isinstance(found, tuple):
        return [_got(each, name) for each in found]
    return None if found is None else getattr(found, name)


def rounded(value: Any, digits: int = 4) -> Any:
    """A float in so many digits, also each of several; infinity is null."""
    if isinstance(value, tuple):
        return [rounded(each, digits) for each in value]
    if isinstance(value, dict):
        return {name: rounded(each, digits) for name, each in value.items()}
    plain = _plain(value)
    return round(plain, digits) if isinstance(plain, float) else plain


def match_document(
    matches: Matches,
    others: OtherFiles | None = None,
    planned: Sequence[FramePreview] | None = None,
) -> Document:
    """`flangeback/match-1`; `planned` is what `fill` would do about the frames' copies."""
    frames = [frame_document(found) for found in matches.frames]
    for frame, plan in zip(frames, planned or (), strict=False):
        frame["into"] = fields(plan, "action", "gains", "changes", "losses", reason="match.reason")
    beside = {} if others is None else _others(others)
    return {"schema": "flangeback/match-1", "frames": frames, **_sums(matches), **beside}


def _others(others: OtherFiles) -> Document:
    """How many other files there are of each kind, and which can't be copied or looked into."""
    return {"others": dict(others.kinds), "others_left": dict(others.left)}


def fill_document(filled: Filled) -> Document:
    """`flangeback/fill-1`: the same, with each frame's copy and whether it is verified."""
    frames = []
    for copy in filled.copies:
        made = fields(copy, "copy", "copies", "verified", "resumed", "action")
        failure = {"failure": copy.failure} if copy.failure else {}
        frames.append(frame_document(copy.match) | made | failure)
    others = _others(filled.others) | {"others_copied": filled.others.copied}
    more = _sums(filled.matches) | others | {"older_exif": filled.older}
    return {"schema": "flangeback/fill-1", "frames": frames, **more}


def _sums(matches: Matches) -> Document:
    """How many frames came to what, and by body what its pictures of each size go by."""
    sensors = {
        body: [_sensor(finding, sensor) for finding in sensor.sizes.values()]
        for body, sensor in matches.sensors.items()
    }
    return {
        "clocks": [_clock(fit) for fit in matches.clocks],
        "idle_lines": [setting.line for setting, _ in matches.idle],
        "totals": dict(matches.totals),
        "sensors": sensors,
    }


def _clock(fit: ClockFit) -> Document:
    fits, odds = fit.told
    return {
        **fields(fit, "body"),
        "stated_s": _tenths(fit.stated.ahead if fit.stated.source else None),
        **fields(fit, source="stated.source"),
        "fits_s": _tenths(fits),
        "odds": _tenths(odds),
        "agrees": fit.is_borne_out,
    }


def _tenths(value: float | None) -> float | None:
    """To a tenth; whole numbers without a decimal point."""
    if value is None:
        return None
    tenths = round(value, 1)
    return int(tenths) if tenths.is_integer() else tenths


def _sensor(finding: SizeFinding, sensor: BodySensor) -> Document:
    known = finding.evidence
    return {
        **fields(finding, "pixels"),
        "crop_factor": None if known is None else round(known.crop_factor, 3),
        "source": None if known is None else known.source.name.lower(),
        "frames": 0 if known is None else known.frames,
        "part": round(finding.part, 3),
        **fields(finding, "against"),
        **fields(sensor, "refused"),
    }


def frame_document(found: FrameMatch) -> Document:
    """One frame of `match-1`."""
    fill = found.fill if found.outcome.is_filled else None
    return {
        **fields(found, file="frame.file", files="frame.files.file", body="body"),
        **fields(found, camera_time="frame.time.at", time="time", outcome="outcome"),
        **fields(fill, lens="lens.key", adapter="adapter.key", f_number="f_number"),
        **fields(fill, "focal_length", "focal_length_35mm"),
        **fields(found, "log", "log_line", "by", "reason", "would_break_seal"),
        "estimate": found.estimate and rounded(asdict(found.estimate), 1),
        "doubts": [fields(doubt, "kind", "text") for doubt in found.doubts],
    }


def explain_document(found: Explanation) -> Document:
    """`flangeback/explain-1`: the frame as in `match-1`, and how it came to that."""
    clock, data = found.clock, found.match.frame.lens_data
    registered = data.registered_focal_length is not None
    return {
        "schema": "flangeback/explain-1",
        "frame": frame_document(found.match),
        **fields(clock, clock_ahead="ahead", clock_error="error", clock_residual="residual"),
        "clock_lines": [line.line for line in clock.lines] if clock else [],
        **fields(found, "by_name", entry="entry.text"),
        "around": [fields(line, "line", "text") for line in found.around],
        "before": fields(data, "lens", "f_number", "focal_length") | {"registered": registered},
    }


def verify_document(verified: Verified) -> Document:
    """`flangeback/verify-1`."""
    return {
        "schema": "flangeback/verify-1",
        "copies": [
            fields(copy, "copy", "source", "source_at_hand", reason="failure", touched="is_touched")
            | {"verified": copy.failure is None}
            for copy in verified.copies
        ],
        **fields(verified, "strangers", "missing", "faults", "folders", "culled"),
        "totals": Counter("failed" if copy.failure else "verified" for copy in verified.copies),
    }


def error_document(error: InputError) -> Document:
    """`flangeback/error-1`: what kept a command from its work."""
    names = ("line", "column", "text", "expected", "suggestion")
    problems = [{"file": one.file or None, **fields(one, *names)} for one in error.problems]
    return {"schema": "flangeback/error-1", "problems": problems}


def meaning_document(word: str, kind: str, meaning: str) -> Document:
    """`flangeback/meaning-1`: what a word means."""
    return {"schema": "flangeback/meaning-1", "word": word, "kind": kind, "meaning": meaning}


def outings_document(found: Sequence[tuple[str, Document]], outside: Sequence[str]) -> Document:
    """`flangeback/outings-1`: several outings' documents, and the files that lie `outside`."""
    outings = [{"folder": name} | document for name, document in found]
    return {"schema": "flangeback/outings-1", "outings": outings, "outside": list(outside)}


def survey_document(survey: Survey) -> Document:
    """`flangeback/survey-1`."""
    return {
        "schema": "flangeback/survey-1",
        **fields(survey, "frames", "lacking"),
        "bodies": [_body(body) for body in survey.bodies],
        "unreadable": [{"file": file, "reason": reason} for file, reason in survey.damaged],
        "burst_gaps": [
            fields(gap, "bursts", seconds="by")
            | {"ahead": fields(gap.ahead, *_NAME), "other": fields(gap.other, *_NAME)}
            for gap in survey.gaps
        ],
        "clocks": list(clock_remarks(survey)),
        **_others(survey.others),
    }


def _body(body: BodySurvey) -> Document:
    return {
        **fields(body.name, *_NAME),
        **fields(body, "frames", "start", "end", "pause", without_time="untimed"),
        "offsets": list(map(utc_offset, body.offsets)),
        "lacking": {re.sub("[- ]", "_", part): n for part, n in body.lacks.items()}
        | {"any": body.lacks_any},
        "registered": [
            fields(found, "focal_length", "frames")
            | {"stretches": [fields(each, *_STRETCH) for each in found.stretches]}
            for found in body.registered
        ],
        "native": [{"lens": lens, "frames": frames} for lens, frames in body.natives.items()],
        "clusters": [fields(each, *_STRETCH) for each in body.clusters],
        "out_of_order": [
            fields(found, "earlier", "earlier_time", "later", "later_time")
            for found in body.disorders
        ],
        "gps": fields(body, frames="gps_frames", ahead="gps_ahead", whole="gps_whole"),
    }


def tally_document(tally: Tally) -> Document:
    """`flangeback/tally-1`."""
    tables = {
        name: [dict(zip(TABLES[name], key, strict=True)) | asdict(n) for key, n in counts.items()]
        for name, counts in tally.tables.items()
        if name != "months"
    }
    sums = fields(tally, "folders", unreadable="damaged") | {"totals": asdict(tally.total)}
    return {"schema": "flangeback/tally-1", **sums, **tables}
