"""What the page says of the copies: how they were made, and what was proved of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from flangeback.copies.changes import TagChange, tag_changes, worth_showing
from flangeback.copies.manifest import read_manifest
from flangeback.copies.model import Filled
from flangeback.formats import BY_CODE
from flangeback.words import count


@dataclass(frozen=True, slots=True)
class KindOfCopy:
    """Files of one kind whose copies were made in one way."""

    files: int
    kind: str
    way: str


@dataclass(frozen=True, slots=True)
class Proof:
    """What was proved, in a sentence; the kinds of copies; one frame's tags before and after."""

    sentence: str
    kinds: tuple[KindOfCopy, ...]
    shown: str
    changes: tuple[TagChange, ...]


def proof_of(filled: Filled, out: Path) -> Proof:
    """The proof of the copies in `out`."""
    made = Counter((record.kind, record.way) for record in read_manifest(out).values())
    kinds = tuple(
        KindOfCopy(files, BY_CODE[kind].title if kind in BY_CODE else kind, str(way))
        for (kind, way), files in made.most_common()
    )
    shown = worth_showing(filled.copies)
    frame = None if shown is None else shown.match.frame
    changes = () if frame is None else tag_changes(frame.path, out / frame.file)
    return Proof(_sentence(filled), kinds, frame.file if frame else "", changes)


def _sentence(filled: Filled) -> str:
    verified = sum(copy.verified for copy in filled.copies)
    return (
        f"{verified} of {count(len(filled.copies), 'copy', 'copies')} were read back from disk "
        "after they were written: a second reader (ExifRead) finds every value, every other tag "
        "reads as it did in the original, and the picture is the same to the byte."
    )
