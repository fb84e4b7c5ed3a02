"""What the page says of the copies: how they were made, and what was proved of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from flangeback.copies.changes import TagChange, lens_tags, tag_changes, worth_showing
from flangeback.copies.manifest import Manifest
from flangeback.copies.model import Filled, Verified
from flangeback.copies.plan import CopyMethod
from flangeback.copies.records import Record
from flangeback.copies.stated import KNOWN_BEFORE
from flangeback.formats import BY_CODE
from flangeback.words import count

_WAYS = {
    "copy": "byte for byte",
    "embed": "values written into its own metadata",
    "sidecar": "an XMP sidecar states the values",
    "agree": "an existing sidecar was brought into agreement",
}


class Proof(NamedTuple):
    """What was proved, in a sentence; the kinds of copies; what failed; one frame's tags.

    `kinds` are how many files there are of what kind, and how their copies were made. `shown` is
    the frame with `changes`, and who saw its tags before and after.
    """

    sentence: str
    kinds: tuple[tuple[int, str, str], ...]
    failures: tuple[str, ...] = ()
    shown: str = ""
    changes: tuple[TagChange, ...] = ()


def proof_of(filled: Filled, out: Path) -> Proof:
    """The proof of the copies in `out`."""
    shown = worth_showing(filled.copies)
    frame = None if shown is None else shown.match.frame
    changes = () if frame is None else tag_changes(lens_tags(frame.path), out / frame.file)
    failures = tuple(f"{copy.failure}; removed" for copy in filled.failed)
    shown_as = f"{frame.file}, as ExifRead sees it in the original and in the copy" if frame else ""
    with Manifest(out) as manifest:
        kinds = _kinds(manifest.records())
    verified = sum(copy.verified for copy in filled.copies)
    sentence = (
        f"{verified} of {count(len(filled.copies), 'copy', 'copies')} were read back from disk "
        "after they were written: a second reader (ExifRead) finds every value, every other tag "
        "reads as it did in the original, and the picture is the same to the byte."
    )
    return Proof(sentence, kinds, failures, shown_as, changes)


def _kinds(records: Iterable[Record]) -> tuple[tuple[int, str, str], ...]:
    made = Counter((record.kind, record.way) for record in records)
    return tuple(
        (files, BY_CODE[kind].title if kind in BY_CODE else kind, _WAYS.get(way, way))
        for (kind, way), files in sorted(made.items(), key=lambda one: (-one[1], one[0]))
    )


def proof_again(verified: Verified, out: Path) -> Proof:
    """The proof of copies that were proved once more."""
    proved, sound = len(verified.copies), {one.copy for one in verified.copies if not one.failure}
    sentence = (
        f"{len(sound)} of {count(proved, 'copy', 'copies')} were proved once more: their bytes, "
        "the values that were written into them, and the originals where they are at hand."
    )
    failures = tuple(f"{copy.copy}: {copy.failure}" for copy in verified.failed)
    with Manifest(out) as manifest:
        kinds = _kinds(manifest.records())
        made = (one for one in manifest.records() if one.copy in sound)
        embedded = (one for one in made if one.way == CopyMethod.EMBED)
        # The lines stand in the order in which the copies were finished, which chance has made.
        shown = min(embedded, key=lambda record: (not record.doubts, record.copy), default=None)
    shown_as, changes = "", tuple[TagChange, ...]()
    if shown is not None and shown.before is not None:
        shown_as = f"{shown.copy}, before as the manifest has it, after as ExifRead sees it"
        changes = tag_changes(shown.before, out / shown.copy, KNOWN_BEFORE)
    return Proof(sentence, kinds, (*failures, *verified.faults), shown_as, changes)
