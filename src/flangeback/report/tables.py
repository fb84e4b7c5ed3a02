"""The terminal's tables: all of one kind, without rules."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Console, RenderableType
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.words import visible

_OPEN = 12
"""Characters that a column without a width of its own gets at least, if its cells need them."""


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

    Where the terminal is narrower than all columns, what there is goes where most is wanted, and
    no word is cut as long as all columns' longest words have room.
    """
    cells = [[inert(cell) for cell in row] for row in rows]
    made = Table(
        box=None, show_header=heading, padding=(0, gap, 0, 0), pad_edge=False, header_style="dim"
    )
    room = console.width - by - gap * len(columns) + gap
    fits = sum(column.width or _OPEN for column in columns) <= room
    widths = _narrowed(console, columns, cells, room) if not fits else [c.width for c in columns]
    for column, width in zip(columns, widths, strict=True):
        made.add_column(
            column.name,
            width=width,
            justify="right" if column.right else "left",
            style=column.style,
            overflow="fold",
            no_wrap=column.right or column.whole,
        )
    for row in cells:
        made.add_row(*row)
    console.print(indented(made, by) if by else made)


def _narrowed(
    console: Console, columns: Sequence[Column], rows: Sequence[Sequence[RenderableType]], room: int
) -> list[int | None]:
    """Widths of which each holds its column's longest word; all None where they need more room."""
    least, most = [], []
    for column, *cells in zip(columns, *rows, strict=True):
        needs = [Measurement.get(console, console.options, cell) for cell in (column.name, *cells)]
        most.append(max(need.maximum for need in needs))
        whole = column.right or column.whole
        least.append(most[-1] if whole else max(need.minimum for need in needs))
    for _ in range(room - sum(least)):
        wanted = [wide - narrow for narrow, wide in zip(least, most, strict=True)]
        least[wanted.index(max(wanted))] += 1
    return [*least] if sum(least) <= room else [None] * len(columns)


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
