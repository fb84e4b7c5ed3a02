"""`flangeback tally`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from flangeback.cli.shared import Json, ends_cleanly, print_json, progress

Out = Annotated[
    list[Path], typer.Argument(metavar="OUT", help="Folders that `fill` made, or any of frames.")
]
Csv = Annotated[bool, typer.Option("--csv", help="Print a table for a spreadsheet instead.")]


def tally(out: Out, json: Json = False, csv: Csv = False) -> None:
    """Count which lenses, f-numbers, focal lengths and bodies the frames were made with.

    "open" are those made wide open, "kept" the filled ones that are still there.

    Example: flangeback tally 2026-05-17-filled
    """
    with ends_cleanly(json):
        from flangeback.errors import InputError
        from flangeback.report.tally import tally_csv, tally_document, tally_lines
        from flangeback.tally import tally_folders

        if json and csv:
            raise InputError("--json and --csv at once: one of them, please")
        with progress("reading frames", None, quiet=json or csv) as step:
            found = tally_folders(out, step)
        if json:
            print_json(tally_document(found))
        elif csv:
            print(tally_csv(found), end="")
        else:
            unicode = "utf" in (sys.stdout.encoding or "").lower()
            for line in tally_lines(found, "█" if unicode else "#"):
                print(line)
