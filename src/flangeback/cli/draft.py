"""`flangeback draft`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer
from typer import Option

import flangeback
from flangeback import report
from flangeback.cli.ending import print_exactly
from flangeback.cli.shared import Frames, KitFile, as_given, progress

LogFile = Annotated[
    Path | None,
    Option("-o", "--output", metavar="LOG", help="A new file for the log. [default: stdout]"),
]


def draft(frames: Frames, output: LogFile = None, kit: KitFile = None) -> None:
    """Write a session log to fill in, from the frames' pauses, lenses and slate frames.

    Works without a kit; with one it knows the bodies. What stands there already is left alone.

    Example: flangeback draft 2026-05-17 -o 2026-05-17/session.txt
    """
    from flangeback.kit.places import kit_file
    from flangeback.saving import save_new, taken

    if output is not None and os.path.lexists(output):
        raise taken(output)
    place = kit_file(kit, frames)
    gear = flangeback.read_kit(place) if kit or place.exists() else None
    with progress("reading frames", None, quiet=False) as step:
        found = flangeback.scan(frames, step)
    with progress("looking for slate frames", len(found), quiet=False) as step:
        pictures = flangeback.read_pictures(found, flangeback.read_picture, step)
    text = flangeback.draft_log(found, pictures, gear)
    if output is None:
        print_exactly(text)
        return
    save_new(output, text.encode("utf-8", "backslashreplace"))
    typer.echo(f"{output} is there to be filled in; then:", err=True)
    if gear is None:
        typer.echo(f"  a kit file, {place}, with your gear under the names in it", err=True)
    command: list[str | Path] = ["match", frames, *as_given(None, kit)]
    if output.absolute() != (frames / "session.txt").absolute():
        command += ["--log", output]
    typer.echo(f"  {report.hints.command(*command)}", err=True)
