"""`flangeback demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flangeback.cli.shared import UNPROVED, ends_cleanly, terminal

Folder = Annotated[
    Path | None,
    typer.Argument(metavar="[DIR]", help="A new folder for it. [default: flangeback-demo]"),
]


def demo(folder: Folder = None) -> None:
    """Make a small outing (frames, log, kit), take it through match, fill and verify, show it.

    The folder stays, to play with.

    Example: flangeback demo
    """
    with ends_cleanly(json=False):
        from flangeback.demo.tour import free_folder, take_tour
        from flangeback.report.terminal import show_tour

        show_tour(terminal(), tour := take_tour(folder or free_folder()))
    if tour.filled.failed or tour.verified.failed:
        raise typer.Exit(UNPROVED)
