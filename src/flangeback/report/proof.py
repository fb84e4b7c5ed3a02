"""What is said of copies: how they were made, what was proved, and what helps where it failed."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from flangeback.copies.changes import TagChange, lens_tags, tag_changes, worth_showing
from flangeback.copies.manifest import Manifest
from flangeback.copies.model import CheckedCopy, Filled, SourceNow, Verified
from flangeback.copies.plan import CopyMethod
from flangeback.copies.records import Record
from flangeback.copies.stated import KNOWN_BEFORE
from flangeback.formats import BY_CODE
from flangeback.report.hints import command
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


def remedies(verified: Verified, out: Path) -> Mapping[str, str]:
    """By its name, what helps each copy in `out` that needs a person."""
    left = verified.mended.left if verified.mended else {}
    found = {copy.copy: _remedy(copy, out) for copy in verified.copies}
    return {name: left.get(name, told) for name, told in found.items() if told is not None}


def _remedy(copy: CheckedCopy, out: Path) -> str | None:
    mend = command("verify", out, "--mend")
    if copy.failure is None:
        if copy.is_touched:
            return f"keep it, and `{mend}` notes it as it is now; or move it away to have it anew"
        if copy.source == SourceNow.CHANGED:
            anew = "`fill` with --beside, or into another folder, makes one of it as it is now"
            return f"put the frame back as it was, or keep the copy: {anew}"
        return None
    if copy.source == SourceNow.AWAY:
        return f"`{mend}` makes it again once --frames says where the frames lie now"
    if copy.source == SourceNow.CHANGED:
        return f"its frame changed, too: with that put back as it was, `{mend}` makes it again"
    if not os.path.lexists(out / copy.copy):
        return f"`{mend}` makes it again"
    return f"`{mend}` makes it again; what another program changed stays until it is moved away"


def remarks(verified: Verified) -> Iterator[str]:
    """What needs a person besides: of the run, and of the manifest."""
    if verified.missing:
        missing = count(verified.missing, "file")
        yield f"{missing} of the last run not made or not corrected yet: fill again goes on"
    yield from (f"the manifest was cut or changed: {fault}" for fault in verified.faults)
