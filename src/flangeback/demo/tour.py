"""The whole line on the made-up outing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from flangeback.demo.outing import Outing, make_outing
from flangeback.tags.table import TAGS, TIME_TAGS

if TYPE_CHECKING:
    from flangeback.copies import Filled, FrameCopy, Verified
    from flangeback.match import Matches

_DEFAULT = "flangeback-demo"


@dataclass(frozen=True, slots=True)
class TagChange:
    """A tag of one frame as ExifRead shows it in the original and in the copy; "-" is absent."""

    name: str
    before: str
    after: str


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
    shown = _worth_showing(filled)
    changes = _changes(shown.match.frame.path, out / shown.match.frame.file)
    return Tour(outing, out, matches, filled, verified, shown.match.frame.file, changes)


def _worth_showing(filled: Filled) -> FrameCopy:
    """A filled frame whose focal length had been registered wrong, else any filled one."""
    done = [copy for copy in filled.copies if copy.match.outcome.is_filled and copy.copy]
    return next((copy for copy in done if copy.match.doubts), done[0])


def _changes(frame: Path, copy: Path) -> tuple[TagChange, ...]:
    with frame.open("rb") as before, copy.open("rb") as after:
        old, new = _lens_tags(before), _lens_tags(after)
    return tuple(
        TagChange(kind.name, old.get(kind.name, "-"), new.get(kind.name, "-"))
        for tag, kind in TAGS.items()
        if tag not in TIME_TAGS
    )


def _lens_tags(file: BinaryIO) -> dict[str, str]:
    import exifread

    tags = exifread.process_file(file, details=False)
    return {name.removeprefix("EXIF "): str(tag) for name, tag in tags.items()}
