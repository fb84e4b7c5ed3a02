"""The JSON documents of the `kit` commands, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from flangeback.errors import Problem
from flangeback.report.documents import Document, fields, rounded

if TYPE_CHECKING:
    from flangeback.kit import Adapter, Body, Kit, Lens
    from flangeback.kit.card import Card
    from flangeback.kit.fit import Fit, Spacing, View, Way
    from flangeback.kit.lensdb import LookUp, RecordedLens
    from flangeback.kit.mounts import Mount
    from flangeback.kit.remarks import Remark


def check_document(
    kit: Kit, remarks: Sequence[Remark], names: Sequence[LookUp] | Problem
) -> Document:
    """`flangeback/kit-1`: a kit without faults as it was understood, and remarks on it.

    `names` are its lenses in the lens-correction database, or what keeps it from being asked.
    """
    crop_factors = {
        key: {"crop_factor": rounded(body.crop_factor, 3)} for key, body in kit.bodies.items()
    }
    known = {
        each.lens.key: {"known": each.entry is not None, "nearest": list(map(_entry, each.nearest))}
        for each in (() if isinstance(names, Problem) else names)
    }
    return {
        "schema": "flangeback/kit-1",
        "bodies": {key: _described(body) | crop_factors[key] for key, body in kit.bodies.items()},
        "lenses": {key: _described(lens) for key, lens in kit.lenses.items()},
        "adapters": {key: _described(adapter) for key, adapter in kit.adapters.items()},
        "remarks": [fields(remark, "table", "text") for remark in remarks],
        "lens_database": None if isinstance(names, Problem) else known,
    }


def _described(gear: Body | Lens | Adapter) -> Document:
    """All that the kit says of it under its key."""
    return fields(gear, *(name for name in gear.__dataclass_fields__ if name != "key"))


def mounts_document(mounts: Iterable[Mount]) -> Document:
    """`flangeback/kit-mounts-1`: registers in mm."""
    names = ("designations", "register", "lock", "years", "lenses", "note", "source")
    found = [fields(mount, *names) for mount in mounts]
    return {"schema": "flangeback/kit-mounts-1", "mounts": found}


def entries_document(found: Sequence[RecordedLens]) -> Document:
    """`flangeback/kit-entries-1`: entries of the lens-correction database, as --pick counts."""
    return {"schema": "flangeback/kit-entries-1", "entries": [_entry(each) for each in found]}


def _entry(entry: RecordedLens) -> Document:
    return fields(entry, "maker", "name", "focal", "widest", "mounts")


def added_document(path: Path, entry: str) -> Document:
    """`flangeback/kit-added-1`: the text that was appended to the kit file."""
    return {"schema": "flangeback/kit-added-1", "file": str(path), "text": entry}


def spacing_document(lens_mount: Mount, body_mount: Mount, found: Spacing) -> Document:
    """`flangeback/kit-spacing-1`: the room between two bare mounts."""
    names = ("designations", "register", "source")
    return {
        "schema": "flangeback/kit-spacing-1",
        "lens_mount": fields(lens_mount, *names),
        "body_mount": fields(body_mount, *names),
        **_spacing(found),
    }


def _spacing(found: Spacing) -> Document:
    return {"thickness_needed": rounded(found.thickness), **fields(found, "tolerance", "room")}


def fit_document(fits: Sequence[Fit]) -> Document:
    """`flangeback/kit-fit-1`."""
    found = [
        fields(fit, lens="lens.key", body="body.key")
        | fields(fit, lens_mount="lens.mount", body_mount="body.mount")
        | _spacing(fit.spacing)
        | {"ways": [_way(way) for way in fit.ways]}
        for fit in fits
    ]
    return {"schema": "flangeback/kit-fit-1", "fits": found}


def _way(way: Way) -> Document:
    return {
        **fields(way, adapters="adapters.key", factor="factor"),
        **fields(way, "aperture", "lacks"),
        **fields(way, "covers", "cautions", right_thickness="as_thick"),
        "thickness": rounded(way.thickness),
        "image_circle": rounded(way.image_circle),
        "views": [_view(view) for view in way.views],
    }


def _view(view: View) -> Document:
    infinity = view.infinity and asdict(view.infinity)
    if infinity:
        infinity["circle_of_confusion"] = infinity.pop("circle")
    return {
        **fields(view, "widest", "narrowest", focal_length_35mm="equivalent_35mm"),
        **fields(view, marked_focal_length="marked", focal_length="focal"),
        "angle_of_view": rounded(view.angles, 2),
        "infinity": rounded(infinity),
        "close_up": rounded(view.close_up and asdict(view.close_up)),
    }


def card_document(found: Sequence[Card]) -> Document:
    """`flangeback/kit-card-1`. `key_in` is in mm, at each end of a zoom."""
    cards = [
        {
            **fields(card, body="body.key", model="body.model"),
            **fields(card, left_out="left_out.key", cautions="cautions"),
            "lines": [
                fields(line, lens="lens.key", name="lens.name", key_in="key_in", notes="notes")
                | fields(line.way, "aperture", adapters="adapters.key")
                | fields(line.way, widest="views.widest", narrowest="views.narrowest")
                | fields(line.way, focal_length_35mm="equivalents")
                for line in card.lines
            ],
        }
        for card in found
    ]
    return {"schema": "flangeback/kit-card-1", "cards": cards}
