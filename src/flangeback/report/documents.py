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
from functools import reduce
from typing import TYPE_CHECKING, Any

from flangeback.match.clock_fit import ClockFit, clock_words
from flangeback.report.survey import clock_remarks
from flangeback.words import utc_offset

if TYPE_CHECKING:
    from pathlib import Path

    from flangeback.copies.model import Filled, FrameCopy, FramePreview, Verified
    from flangeback.copies.others import OtherFiles
    from flangeback.errors import InputError
    from flangeback.kit.card import Card
    from flangeback.kit.fit import Fit, Spacing, View, Way
    from flangeback.kit.lensdb import Entry, LookUp
    from flangeback.kit.model import Kit
    from flangeback.kit.mounts import Mount
    from flangeback.kit.remarks import Remark
    from flangeback.match.explaining import Explanation
    from flangeback.match.model import FrameMatch, Matches
    from flangeback.match.sensors import BodySensor, SizeFinding
    from flangeback.survey.model import BodySurvey, Survey
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
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [_plain(each) for each in value]
    return value


def _fields(found: object, *names: str, **paths: str) -> Document:
    """Attributes of an object under their own names, or under the names given to their paths.

    A path goes through attributes ("frame.time.at"), and through each of several things
    ("adapters.key"); where there is nothing on the way, the value is null.
    """
    wanted = {name: name for name in names} | paths
    return {
        name: _plain(reduce(_attribute, path.split("."), found)) for name, path in wanted.items()
    }


def _attribute(found: object, name: str) -> object:
    if isinstance(found, tuple):
        return [_attribute(each, name) for each in found]
    return None if found is None else getattr(found, name)


def _rounded(value: Any, digits: int = 4) -> Any:
    """A float in so many digits, also each of several; infinity is null."""
    if isinstance(value, tuple):
        return [_rounded(each, digits) for each in value]
    if isinstance(value, dict):
        return {name: _rounded(each, digits) for name, each in value.items()}
    return round(value, digits) if isinstance(_plain(value), float) else _plain(value)


# Frames and copies -----------------------------------------------------------------------------


def match_document(
    matches: Matches,
    others: OtherFiles | None = None,
    planned: Sequence[FramePreview] | None = None,
) -> Document:
    """`flangeback/match-1`; `planned` is what `fill` would do about the frames' copies."""
    frames = [frame_document(found) for found in matches.frames]
    for frame, plan in zip(frames, planned or (), strict=False):
        frame["into"] = _fields(plan, "action", "reason", "gains", "changes", "losses")
    kinds = {} if others is None else {"others": dict(others.kinds)}
    return {"schema": "flangeback/match-1", "frames": frames, **_sums(matches), **kinds}


def fill_document(filled: Filled) -> Document:
    """`flangeback/fill-1`: the same, with each frame's copy and whether it is verified."""
    frames = [frame_document(copy.match) | _copy(copy) for copy in filled.copies]
    others = {"others": dict(filled.others.kinds), "others_copied": filled.others.copied}
    return {"schema": "flangeback/fill-1", "frames": frames, **_sums(filled.matches), **others}


def _copy(copy: FrameCopy) -> Document:
    failure = _fields(copy, "failure") if copy.failure else {}
    return _fields(copy, "copy", "copies", "verified", "resumed", "action") | failure


def _sums(matches: Matches) -> Document:
    """How many frames came to what, and by body what its pictures of each size go by."""
    sensors = {
        body: [_sensor(finding, sensor) for finding in sensor.sizes.values()]
        for body, sensor in matches.sensors.items()
    }
    return {
        "clocks": [_clock(fit) for fit in matches.clocks],
        "idle_lines": [line for _, line in matches.idle_lines],
        "totals": dict(matches.totals),
        "sensors": sensors,
    }


