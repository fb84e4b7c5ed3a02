"""`flangeback verify`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flangeback.cli.shared import UNPROVED, Json, ends_cleanly, print_json, progress, terminal

Out = Annotated[Path, typer.Argument(metavar="OUT", help="A folder that `fill` made.")]


def verify(out: Out, json: Json = False) -> None:
    """Prove the copies again: their bytes, their tags, and the frames they were made from.

    Example: flangeback verify 2026-05-17-filled
    """
    with ends_cleanly(json):
        from flangeback import copies

        with progress("proving copies", None, quiet=json) as step:
            verified = copies.verify(out, lambda count: step(count))
        if json:
            from flangeback.report.document import verify_document

            print_json(verify_document(verified))
        else:
            from flangeback.report.terminal import show_verified

            show_verified(terminal(), verified, str(out))
    if verified.failed:
        raise typer.Exit(UNPROVED)
