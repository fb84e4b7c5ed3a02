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
    from flangeback.copies import fill, verify
    from flangeback.copies.changes import tag_changes, worth_showing
    from flangeback.frames import scan
    from flangeback.kit import read_kit
    from flangeback.log import read_log
    from flangeback.match import match_frames

    outing = make_outing(folder)
    kit = read_kit(outing.kit)
    matches = match_frames(scan(outing.frames), [read_log(outing.log, kit)], kit)
    out = folder / "filled"
    filled = fill(matches, outing.frames, out)
    verified = verify(out)
    shown = worth_showing(filled.copies)
    assert shown is not None, "the outing has frames to fill"
    changes = tag_changes(shown.match.frame.path, out / shown.match.frame.file)
    return Tour(outing, out, matches, filled, verified, shown.match.frame.file, changes)