def _clock(fit: ClockFit) -> Document:
    return {
        **_fields(fit, "body", source="stated.source"),
        "stated_s": round(fit.stated.ahead, 1) if fit.stated.source else None,
        "fits_s": None if fit.fits is None else round(fit.fits, 1),
        "odds": None if fit.odds is None else round(fit.odds, 1),
        **_fields(fit, "agrees", slack_s="late"),
        "text": clock_words(fit),
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
    return {
        **_fields(found, file="frame.file", files="frame.files.file", body="body"),
        **_fields(found, camera_time="frame.time.at", time="time", outcome="outcome"),
        **_fields(fill, lens="lens.key", adapter="adapter.key", f_number="f_number"),
        **_fields(fill, "focal_length", "focal_length_35mm"),
        **_fields(found, "log", "log_line", "by", "reason"),
        "estimate": found.estimate and _rounded(asdict(found.estimate), 1),
        "doubts": [_fields(doubt, "kind", "text") for doubt in found.doubts],
    }


def explain_document(found: Explanation) -> Document:
    """`flangeback/explain-1`: the frame as in `match-1`, and how it came to that."""
    clock, data = found.clock, found.match.frame.lens_data
    registered = data.registered_focal_length is not None
    return {
        "schema": "flangeback/explain-1",
        "frame": frame_document(found.match),
        **_fields(clock, clock_ahead="ahead", clock_error="error", clock_residual="residual"),
        "clock_lines": [line.line for line in clock.lines] if clock else [],
        **_fields(found, "by_name", entry="entry.text"),
        "around": [_fields(line, "line", "text") for line in found.around],
        "before": _fields(data, "lens", "f_number", "focal_length") | {"registered": registered},
    }


def verify_document(verified: Verified) -> Document:
    """`flangeback/verify-1`."""
    return {
        "schema": "flangeback/verify-1",
        "copies": [
            _fields(copy, "copy", "source", "source_at_hand", reason="failure")
            | {"verified": copy.failure is None}
            for copy in verified.copies
        ],
        **_fields(verified, "strangers", "missing", "faults", "folders"),
        "totals": Counter("failed" if copy.failure else "verified" for copy in verified.copies),
    }


def error_document(error: InputError) -> Document:
    """`flangeback/error-1`: what kept a command from its work."""
    fields = ("line", "column", "text", "expected", "suggestion")
    problems = [{"file": one.file or None, **_fields(one, *fields)} for one in error.problems]
    return {"schema": "flangeback/error-1", "problems": problems}


def meaning_document(word: str, kind: str, meaning: str) -> Document:
    """`flangeback/meaning-1`: what a word means."""
    return {"schema": "flangeback/meaning-1", "word": word, "kind": kind, "meaning": meaning}


def outings_document(found: Sequence[tuple[str, Document]]) -> Document:
    """`flangeback/outings-1`: the documents of several outings, each with its folder."""
    outings = [{"folder": name} | document for name, document in found]
    return {"schema": "flangeback/outings-1", "outings": outings}


# The kit ---------------------------------------------------------------------------------------

_BODY = ("model", "serial", "mount", "sensor")
_LENS = (
    *("maker", "name", "mount", "focal", "widest", "narrowest", "aperture_ring", "serial"),
    *("image_circle", "known_as"),
)
_ADAPTER = ("lens_mount", "body_mount", "kind", "factor", "thickness", "understood")


def check_document(kit: Kit, remarks: Sequence[Remark], names: Sequence[LookUp] | None) -> Document:
    """`flangeback/kit-1`: a kit without faults as it was understood, and remarks on it.

    `names` are its lenses in the lens-correction database, None where that isn't installed.
    """
    bodies, lenses, adapters = kit.bodies.values(), kit.lenses.values(), kit.adapters.values()
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
            body.key: _fields(body, *_BODY) | {"crop_factor": _rounded(body.crop_factor, 3)}
            for body in bodies
        },
        "lenses": {lens.key: _fields(lens, *_LENS) for lens in lenses},
        "adapters": {adapter.key: _fields(adapter, *_ADAPTER) for adapter in adapters},
        "remarks": [_fields(remark, "table", "text") for remark in remarks],
        "lens_database": known,
    }


