"""`flangeback tally`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option

import flangeback
from flangeback import report
from flangeback.cli.ending import NEEDS_PERSON, columns, print_exactly, print_json
from flangeback.cli.shared import Json, Report, print_lines, progress, tell_passed_over

Out = Annotated[
    list[Path], Argument(metavar="OUT", help="Folders that `fill` made, or any of frames.")
]
Csv = Annotated[bool, Option("--csv", help="Print a table for a spreadsheet instead.")]


def tally(out: Out, report_file: Report = None, json: Json = False, csv: Csv = False) -> None:
    """Count which lenses, f-numbers, focal lengths and bodies the frames were made with.

    "open" are those made wide open, "kept" the filled ones that are still there.

    Example: flangeback tally 2026-05-17-filled
    """
    from flangeback.copies.manifest import filled_below, frames_of_copies

    if json and csv:
        raise flangeback.InputError("--json and --csv at once: one of them, please")
    with progress("reading frames", None, quiet=json or csv) as step:
        found = flangeback.tally_folders(out, step)
    if not (json or csv):
        counted = [each for folder in out for each in filled_below(folder)]
        for each in counted:
            tell_passed_over(each, [other for other in counted if other != each])
    if report_file:
        places = [place for folder in out for place in frames_of_copies(folder)]
        report_file = report.pages.own_page(report_file, "", places)
        report.pages.write_tally_page(report_file, found)
    if json:
        print_json(report.documents.tally_document(found))
    elif csv:
        print_exactly(report.tally.tally_csv(found))
    else:
        unicode = "utf" in (sys.stdout.encoding or "").lower()
        print_lines(report.tally.tally_lines(found, "█" if unicode else "#", columns()))
    if found.damaged:
        raise typer.Exit(NEEDS_PERSON)
