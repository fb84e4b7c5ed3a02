"""flangeback back-fills the lens data that adapted manual lenses leave blank.

Every stage is a plain function that a script can call, in one direction:

    scan -> (read_log, read_kit) -> match_frames -> decide -> edit_jpeg -> fill -> verify

    from pathlib import Path
    import flangeback

    folder = Path("frames")
    kit = flangeback.read_kit(folder / "kit.toml")
    log = flangeback.read_log(folder / "session.txt", kit)
    matches = flangeback.match_frames(flangeback.scan(folder), [log], kit)
    filled = flangeback.fill(matches, folder, Path("filled"))

The kit answers questions of its own: fits(lenses, bodies, kit) says what fits what, cards(kit)
what to key into the stabiliser.

Wrong input raises InputError, which holds every problem found.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flangeback.copies import Filled, FrameCopy, Verified, fill, verify
    from flangeback.draft import draft_log
    from flangeback.embed import Refused, Splice, edit_jpeg
    from flangeback.errors import InputError, Problem
    from flangeback.frames import CameraTime, Frame, LensData, read_frame, scan
    from flangeback.kit import Adapter, Body, Kit, Lens, parse_kit, read_kit
    from flangeback.kit.card import Card, cards
    from flangeback.kit.fit import Fit, fits
    from flangeback.log import SessionLog, format_log, parse_log, read_log
    from flangeback.match import Doubt, DoubtKind, FrameMatch, Matches, Outcome, match_frames
    from flangeback.match.explaining import Explanation, explain
    from flangeback.note import Noted, add_note
    from flangeback.survey import Survey, survey_folder
    from flangeback.tags import Fill, Tag, TagValue, decide, true_time
    from flangeback.tally import Tally, tally_folders

__version__ = "0.1.0"

_ROOMS = {
    "copies": ("Filled", "FrameCopy", "Verified", "fill", "verify"),
    "draft": ("draft_log",),
    "embed": ("Refused", "Splice", "edit_jpeg"),
    "errors": ("InputError", "Problem"),
    "frames": ("CameraTime", "Frame", "LensData", "read_frame", "scan"),
    "kit": ("Adapter", "Body", "Kit", "Lens", "parse_kit", "read_kit"),
    "kit.card": ("Card", "cards"),
    "kit.fit": ("Fit", "fits"),
    "match": ("Doubt", "DoubtKind", "FrameMatch", "Matches", "Outcome", "match_frames"),
    "match.explaining": ("Explanation", "explain"),
    "note": ("Noted", "add_note"),
    "log": ("SessionLog", "format_log", "parse_log", "read_log"),
    "survey": ("Survey", "survey_folder"),
    "tags": ("Fill", "Tag", "TagValue", "decide", "true_time"),
    "tally": ("Tally", "tally_folders"),
}
_HOMES = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = [
    "Adapter",
    "Body",
    "CameraTime",
    "Card",
    "Doubt",
    "DoubtKind",
    "Explanation",
    "Fill",
    "Filled",
    "Fit",
    "Frame",
    "FrameCopy",
    "FrameMatch",
    "InputError",
    "Kit",
    "Lens",
    "LensData",
    "Matches",
    "Noted",
    "Outcome",
    "Problem",
    "Refused",
    "SessionLog",
    "Splice",
    "Survey",
    "Tag",
    "TagValue",
    "Tally",
    "Verified",
    "add_note",
    "cards",
    "decide",
    "draft_log",
    "edit_jpeg",
    "explain",
    "fill",
    "fits",
    "format_log",
    "match_frames",
    "parse_kit",
    "parse_log",
    "read_frame",
    "read_kit",
    "read_log",
    "scan",
    "survey_folder",
    "tally_folders",
    "true_time",
    "verify",
]


def __getattr__(name: str) -> object:
    """A stage is imported when it is first asked for, so that a command loads what it needs."""
    if name not in _HOMES:
        raise AttributeError(f"module 'flangeback' has no attribute {name!r}")
    from importlib import import_module

    found: object = getattr(import_module(f"flangeback.{_HOMES[name]}"), name)
    globals()[name] = found
    return found
