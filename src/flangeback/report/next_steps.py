"""What to do next, as commands that can be copied."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence

from flangeback.frames.model import without_suffix
from flangeback.match.model import Matches


def after_match(matches: Matches, frames: str, given: Sequence[str] = ()) -> Iterator[str]:
    """What follows a match of the folder `frames`; `given` are the options it was run with."""
    found = next((one for one in matches.frames if one.outcome.needs_person), None)
    if found is not None:
        name = without_suffix(found.frame.file)
        yield "why a frame came to what it came to:"
        yield _command("match", frames, *given, "--explain", name)
    if any(one.outcome.is_filled for one in matches.frames):
        yield "next, to make and prove the copies:"
        yield _command("fill", frames, *given, "--into", f"{frames.rstrip('/')}-filled")


def after_fill(out: str) -> Iterator[str]:
    """What follows a fill into `out`."""
    yield "next: keep the originals until the copies are in the catalogue and backed up;"
    yield "to prove the copies again, and to count what was used:"
    yield _command("verify", out)
    yield _command("tally", out)


def _command(*words: str) -> str:
    return f"  {shlex.join(['flangeback', *words])}"
