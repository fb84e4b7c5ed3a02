"""`flangeback demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from typer import Argument

from flangeback import report
from flangeback.cli.ending import UNPROVED
from flangeback.cli.shared import terminal

Folder = Annotated[
    Path | None, Argument(metavar="[DIR]", help="A new folder for it. [default: flangeback-demo]")
]


def demo(folder: Folder = None) -> None:
    """Make a small outing (frames, log, kit), take it through match, fill and verify, show it.

    The folder stays, to play with.

    Example: flangeback demo
    """
    from flangeback.demo.tour import free_folder, take_tour

    tour = take_tour(folder or free_folder())
    report.terminal.show_tour(terminal(), tour)
    if tour.filled.failed or tour.verified.failed:
        raise typer.Exit(UNPROVED)
