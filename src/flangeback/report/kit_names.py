"""The terminal's view of the lens-correction database, and remarks on a kit."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.kit.lensdb import HINT, Entry, LookUp
from flangeback.kit.remarks import Remark
from flangeback.report.kit_text import span

_MOST = 20


def show_remarks(console: Console, found: Sequence[Remark]) -> None:
    """Prints what in a kit is worth a look."""
    for each in found:
        console.print(Text(f"[{each.table}] {each.text}", style="yellow"))


def show_names(console: Console, found: Sequence[LookUp] | None) -> None:
    """Prints which lenses the lens-correction database knows by maker and name, and for the others
    the nearest entries; how to get it where it isn't installed."""
    if found is None:
        text = f"Whether lens corrections find these names the database tells: {HINT}"
        console.print(Text(text, style="dim"))
        return
    known = [each.lens.key for each in found if each.entry is not None]
    if known:
        text = f"Lens corrections know by maker and name: {', '.join(known)}"
        console.print(Text(text, style="green"))
    for each in found:
        if each.entry is None:
            near = "; the nearest:" if each.nearest else ", nor one of its figures"
            text = f"{each.lens.key}: no lens correction has its maker and name{near}"
            console.print(Text(text, style="dim"))
            if each.nearest:
                console.print(Padding(_table(each.nearest), (0, 0, 0, 2)))


def show_entries(console: Console, found: Sequence[Entry]) -> None:
    """Prints entries with the numbers that --pick takes."""
    console.print(_table(found[:_MOST], numbered=True))
    more = len(found) - _MOST
    text = f"{len(found)} entries: choose with --pick N, or say more of the name."
    console.print(f"and {more} more\n{text}" if more > 0 else text, highlight=False)


def _table(found: Sequence[Entry], *, numbered: bool = False) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="dim")
    for name, width in (("N", 2), ("maker", 14), ("name", 28), ("mm", 8), ("f/", 7), ("mount", 12)):
        if name != "N" or numbered:
            table.add_column(name, width=width, overflow="fold")
    for number, entry in enumerate(found, 1):
        row = (
            *([str(number)] if numbered else []),
            entry.maker,
            entry.name,
            span(entry.focal) if entry.focal else "?",
            span(entry.widest) if entry.widest else "?",
            ", ".join(entry.mounts),
        )
        table.add_row(*map(Text, row))
    return table
