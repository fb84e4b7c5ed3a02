"""The command line: one file per command, no logic of its own."""

from __future__ import annotations


def main() -> None:
    """The entry point of `flangeback`."""
    from flangeback.cli.app import app

    app()
