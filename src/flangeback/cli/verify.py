"""`flangeback verify`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import NEEDS_PERSON, UNPROVED, print_json
from flangeback.cli.shared import Json, Report, progress, terminal

Out = Annotated[Path, typer.Argument(metavar="OUT", help="A folder that `fill` made.")]
FramesNow = Annotated[
    Path | None,
    typer.Option("--frames", metavar="FRAMES", help="The folder where the frames lie now."),
]
Mend = Annotated[
    bool, typer.Option("--mend", help="Make copies again that are missing or broken, then verify.")
]


def verify(
    out: Out,
    frames: FramesNow = None,
    mend: Mend = False,
    report_file: Report = None,
    json: Json = False,
) -> None:
    """Prove the copies again: their bytes, their tags, and the frames they were made from.

    Example: flangeback verify 2026-05-17-filled
    """
    if mend:
        with progress("making copies", None, quiet=json) as step:
            flangeback.mend(out, frames, lambda count, size: step(count))
    with progress("proving copies", None, quiet=json) as step:
        verified = flangeback.verify(out, step, frames)
    if report_file:
        page = report.filled_folder.page_of_copies(out)
        proof = report.proof.proof_again(verified, out)
        report.pages.write_outing_page(report_file, page, proof)
    if json:
        print_json(report.documents.verify_document(verified))
    else:
        report.terminal.show_verified(terminal(), verified, str(out))
    if verified.failed:
        raise typer.Exit(UNPROVED)
    if verified.needs_person:
        raise typer.Exit(NEEDS_PERSON)
