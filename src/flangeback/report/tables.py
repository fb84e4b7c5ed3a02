"""The terminal's tables: all of one kind, without rules."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.words import visible


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table; `width` in characters, None for what its cells need.

    Where the terminal is too narrow, a `whole` column keeps its width, as one of figures does.
    """

    name: str
    width: int | None = None
    right: bool = False
    style: str = ""
    whole: bool = False


def show_table(
    console: Console,
    columns: Sequence[Column],
    rows: Iterable[Iterable[RenderableType]] = (),
    *,
    heading: bool = True,
    gap: int = 1,
    by: int = 0,
) -> None:
    """Prints a table, set in from the left. What is wider than its column goes on below, whole.

    Where the terminal is narrower than all columns, each gets what its cells need.
    """
    made = Table(
        box=None, show_header=heading, padding=(0, gap, 0, 0), pad_edge=False, header_style="dim"
    )
    fits = by + sum((column.width or 0) + gap for column in columns) <= console.width + gap
    for column in columns:
        made.add_column(
            column.name,
            width=column.width if fits else None,
            justify="right" if column.right else "left",
            style=column.style,
            overflow="fold",
            no_wrap=column.right or column.whole,
        )
    for row in rows:
        made.add_row(*map(inert, row))
    console.print(indented(made, by) if by else made)


def inert(what: RenderableType) -> RenderableType:
    """Text with what isn't to be seen made visible; anything else as it is."""
    if isinstance(what, str):
        return Text(visible(what))
    if isinstance(what, Text):
        what.plain = visible(what.plain)
    return what


class Terminal(Console):
    """A console on which what others wrote does nothing: no markup, no control characters."""

    def __init__(self) -> None:
        # An old console of Windows wraps in its last column; a file or a pipe doesn't.
        legacy = None if sys.stdout.isatty() else False
        super().__init__(markup=False, emoji=False, highlight=False, legacy_windows=legacy)

    def print(self, *objects: Any, **options: Any) -> None:
        """Prints as Console does."""
        super().print(*map(inert, objects), **options)


def indented(what: RenderableType, by: int = 2) -> Padding:
    """Something to print, set in from the left."""
    return Padding(inert(what), (0, 0, 0, by))


def say(console: Console, text: str, style: str = "") -> None:
    """Prints a line as it is, brackets and numbers included; a long one isn't broken."""
    console.print(Text(text, style), soft_wrap=True)


def say_wrapped(console: Console, text: str, style: str = "", by: int = 0) -> None:
    """Prints a paragraph, set in from the left."""
    told = Text(text, style)
    console.print(indented(told, by) if by else told)
