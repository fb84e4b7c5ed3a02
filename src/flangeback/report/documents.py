"""The JSON documents of the commands, as plain data.

Lengths are in mm, angles in degrees, lengths of time in seconds; what isn't known is null.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from flangeback.report.survey import clock_remarks
from flangeback.words import utc_offset

if TYPE_CHECKING:
    from pathlib import Path

    from flangeback.copies.model import Filled, FrameCopy, Verified
    from flangeback.errors import InputError
    from flangeback.kit.card import Card, CardLine
    from flangeback.kit.fit import Fit, Infinity, Spacing, View, Way
    from flangeback.kit.lensdb import Entry, LookUp
    from flangeback.kit.model import Kit
    from flangeback.kit.mounts import Mount
    from flangeback.kit.remarks import Remark
    from flangeback.match.explaining import Explanation
    from flangeback.match.model import FrameMatch, Matches
    from flangeback.match.sensors import BodySensor, SizeFinding
    from flangeback.survey.model import BodyName, BodySurvey, Survey
    from flangeback.tally.model import Count, Key, Tally

Document = dict[str, Any]


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
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [_plain(each) for each in value]
    return value


def _fields(found: object, *names: str) -> Document:
    """Some attributes of an object under their own names; null where there is no object."""
    return {name: None if found is None else _plain(getattr(found, name)) for name in names}


def _rounded(value: object, digits: int = 4) -> Any:
    return round(value, digits) if isinstance(value, float) and math.isfinite(value) else value


# Frames and copies -----------------------------------------------------------------------------


def match_document(matches: Matches) -> Document:
    """`flangeback/match-1`."""
    return {
        "schema": "flangeback/match-1",
        "frames": [frame_document(found) for found in matches.frames],
        **_sums(matches),
    }


def fill_document(filled: Filled) -> Document:
    """`flangeback/fill-1`: the same, with each frame's copy and whether it is verified."""
    return {
        "schema": "flangeback/fill-1",
        "frames": [frame_document(copy.match) | _copy(copy) for copy in filled.copies],
        **_sums(filled.matches),
    }


def _copy(copy: FrameCopy) -> Document:
    failure = _fields(copy, "failure") if copy.failure else {}
    return _fields(copy, "copy", "copies", "verified") | failure


def _sums(matches: Matches) -> Document:
    """How many frames came to what, and by body what its pictures of each size go by."""
    return {
        "totals": dict(matches.totals),
        "sensors": {
            body: [_sensor(finding, sensor) for finding in sensor.sizes.values()]
            for body, sensor in matches.sensors.items()
        },
    }


def _sensor(finding: SizeFinding, sensor: BodySensor) -> Document:
    known = finding.evidence
    return {
        **_fields(finding, "pixels"),
        "crop_factor": None if known is None else round(known.crop_factor, 3),
        "source": None if known is None else known.source.name.lower(),
        "frames": 0 if known is None else known.frames,
        "part": round(finding.part, 3),
        **_fields(finding, "against"),
        **_fields(sensor, "refused"),
    }


def frame_document(found: FrameMatch) -> Document:
    """One frame of `match-1`."""
    fill = found.fill if found.outcome.is_filled else None
    frame = found.frame
    return {
        "file": frame.file,
        "files": [file.file for file in frame.files],
        "body": found.body,
        "camera_time": _plain(frame.time and frame.time.at),
        **_fields(found, "time", "outcome"),
        "lens": fill and fill.lens.key,
        "adapter": fill and fill.adapter and fill.adapter.key,
        **_fields(fill, "f_number", "focal_length", "focal_length_35mm"),
        **_fields(found, "log", "log_line"),
        "doubts": [_fields(doubt, "kind", "text") for doubt in found.doubts],
        "reason": found.reason,
    }


def explain_document(found: Explanation) -> Document:
    """`flangeback/explain-1`: the frame as in `match-1`, and how it came to that."""
    clock, data = found.clock, found.match.frame.lens_data
    return {
        "schema": "flangeback/explain-1",
        "frame": frame_document(found.match),
        "clock_ahead": _plain(clock and clock.ahead),
        "clock_error": _plain(clock and clock.error),
        "clock_residual": _plain(clock and clock.residual),
        "clock_lines": [line.line for line in clock.lines] if clock else [],
        "entry": found.entry and found.entry.text,
        "by_name": found.by_name,
        "around": [_fields(line, "line", "text") for line in found.around],
        "before": {
            **_fields(data, "lens", "f_number", "focal_length"),
            "registered": data.registered_focal_length is not None,
        },
    }


