"""`flangeback note`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback.cli.completing import entry_words
from flangeback.words import count

Log = Annotated[
    Path, typer.Argument(metavar="LOG", help="The session log; it is made if it isn't there.")
]
Words = Annotated[
    list[str],
    typer.Argument(
        metavar="WORDS", help="The entry, without its time.", autocompletion=entry_words
    ),
]
Kit = Annotated[
    Path | None,
    typer.Option(
        "--kit",
        metavar="KIT",
        help="The kit file. [default: kit.toml beside LOG, else in your configuration folder]",
    ),
]
At = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When it was, if not right now.")
]


def note(log: Log, words: Words, kit: Kit = None, at: At = None) -> None:
    """Append an entry to a session log, stamped with the time now, and say what it means.

    The words are checked against the kit first: with a fault in them, nothing is written.

    Example: flangeback note session.txt k7 brask135 f/5.6
    """
    from flangeback.kit.places import kit_file

    gear = flangeback.read_kit(kit_file(kit, log.parent))
    noted = flangeback.add_note(log, words, gear, at=at)
    print(noted.meaning)
    if noted.older:
        faults = count(len(noted.older), "fault")
        text = f"noted; but the lines above have {faults}: `match` shows them"
        typer.echo(text, err=True)
