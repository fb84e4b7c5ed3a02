"""The JSON documents of the `kit` commands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from flangeback.kit.card import Card
from flangeback.kit.fit import CloseUp, Fit, Infinity, Spacing, View, Way
from flangeback.kit.lensdb import Entry, LookUp
from flangeback.kit.mounts import Mount
from flangeback.kit.remarks import Remark

Document = dict[str, Any]


def fit_document(fits: Sequence[Fit]) -> Document:
    """`flangeback/kit-fit-1`. Lengths in mm, angles in degrees; null for infinite or unknown."""
    return {"schema": "flangeback/kit-fit-1", "fits": [_fit(fit) for fit in fits]}


def spacing_document(lens_mount: Mount, body_mount: Mount, found: Spacing) -> Document:
    """`flangeback/kit-spacing-1`: the room between two bare mounts."""
    return {
        "schema": "flangeback/kit-spacing-1",
        "lens_mount": _mount(lens_mount),
        "body_mount": _mount(body_mount),
    } | _spacing(found)


def _mount(mount: Mount) -> Document:
    return {
        "designations": list(mount.designations),
        "register": list(mount.register),
        "source": mount.source,
    }


def _spacing(found: Spacing) -> Document:
    return {
        "thickness_needed": [_rounded(end) for end in found.thickness],
        "tolerance": found.tolerance,
        "room": found.room,
    }


def _fit(fit: Fit) -> Document:
    return {
        "lens": fit.lens.key,
        "body": fit.body.key,
        "lens_mount": fit.lens.mount,
        "body_mount": fit.body.mount,
        **_spacing(fit.spacing),
        "ways": [_way(way) for way in fit.ways],
    }


def _way(way: Way) -> Document:
    return {
        "adapters": [adapter.key for adapter in way.adapters],
        "factor": float(way.factor),
        "aperture": way.aperture,
        "lacks": None if way.lacks is None else list(way.lacks),
        "thickness": _known(way.thickness),
        "right_thickness": way.as_thick,
        "image_circle": _known(way.image_circle),
        "covers": way.covers,
        "cautions": list(way.cautions),
        "views": [_view(view) for view in way.views],
    }


def _view(view: View) -> Document:
    return {
        "marked_focal_length": float(view.marked),
        "focal_length": float(view.focal),
        "widest": float(view.widest),
        "narrowest": float(view.narrowest),
        "focal_length_35mm": view.equivalent_35mm,
        "angle_of_view": None if view.angles is None else [round(a, 2) for a in view.angles],
        "infinity": None if view.infinity is None else _infinity(view.infinity),
        "close_up": None if view.close_up is None else _close_up(view.close_up),
    }


def _infinity(found: Infinity) -> Document:
    return {
        "error": _rounded(found.error),
        "distance": _known(found.distance),
        "blur": _rounded(found.blur),
        "circle_of_confusion": _rounded(found.circle),
        "shows": found.shows,
        "far_limit": _known(found.far_limit),
        "sharp_from": None if found.sharp_from is None else float(found.sharp_from),
    }


def _close_up(found: CloseUp) -> Document:
    return {name: _known(value) for name, value in asdict(found).items()}


def _rounded(value: float) -> float:
    return round(value, 4)


def _known(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else _rounded(value)


def card_document(found: Sequence[Card]) -> Document:
    """`flangeback/kit-card-1`. `key_in` is in mm, at each end of a zoom."""
    return {"schema": "flangeback/kit-card-1", "cards": [_card(card) for card in found]}


def _card(card: Card) -> Document:
    return {
        "body": card.body.key,
        "model": card.body.model,
        "lines": [
            {
                "lens": line.lens.key,
                "name": line.lens.name,
                "key_in": [float(focal) for focal in line.key_in],
                "adapters": [adapter.key for adapter in line.way.adapters],
                "aperture": line.way.aperture,
                "widest": [float(view.widest) for view in line.way.views],
                "narrowest": [float(view.narrowest) for view in line.way.views],
                "focal_length_35mm": list(line.equivalents),
                "notes": list(line.notes),
            }
            for line in card.lines
        ],
        "left_out": [lens.key for lens in card.left_out],
        "cautions": list(card.cautions),
    }


def check_document(found: Sequence[Remark], names: Sequence[LookUp] | None) -> Document:
    """What `kit check` adds to the kit's own document: remarks, and lenses in the lens-correction
    database (null where that isn't installed)."""
    return {
        "remarks": [{"table": each.table, "text": each.text} for each in found],
        "lens_database": None
        if names is None
        else {
            each.lens.key: {
                "known": each.entry is not None,
                "nearest": [_entry(entry) for entry in each.nearest],
            }
            for each in names
        },
    }


def entries_document(found: Sequence[Entry]) -> Document:
    """`flangeback/kit-entries-1`: entries of the lens-correction database, in the order --pick
    counts them."""
    return {"schema": "flangeback/kit-entries-1", "entries": [_entry(each) for each in found]}


def _entry(entry: Entry) -> Document:
    return {
        "maker": entry.maker,
        "name": entry.name,
        "focal": None if entry.focal is None else [float(end) for end in entry.focal],
        "widest": None if entry.widest is None else [float(end) for end in entry.widest],
        "mounts": list(entry.mounts),
    }


def added_document(path: Path, entry: str) -> Document:
    """`flangeback/kit-added-1`: the text that was appended to the kit file."""
    return {"schema": "flangeback/kit-added-1", "file": str(path), "text": entry}
