"""Commands to paste, with the program's own path, quoted for the shell at hand; what comes next."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from flangeback.frames.model import without_suffix
from flangeback.system import way_to

if TYPE_CHECKING:
    from flangeback.copies.model import Filled
    from flangeback.match.model import Matches

NAME = "flangeback"
_BARE = re.compile(r"[\w./\\:+-]+")
"""A word that needs no quotes in cmd and PowerShell."""


def command(*words: str | Path) -> str:
    """A command as a shell takes it, with the path that flangeback was called by.

    A path that begins with a dash is written so that nobody takes it for an option.
    """
    line = [*_program(), *map(_word, words)]
    # A POSIX shell on Windows (MSYS2) says so; of the others, cmd alone exports its prompt.
    if sys.platform != "win32" or "MSYSTEM" in os.environ:
        return shlex.join(line)
    if "PROMPT" in os.environ:
        return " ".join(word if _BARE.fullmatch(word) else f'"{word}"' for word in line)
    quoted = [word if _BARE.fullmatch(word) else _in_single_quotes(word) for word in line]
    # What begins with a quote is a string to PowerShell, unless it is called.
    return " ".join(quoted if quoted[0] == line[0] else ["&", *quoted])


def _word(word: str | Path) -> str:
    dashed = isinstance(word, Path) and str(word).startswith("-")
    return os.path.join(".", word) if dashed else str(word)  # noqa: PTH118


def _in_single_quotes(word: str) -> str:
    """A word as PowerShell takes it to the letter; typographic quotes end it, too."""
    return "'" + re.sub("(['\u2018-\u201b])", r"\1\1", word) + "'"


def _program() -> tuple[str, ...]:
    called = Path(sys.argv[0])
    if called.name == "__main__.py" and called.parent.name == NAME:
        return sys.executable, "-m", NAME
    if called.stem != NAME:
        return (NAME,)  # A script, or a test, that calls the commands.
    found = shutil.which(NAME)
    on_path = found is not None and Path(found).resolve() == called.resolve()
    return (NAME,) if on_path else (sys.argv[0],)


def out_beside(folder: Path) -> str:
    """A folder for the copies of some frames: beside theirs, called after it.

    A whole card or disk has none beside it: theirs lies among the user's own.
    """
    if folder.name in ("", ".."):
        whole = folder.resolve()
        if not whole.name:
            return str(Path.home() / "frames-filled")
        folder = Path(way_to(whole.parent, Path.cwd()), whole.name)
    return str(folder.with_name(f"{folder.name}-filled"))


def after_match(matches: Matches, frames: Path, given: Sequence[str] = ()) -> Iterator[str]:
    """What follows a match of the folder `frames`; `given` are the options it was run with."""
    found = next((one for one in matches.frames if one.outcome.needs_person), None)
    if found is not None:
        yield "why a frame came to what it came to:"
        yield _command("match", frames, *given, "--explain", without_suffix(found.frame.file))
    if any(one.outcome.is_filled for one in matches.frames):
        yield "next, to make and prove the copies:"
        yield _command("fill", frames, *given, "--into", out_beside(frames))


def after_fill(filled: Filled, frames: Path, given: Sequence[str], out: Path) -> Iterator[str]:
    """What follows a fill of the folder `frames` into `out`, run with the options `given`."""
    left = [one.reason or "" for one in filled.matches.frames if one.is_of_copy]
    if "--beside" not in given and any("--beside" in reason for reason in left):
        yield "for frames that have the names of others, a folder of their own:"
        yield _command("fill", frames, *given, "--into", out, "--beside")
    yield "next: keep the originals until the copies are in the catalogue and backed up;"
    yield "to prove the copies again, and to count what was used:"
    yield _command("verify", out)
    yield _command("tally", out)


def _command(*words: str | Path) -> str:
    return f"  {command(*words)}"