def verify_document(verified: Verified) -> Document:
    """`flangeback/verify-1`."""
    counts = Counter("failed" if copy.failure else "verified" for copy in verified.copies)
    return {
        "schema": "flangeback/verify-1",
        "copies": [
            {
                "copy": copy.copy,
                "verified": copy.failure is None,
                "reason": copy.failure,
                "source_at_hand": copy.source_at_hand,
            }
            for copy in verified.copies
        ],
        "strangers": list(verified.strangers),
        "totals": dict(counts),
    }


def error_document(error: InputError) -> Document:
    """`flangeback/error-1`: what kept a command from its work."""
    return {
        "schema": "flangeback/error-1",
        "problems": [
            {
                "file": problem.file or None,
                **_fields(problem, "line", "column", "text", "expected", "suggestion"),
            }
            for problem in error.problems
        ],
    }


# The kit ---------------------------------------------------------------------------------------

_LENS = ("maker", "name", "mount", "focal", "widest", "narrowest", "aperture_ring", "serial")
_ADAPTER = ("lens_mount", "body_mount", "kind", "factor", "thickness")


def check_document(kit: Kit, remarks: Sequence[Remark], names: Sequence[LookUp] | None) -> Document:
    """`flangeback/kit-1`: a kit without faults as it was understood, and remarks on it.

    `names` are its lenses in the lens-correction database, None where that isn't installed.
    """
    known = names and {
        each.lens.key: {
            "known": each.entry is not None,
            "nearest": [_entry(entry) for entry in each.nearest],
        }
        for each in names
    }
    return {
        "schema": "flangeback/kit-1",
        "bodies": {
            body.key: _fields(body, "model", "serial", "mount", "sensor")
            | {"crop_factor": _rounded(body.crop_factor, 3)}
            for body in kit.bodies.values()
        },
        "lenses": {lens.key: _fields(lens, *_LENS, "image_circle") for lens in kit.lenses.values()},
        "adapters": {adapter.key: _fields(adapter, *_ADAPTER) for adapter in kit.adapters.values()},
        "remarks": [_fields(remark, "table", "text") for remark in remarks],
        "lens_database": known,
    }


def entries_document(found: Sequence[Entry]) -> Document:
    """`flangeback/kit-entries-1`: entries of the lens-correction database, as --pick counts."""
    return {"schema": "flangeback/kit-entries-1", "entries": [_entry(each) for each in found]}


def _entry(entry: Entry) -> Document:
    return _fields(entry, "maker", "name", "focal", "widest", "mounts")


def added_document(path: Path, entry: str) -> Document:
    """`flangeback/kit-added-1`: the text that was appended to the kit file."""
    return {"schema": "flangeback/kit-added-1", "file": str(path), "text": entry}


def spacing_document(lens_mount: Mount, body_mount: Mount, found: Spacing) -> Document:
    """`flangeback/kit-spacing-1`: the room between two bare mounts."""
    mounts = {"lens_mount": lens_mount, "body_mount": body_mount}.items()
    return {
        "schema": "flangeback/kit-spacing-1",
        **{name: _fields(mount, "designations", "register", "source") for name, mount in mounts},
        **_spacing(found),
    }


def _spacing(found: Spacing) -> Document:
    needed = [_rounded(end) for end in found.thickness]
    return {"thickness_needed": needed, **_fields(found, "tolerance", "room")}


def fit_document(fits: Sequence[Fit]) -> Document:
    """`flangeback/kit-fit-1`."""
    return {
        "schema": "flangeback/kit-fit-1",
        "fits": [
            {
                "lens": fit.lens.key,
                "body": fit.body.key,
                "lens_mount": fit.lens.mount,
                "body_mount": fit.body.mount,
                **_spacing(fit.spacing),
                "ways": [_way(way) for way in fit.ways],
            }
            for fit in fits
        ],
    }


def _way(way: Way) -> Document:
    return {
        "adapters": [adapter.key for adapter in way.adapters],
        **_fields(way, "factor", "aperture", "lacks"),
        "thickness": _rounded(way.thickness),
        "right_thickness": way.as_thick,
        "image_circle": _rounded(way.image_circle),
        **_fields(way, "covers", "cautions"),
        "views": [_view(view) for view in way.views],
    }