def mounts_document(mounts: Iterable[Mount]) -> Document:
    """`flangeback/kit-mounts-1`: registers in mm."""
    names = ("designations", "register", "lock", "years", "lenses", "note", "source")
    return {
        "schema": "flangeback/kit-mounts-1",
        "mounts": [_fields(mount, *names) for mount in mounts],
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
    fields = ("designations", "register", "source")
    return {
        "schema": "flangeback/kit-spacing-1",
        "lens_mount": _fields(lens_mount, *fields),
        "body_mount": _fields(body_mount, *fields),
        **_spacing(found),
    }


def _spacing(found: Spacing) -> Document:
    return {
        "thickness_needed": _rounded(found.thickness),
        **_fields(found, "tolerance", "room"),
    }


def fit_document(fits: Sequence[Fit]) -> Document:
    """`flangeback/kit-fit-1`."""
    found = [
        _fields(fit, lens="lens.key", body="body.key")
        | _fields(fit, lens_mount="lens.mount", body_mount="body.mount")
        | _spacing(fit.spacing)
        | {"ways": [_way(way) for way in fit.ways]}
        for fit in fits
    ]
    return {"schema": "flangeback/kit-fit-1", "fits": found}


def _way(way: Way) -> Document:
    return {
        **_fields(way, adapters="adapters.key", factor="factor"),
        **_fields(way, "aperture", "lacks"),
        **_fields(way, "covers", "cautions", right_thickness="as_thick"),
        "thickness": _rounded(way.thickness),
        "image_circle": _rounded(way.image_circle),
        "views": [_view(view) for view in way.views],
    }


def _view(view: View) -> Document:
    infinity = view.infinity and asdict(view.infinity)
    if infinity:
        infinity["circle_of_confusion"] = infinity.pop("circle")
    return {
        **_fields(view, "widest", "narrowest", focal_length_35mm="equivalent_35mm"),
        **_fields(view, marked_focal_length="marked", focal_length="focal"),
        "angle_of_view": _rounded(view.angles, 2),
        "infinity": _rounded(infinity),
        "close_up": _rounded(view.close_up and asdict(view.close_up)),
    }


def card_document(found: Sequence[Card]) -> Document:
    """`flangeback/kit-card-1`. `key_in` is in mm, at each end of a zoom."""
    cards = [
        {
            **_fields(card, body="body.key", model="body.model"),
            **_fields(card, left_out="left_out.key", cautions="cautions"),
            "lines": [
                _fields(line, lens="lens.key", name="lens.name", key_in="key_in", notes="notes")
                | _fields(line.way, "aperture", adapters="adapters.key")
                | _fields(line.way, widest="views.widest", narrowest="views.narrowest")
                | _fields(line, focal_length_35mm="equivalents")
                for line in card.lines
            ],
        }
        for card in found
    ]
    return {"schema": "flangeback/kit-card-1", "cards": cards}


# Surveys and tallies ---------------------------------------------------------------------------

_NAME = ("make", "model", "serial")
_STRETCH = ("first", "last", "frames", "start", "end")


def survey_document(survey: Survey) -> Document:
    """`flangeback/survey-1`."""
    return {
        "schema": "flangeback/survey-1",
        **_fields(survey, "frames", "lacking"),
        "bodies": [_body(body) for body in survey.bodies],
        "unreadable": [{"file": file, "reason": reason} for file, reason in survey.damaged],
        "burst_gaps": [
            _fields(gap, "bursts", seconds="by")
            | {"ahead": _fields(gap.ahead, *_NAME), "other": _fields(gap.other, *_NAME)}
            for gap in survey.gaps
        ],
        "clocks": list(clock_remarks(survey)),
        "others": dict(survey.others.kinds),
    }


def _body(body: BodySurvey) -> Document:
    return {
        **_fields(body.name, *_NAME),
        **_fields(body, "frames", "start", "end", "pause", without_time="untimed"),
        "offsets": list(map(utc_offset, body.offsets)),
        "lacking": {
            **_fields(body, lens="lacks_lens", f_number="lacks_f_number"),
            **_fields(body, focal_length="lacks_focal_length", any="lacks_any"),
        },
        "registered": [
            _fields(found, "focal_length", "frames")
            | {"stretches": [_fields(each, *_STRETCH) for each in found.stretches]}
            for found in body.registered
        ],
        "native": [_fields(found, "lens", "frames") for found in body.natives],
        "clusters": [_fields(each, *_STRETCH) for each in body.clusters],
        "out_of_order": [
            _fields(found, "earlier", "earlier_time", "later", "later_time")
            for found in body.disorders
        ],
        "gps": _fields(body, frames="gps_frames", ahead="gps_ahead", whole="gps_whole"),
    }


def tally_document(tally: Tally) -> Document:
    """`flangeback/tally-1`."""
    return {
        "schema": "flangeback/tally-1",
        **_fields(tally, "folders", unreadable="damaged"),
        "totals": asdict(tally.total),
        "lenses": _counts(tally.by_lens(), "lens"),
        "f_numbers": _counts(tally.by_lens_and_f_number(), "lens", "f_number"),
        "focal_lengths": _counts(tally.by_focal_length(), "focal_length", "focal_length_35mm"),
        "bodies": _counts(tally.by_body_and_adapter(), "body", "adapter"),
    }


def _counts(counts: Mapping[Key, Count], *names: str) -> list[Document]:
    return [dict(zip(names, key, strict=True)) | asdict(count) for key, count in counts.items()]
