"""`flangeback fill`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import NEEDS_PERSON, UNPROVED, print_json
from flangeback.cli.shared import (
    Frames,
    Json,
    KitFile,
    Logs,
    Report,
    matched,
    progress,
    tell_next,
    terminal,
)
from flangeback.raw_mode import RawMode

Into = Annotated[Path, typer.Option("--into", metavar="OUT", help="The folder for the copies.")]
Over = Annotated[
    bool, typer.Option("--over", help="Write over lens data that contradicts the log.")
]
Raw = Annotated[
    RawMode,
    typer.Option(help="Raw files: the values in an XMP sidecar, or written into the copy."),
]
Xmp = Annotated[
    bool, typer.Option("--xmp", help="Also state the values in an XMP packet inside each picture.")
]
SetTime = Annotated[
    bool,
    typer.Option(
        "--set-time",
        help="Also write the true time, so that a catalogue sorts several bodies as it happened.",
    ),
]


def fill(
    frames: Frames,
    into: Into,
    log: Logs = None,
    kit: KitFile = None,
    over: Over = False,
    raw: Raw = RawMode.SIDECAR,
    xmp: Xmp = False,
    set_time: SetTime = False,
    report_file: Report = None,
    json: Json = False,
) -> None:
    """Copy every frame, write the lens data that is certain into the copies, prove each copy.

    Frames that can't be filled are copied as they are. The originals are only read: keep them
    until the copies are in the catalogue and backed up.

    Example: flangeback fill 2026-05-17 --kit ~/kit.toml --into 2026-05-17-filled
    """
    from flangeback.copies import check_place

    check_place(frames, into)
    found = matched(frames, log, kit, over=over, quiet=json)
    with progress("making copies", len(found.frames), quiet=json) as step:
        filled = flangeback.fill(
            found,
            frames,
            into,
            lambda count, size: step(count),
            raw=raw,
            xmp=xmp,
            set_time=set_time,
        )
    if report_file:
        report.pages.write_match_page(report_file, filled.matches, frames.resolve().name, filled)
    if json:
        print_json(report.documents.fill_document(filled))
    else:
        report.terminal.show_filled(terminal(), filled, str(into))
        tell_next(report.terminal.after_fill(str(into)))
    if filled.failed:
        raise typer.Exit(UNPROVED)
    if filled.matches.needs_person:
        raise typer.Exit(NEEDS_PERSON)
