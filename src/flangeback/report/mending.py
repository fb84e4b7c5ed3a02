"""What a person can do about copies that aren't what they were, by what became of them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from flangeback.copies.model import CheckedCopy, SourceNow, Verified
from flangeback.report.hints import command
from flangeback.words import count


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
