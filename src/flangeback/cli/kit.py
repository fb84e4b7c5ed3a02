"""`flangeback kit ...`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flangeback.cli.shared import Json, ends_cleanly, print_json

app = typer.Typer(no_args_is_help=True, help="The kit: bodies, lenses, adapters.")

KitPath = Annotated[Path, typer.Argument(metavar="KIT", help="The kit file.")]


@app.command("check")
def check(kit: KitPath = Path("kit.toml"), json: Json = False) -> None:
    """Check a kit file, and show it as it is understood.

    Example: flangeback kit check ~/kit.toml
    """
    with ends_cleanly(json):
        from flangeback.kit import read_kit

        found = read_kit(kit)
        if json:
            from flangeback.report.document import kit_document

            print_json(kit_document(found))
        else:
            from rich.console import Console

            from flangeback.report.terminal import show_kit

            show_kit(Console(), found)


@app.callback()
def kit() -> None:
    """The kit: bodies, lenses, adapters."""
