"""The commands, put together."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import Annotated, Any

import typer
from typer import Option

from flangeback import __version__
from flangeback.cli.ending import Commands

NAMES = ("demo", "survey", "draft", "note", "match", "fill", "verify", "tally", "kit")
"""The commands, each in the module of its name, in the order of the help."""


class _CommandsByName(Commands):
    """Loads a command when it is asked for."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        # Typer offers the nearest of these names for a misspelt one.
        self.commands = dict.fromkeys(NAMES, self)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        return _command(cmd_name) if cmd_name in NAMES else None


@cache
def _command(name: str) -> Any:
    module = import_module(f"flangeback.cli.{name}")
    alone = getattr(module, "app", None)
    if alone is None:
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name)(getattr(module, name))
    command = typer.main.get_command(alone)
    command.name = name
    return command


app = typer.Typer(
    cls=_CommandsByName,
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Back-fills the lens data that adapted manual lenses leave blank, on verified copies.",
)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"flangeback {__version__}")
        raise typer.Exit


@app.callback()
def flangeback(
    version: Annotated[
        bool, Option("--version", callback=_print_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Back-fills the lens data that adapted manual lenses leave blank, on verified copies.

    Keep the originals until the copies are in the catalogue and backed up.
    """
