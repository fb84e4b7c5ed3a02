"""`flangeback fill`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.ending import NEEDS_PERSON, UNPROVED, print_json
from flangeback.cli.shared import (
    Json,
    KitFile,
    Logs,
    Outings,
    Report,
    is_one,
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
    folders: Outings,
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

    def work(outing: flangeback.Outing) -> flangeback.Filled:
        out = into / outing.name
        check_place(outing.folder, out)
        found = matched(outing.folder, log, kit or outing.kit, over=over, quiet=json)
        with progress("making copies", len(found.frames), quiet=json) as step:
            filled = flangeback.fill(
                found,
                outing.folder,
                out,
                lambda count, size: step(count),
                raw=raw,
                xmp=xmp,
                set_time=set_time,
            )
        if report_file:
            page, name = report_file, outing.folder.resolve().name
            if outing.name:
                page, name = report.pages.beside(page, outing.name), outing.name
            report.pages.write_match_page(page, filled.matches, name, filled)
        return filled

    def show(outing: flangeback.Outing, filled: flangeback.Filled) -> None:
        report.terminal.show_filled(terminal(), filled, str(into / outing.name))

    for folder in folders:
        check_place(folder, into)
    found = flangeback.find_outings(folders, log)
    if is_one(found):
        filled = [work(found[0])]
        if json:
            print_json(report.documents.fill_document(filled[0]))
        else:
            show(found[0], filled[0])
            tell_next(report.terminal.after_fill(str(into)))
    else:
        done = outings.each(found, work, show, json=json)
        outings.finish(done, report.documents.fill_document, report.terminal.filled_line, json=json)
        filled = [one.found for one in done if one.found is not None]
    if any(one.failed for one in filled):
        raise typer.Exit(UNPROVED)
    if any(one.matches.needs_person for one in filled):
        raise typer.Exit(NEEDS_PERSON)
