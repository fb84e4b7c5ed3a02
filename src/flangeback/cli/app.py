"""The commands, put together."""

from __future__ import annotations

from typing import Annotated

import typer

from flangeback import __version__
from flangeback.cli import demo, draft, fill, kit, match, note, survey, tally, verify
from flangeback.cli.ending import Commands

app = typer.Typer(
    cls=Commands,
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Back-fills the lens data that adapted manual lenses leave blank, on verified copies.",
)
app.command("demo")(demo.demo)
app.command("survey")(survey.survey)
app.command("draft")(draft.draft)
app.command("note")(note.note)
app.command("match")(match.match)
app.command("fill")(fill.fill)
app.command("verify")(verify.verify)
app.command("tally")(tally.tally)
app.add_typer(kit.app, name="kit")


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"flangeback {__version__}")
        raise typer.Exit


@app.callback()
def flangeback(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Back-fills the lens data that adapted manual lenses leave blank, on verified copies.

    Keep the originals until the copies are in the catalogue and backed up.
    """