def _view(view: View) -> Document:
    return {
        "marked_focal_length": float(view.marked),
        "focal_length": float(view.focal),
        **_fields(view, "widest", "narrowest"),
        "focal_length_35mm": view.equivalent_35mm,
        "angle_of_view": view.angles and [round(angle, 2) for angle in view.angles],
        "infinity": view.infinity and _infinity(view.infinity),
        "close_up": view.close_up and _optics(asdict(view.close_up)),
    }


def _infinity(found: Infinity) -> Document:
    names = {"circle": "circle_of_confusion"}
    return _optics({names.get(name, name): value for name, value in asdict(found).items()})


def _optics(values: Mapping[str, object]) -> Document:
    return {name: _rounded(_plain(value)) for name, value in values.items()}


def card_document(found: Sequence[Card]) -> Document:
    """`flangeback/kit-card-1`. `key_in` is in mm, at each end of a zoom."""
    return {
        "schema": "flangeback/kit-card-1",
        "cards": [
            {
                "body": card.body.key,
                "model": card.body.model,
                "lines": [_card_line(line) for line in card.lines],
                "left_out": [lens.key for lens in card.left_out],
                **_fields(card, "cautions"),
            }
            for card in found
        ],
    }


def _card_line(line: CardLine) -> Document:
    return {
        "lens": line.lens.key,
        "name": line.lens.name,
        **_fields(line, "key_in"),
        "adapters": [adapter.key for adapter in line.way.adapters],
        "aperture": line.way.aperture,
        "widest": [float(view.widest) for view in line.way.views],
        "narrowest": [float(view.narrowest) for view in line.way.views],
        "focal_length_35mm": list(line.equivalents),
        **_fields(line, "notes"),
    }


# Surveys and tallies ---------------------------------------------------------------------------

_STRETCH = ("first", "last", "frames", "start", "end")


def survey_document(survey: Survey) -> Document:
    """`flangeback/survey-1`."""
    return {
        "schema": "flangeback/survey-1",
        **_fields(survey, "frames", "lacking"),
        "bodies": [_body(body) for body in survey.bodies],
        "unreadable": [{"file": file, "reason": reason} for file, reason in survey.damaged],
        "burst_gaps": [
            {
                "ahead": _name(gap.ahead),
                "other": _name(gap.other),
                "seconds": _plain(gap.by),
                "bursts": gap.bursts,
            }
            for gap in survey.gaps
        ],
        "clocks": list(clock_remarks(survey)),
    }


def _name(name: BodyName) -> Document:
    return _fields(name, "make", "model", "serial")


def _body(body: BodySurvey) -> Document:
    missing = ("lens", "f_number", "focal_length", "any")
    return {
        **_name(body.name),
        "frames": body.frames,
        "without_time": body.untimed,
        **_fields(body, "start", "end"),
        "offsets": list(map(utc_offset, body.offsets)),
        "lacking": {name: getattr(body, f"lacks_{name}") for name in missing},
        "registered": [
            {
                **_fields(found, "focal_length", "frames"),
                "stretches": [_fields(each, *_STRETCH) for each in found.stretches],
            }
            for found in body.registered
        ],
        "native": [_fields(found, "lens", "frames") for found in body.natives],
        "pause": body.pause,
        "clusters": [_fields(each, *_STRETCH) for each in body.clusters],
        "out_of_order": [
            _fields(found, "earlier", "earlier_time", "later", "later_time")
            for found in body.disorders
        ],
        "gps": {
            "frames": body.gps_frames,
            "ahead": _plain(body.gps_ahead),
            "whole": body.gps_whole,
        },
    }


def tally_document(tally: Tally) -> Document:
    """`flangeback/tally-1`."""
    return {
        "schema": "flangeback/tally-1",
        "folders": tally.folders,
        "unreadable": tally.damaged,
        "totals": asdict(tally.total),
        "lenses": _counts(tally.by_lens(), "lens"),
        "f_numbers": _counts(tally.by_lens_and_f_number(), "lens", "f_number"),
        "focal_lengths": _counts(tally.by_focal_length(), "focal_length", "focal_length_35mm"),
        "bodies": _counts(tally.by_body_and_adapter(), "body", "adapter"),
    }


def _counts(counts: Mapping[Key, Count], *names: str) -> list[Document]:
    return [dict(zip(names, key, strict=True)) | asdict(count) for key, count in counts.items()]
