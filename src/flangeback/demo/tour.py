"""The whole line on the made-up outing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from flangeback.demo.outing import Outing, make_outing

if TYPE_CHECKING:
    from flangeback.copies import Filled, Verified
    from flangeback.copies.changes import TagChange
    from flangeback.match import Matches

_DEFAULT = "flangeback-demo"


@dataclass(frozen=True, slots=True)
class Tour:
    """What the line made of the outing. `shown` is the frame whose tags `changes` are."""

    outing: Outing
    out: Path
    matches: Matches
    filled: Filled
    verified: Verified
    shown: str
    changes: tuple[TagChange, ...]


def free_folder() -> Path:
    """The first of flangeback-demo, flangeback-demo-2, -3 ... that isn't there yet."""
    names = (_DEFAULT if n == 1 else f"{_DEFAULT}-{n}" for n in count(1))
    return next(Path(name) for name in names if not Path(name).exists())


def take_tour(folder: Path) -> Tour:
    """Makes the outing in `folder`, matches it, fills and proves the copies in `folder/filled`.

    Raises InputError where the folder isn't empty or can't be written.
    """
    from flangeback.copies import FillOptions, fill, verify
    from flangeback.copies.changes import lens_tags, tag_changes, worth_showing
    from flangeback.match import match_frames
    from flangeback.match.session import read_session

    outing = make_outing(folder)
    session = read_session(outing.frames)
    matches = match_frames(session.frames, session.logs, session.kit)
    out = folder / "filled"
    used = FillOptions(logs=session.log_files, kit=session.kit_file)
    filled = fill(matches, outing.frames, out, used)
    verified = verify(out)
    shown = worth_showing(filled.copies)
    assert shown is not None, "the outing has frames to fill"
    changes = tag_changes(lens_tags(shown.match.frame.path), out / shown.match.frame.file)
    return Tour(outing, out, matches, filled, verified, shown.match.frame.file, changes)
