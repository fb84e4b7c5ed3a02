"""The terminal's tables: all of one kind, without rules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table; `width` in characters, None for what its cells need."""

    name: str
    width: int | None = None
    right: bool = False
    style: str = ""


def table(
    columns: Sequence[Column],
    rows: Iterable[Iterable[RenderableType]] = (),
    *,
    heading: bool = True,
    gap: int = 1,
) -> Table:
    """A table of these rows. What is wider than its column goes on in the next line, whole."""
    made = Table(
        box=None, show_header=heading, padding=(0, gap, 0, 0), pad_edge=False, header_style="dim"
    )
    for column in columns:
        made.add_column(
            column.name,
            width=column.width,
            justify="right" if column.right else "left",
            style=column.style,
            overflow="fold",
        )
    for row in rows:
        made.add_row(*row)
    return made


def indented(what: RenderableType, by: int = 2) -> Padding:
    """Something to print, set in from the left."""
    return Padding(what, (0, 0, 0, by))


def say(console: Console, text: str, style: str = "") -> None:
    """Prints a line as it is, brackets and numbers included; a long one isn't broken."""
    console.print(Text(text, style), soft_wrap=True)


def say_wrapped(console: Console, text: str, style: str = "", by: int = 0) -> None:
    """Prints a paragraph, set in from the left."""
    told = Text(text, style)
    console.print(indented(told, by) if by else told)
