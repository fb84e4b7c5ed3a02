"""`flangeback note`."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer
from typer import Argument, Option

import flangeback
from flangeback.cli.ending import narrow_width
from flangeback.cli.shared import print_lines
from flangeback.words import count


def entry_words(ctx: typer.Context, incomplete: str) -> list[str]:
    """Keys of the kit beside the log, or of the one named, and the log's own words."""
    from flangeback.kit.places import kit_file
    from flangeback.log.vocabulary import KEYWORDS, PLAIN_WORDS

    log, kit = ctx.params.get("log"), ctx.params.get("kit")
    given = Path(kit) if kit else None
    try:
        keys = list(flangeback.read_kit(kit_file(given, Path(log or ".").parent)).keys())
    except flangeback.InputError:
        keys = []
    words = (*keys, *PLAIN_WORDS, "f/?", *KEYWORDS)
    return [word for word in words if word.startswith(incomplete)]


Log = Annotated[
    Path, Argument(metavar="LOG", help="The session log; it is made if it isn't there.")
]
Words = Annotated[
    list[str] | None,
    Argument(metavar="WORDS", help="The entry, without its time.", autocompletion=entry_words),
]
Kit = Annotated[
    Path | None,
    Option(
        "--kit",
        metavar="KIT",
        help="The kit file. [default: kit.toml beside LOG, else in your configuration folder]",
    ),
]
At = Annotated[str | None, Option("--at", metavar="TIME", help="When it was, if not right now.")]
Undo = Annotated[bool, Option("--undo", help="Take the last note back instead.")]


def note(log: Log, words: Words = None, kit: Kit = None, at: At = None, undo: Undo = False) -> None:
    """Append an entry to a session log, stamped with the time now, and say what it means.

    The words are checked against the kit first: with a fault in them, nothing is written.

    Example: flangeback note session.txt k7 brask135 f/5.6
    """
    from flangeback.kit.places import kit_file

    if undo and (words or at):
        raise flangeback.InputError("--undo stands alone, without words and --at")
    if undo:
        print("\n".join(f"taken back: {line}" for line in flangeback.undo_note(log)))
        return
    if not words:
        raise flangeback.InputError("the words of the note are missing, such as k7 f/5.6")
    gear = flangeback.read_kit(kit_file(kit, log.parent))
    noted = flangeback.add_note(log, words, gear, at=at)
    print_lines([fill(noted.meaning, narrow_width() or len(noted.meaning))])
    if noted.older:
        faults = count(len(noted.older), "fault")
        text = f"noted; but the lines above have {faults}: `match` shows them"
        typer.echo(fill(text, narrow_width() or len(text)), err=True)
