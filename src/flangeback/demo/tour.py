"""The whole line on the made-up outing."""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from flangeback.demo.outing import Outing, make_outing

if TYPE_CHECKING:
    from flangeback.copies import Filled, Verified

_DEFAULT = "flangeback-demo"


class Tour(NamedTuple):
    """What the line made of the outing."""

    outing: Outing
    out: Path
    filled: Filled
    verified: Verified


def free_folder() -> Path:
    """The first of flangeback-demo, flangeback-demo-2, -3 ... that isn't there yet."""
    names = (_DEFAULT if n == 1 else f"{_DEFAULT}-{n}" for n in count(1))
    return next(Path(name) for name in names if not Path(name).exists())


def take_tour(folder: Path) -> Tour:
    """Makes the outing in `folder`, matches it, fills and proves the copies in `folder/filled`.

    Raises InputError where the folder isn't empty or can't be written.
    """
    from flangeback.copies import FillOptions, fill, verify
    from flangeback.match import match_frames
    from flangeback.match.session import read_session

    outing = make_outing(folder)
    session = read_session(outing.frames)
    matches = match_frames(session.frames, session.logs, session.kit)
    out = folder / "filled"
    used = FillOptions(logs=session.log_files, kit=session.kit_file)
    return Tour(outing, out, fill(matches, outing.frames, out, used), verify(out))
