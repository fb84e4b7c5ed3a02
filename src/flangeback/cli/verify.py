"""`flangeback verify`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import UNPROVED, print_json
from flangeback.cli.shared import Json, progress, terminal

Out = Annotated[Path, typer.Argument(metavar="OUT", help="A folder that `fill` made.")]


def verify(out: Out, json: Json = False) -> None:
    """Prove the copies again: their bytes, their tags, and the frames they were made from.

    Example: flangeback verify 2026-05-17-filled
    """
    with progress("proving copies", None, quiet=json) as step:
        verified = flangeback.verify(out, step)
    if json:
        print_json(report.documents.verify_document(verified))
    else:
        report.terminal.show_verified(terminal(), verified, str(out))
    if verified.failed:
        raise typer.Exit(UNPROVED)
