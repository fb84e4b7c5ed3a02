"""The JSON documents of the commands, as plain data."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import Any

from flangeback.copies.model import Filled, FrameCopy, Verified
from flangeback.errors import InputError, Problem
from flangeback.kit.model import Kit
from flangeback.match.model import FrameMatch, Matches
from flangeback.report.sensor_lines import sensor_document

Document = dict[str, Any]


def match_document(matches: Matches) -> Document:
    """`flangeback/match-1`."""
    return {
        "schema": "flangeback/match-1",
        "frames": [frame_document(found) for found in matches.frames],
        "totals": _totals(matches),
        "sensors": sensor_document(matches),
    }


def fill_document(filled: Filled) -> Document:
    """`flangeback/fill-1`: the same, with each frame's copy and whether it is verified."""
    return {
        "schema": "flangeback/fill-1",
        "frames": [frame_document(copy.match) | _copy(copy) for copy in filled.copies],
        "totals": _totals(filled.matches),
        "sensors": sensor_document(filled.matches),
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


def kit_document(kit: Kit) -> Document:
    """`flangeback/kit-1`: a kit without faults, as it was understood."""
    return {
        "schema": "flangeback/kit-1",
        "bodies": {
            body.key: {
                "model": body.model,
                "serial": body.serial,
                "mount": body.mount,
                "sensor": body.sensor,
                "crop_factor": None if body.crop_factor is None else round(body.crop_factor, 3),
            }
            for body in kit.bodies.values()
        },
        "lenses": {
            lens.key: {
                "maker": lens.maker,
                "name": lens.name,
                "mount": lens.mount,
                "focal": [float(end) for end in lens.focal],
                "widest": [float(end) for end in lens.widest],
                "narrowest": float(lens.narrowest),
                "aperture_ring": lens.aperture_ring,
                "serial": lens.serial,
                "image_circle": lens.image_circle,
            }
            for lens in kit.lenses.values()
        },
        "adapters": {
            adapter.key: {
                "lens_mount": adapter.lens_mount,
                "body_mount": adapter.body_mount,
                "kind": adapter.kind,
                "factor": float(adapter.factor),
                "thickness": adapter.thickness,
            }
            for adapter in kit.adapters.values()
        },
    }


def error_document(error: InputError) -> Document:
    """`flangeback/error-1`: what kept a command from its work."""
    return {"schema": "flangeback/error-1", "problems": list(map(_problem, error.problems))}


def _problem(problem: Problem) -> Document:
    return {
        "file": problem.file or None,
        "line": problem.line,
        "column": problem.column,
        "text": problem.text,
        "expected": problem.expected,
        "suggestion": problem.suggestion,
    }


def frame_document(found: FrameMatch) -> Document:
    """One frame of `match-1`."""
    fill = found.fill if found.outcome.is_filled else None
    time = found.frame.time
    return {
        "file": found.frame.file,
        "files": [file.file for file in found.frame.files],
        "body": found.body,
        "camera_time": time.at.isoformat() if time else None,
        "time": found.time.isoformat() if found.time else None,
        "outcome": found.outcome,
        "lens": fill.lens.key if fill else None,
        "adapter": fill.adapter.key if fill and fill.adapter else None,
        "f_number": _number(fill.f_number) if fill else None,
        "focal_length": _number(fill.focal_length) if fill else None,
        "focal_length_35mm": fill.focal_length_35mm if fill else None,
        "log": found.log,
        "log_line": found.log_line,
        "doubts": [{"kind": doubt.kind, "text": doubt.text} for doubt in found.doubts],
        "reason": found.reason,
    }


def _copy(copy: FrameCopy) -> Document:
    return {
        "copy": copy.copy,
        "copies": list(copy.copies),
        "verified": copy.verified,
    } | ({"failure": copy.failure} if copy.failure else {})


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _totals(matches: Matches) -> dict[str, int]:
    return {str(outcome): count for outcome, count in matches.totals.items()}
