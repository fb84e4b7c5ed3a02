"""The terminal's tables: frames grouped by span, doubts in plain words, totals last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.copies.model import Filled, Verified
from flangeback.demo.tour import Tour
from flangeback.kit.formats import format_named
from flangeback.kit.model import Kit
from flangeback.match.model import Matches, Outcome
from flangeback.report.runs import Note, Run, Section, sections, some_of, three_digits
from flangeback.report.sensor_lines import sensor_lines

_STYLES = {
    Outcome.FILL: "green",
    Outcome.AGREE: "green",
    Outcome.PARTIAL: "yellow",
    Outcome.CONFLICT: "red",
    Outcome.UNSURE: "yellow",
    Outcome.UNLOGGED: "yellow",
    Outcome.UNREADABLE: "red",
}
_WIDTHS = (20, 5, 11, 10, 12, 6, 6)
_HEADINGS = ("frames", "count", "time", "outcome", "lens", "f/", "mm")


def show_matches(console: Console, matches: Matches) -> None:
    """Prints what the frames come to."""
    for section in sections(matches):
        _show_section(console, section, tuple(sensor_lines(matches, section.body)))
    console.print(totals_line(matches))


def _show_section(console: Console, section: Section, sensor: Sequence[str]) -> None:
    heading = Text(section.title, style="bold")
    if section.model:
        heading.append(f"  {section.model}", style="default not bold")
    console.print(heading)
    days = section.days
    console.print(_table([], heading=days[0] if len(days) == 1 else "time"))
    shown = None
    rows: list[Run] = []
    for run in section.runs:
        if len(days) > 1 and run.day != shown:
            _flush(console, rows)
            console.print(Text(run.day, style="dim"))
            shown = run.day
        rows.append(run)
        if run.notes:
            _flush(console, rows)
            for note in run.notes:
                console.print(Padding(_note(note), (0, 0, 0, 4)))
    _flush(console, rows)
    for line in sensor:
        console.print(Text(line, style="dim"))
    console.print()


def _flush(console: Console, rows: list[Run]) -> None:
    if rows:
        console.print(_table(rows))
        rows.clear()


def _table(runs: Sequence[Run], heading: str | None = None) -> Table:
    """Rows of equal widths; `heading` is what stands over the times, where there is a heading."""
    table = Table(box=None, show_header=heading is not None, padding=(0, 1, 0, 0), pad_edge=False)
    names = [heading or name if name == "time" else name for name in _HEADINGS]
    for name, width in zip(names, _WIDTHS, strict=True):
        right = name in ("count", "f/", "mm")
        table.add_column(
            name,
            width=width,
            justify="right" if right else "left",
            header_style="dim",
            overflow="fold",
        )
    for run in runs:
        table.add_row(*_cells(run))
    return table


def _cells(run: Run) -> Iterator[RenderableType]:
    yield run.names
    yield str(len(run.frames))
    yield run.times
    yield Text(run.outcome, style=_STYLES.get(run.outcome, "default"))
    yield run.fill.lens.key if run.fill else ""
    yield three_digits(run.fill.f_number) if run.fill else ""
    yield three_digits(run.fill.focal_length) if run.fill else ""


def _note(note: Note) -> Text:
    if not note.kind:
        return Text(note.text, style="dim")
    line = Text(f"{note.kind}: ", style="yellow")
    line.append(note.text, style="default")
    if note.some:
        line.append(f" ({note.some})", style="dim")
    return line


def totals_line(matches: Matches) -> Text:
    """How many frames came to what."""
    count = len(matches.frames)
    line = Text(f"{count} frame{'s' * (count != 1)}: ")
    for n, (outcome, number) in enumerate(matches.totals.items()):
        line.append(", " if n else "")
        line.append(f"{number} {outcome}", style=_STYLES.get(outcome, "default"))
    return line


def show_filled(console: Console, filled: Filled, out: str) -> None:
    """Prints the outcomes, then what became of the copies."""
    show_matches(console, filled.matches)
    for copy in filled.failed:
        console.print(Text(f"{copy.failure}; removed", style="red"))
    made = sum(copy.verified and not copy.resumed for copy in filled.copies)
    resumed = sum(copy.resumed for copy in filled.copies)
    told = f"{made} copies made and verified in {out}"
    if resumed:
        told += f"; {resumed} stood there already"
    if filled.failed:
        told += f"; {len(filled.failed)} failed the proof"
    console.print(told, highlight=False, soft_wrap=True)


def show_verified(console: Console, verified: Verified, out: str) -> None:
    """Prints which copies failed, and how many didn't."""
    for copy in verified.failed:
        console.print(Text(f"{copy.copy}: {copy.failure}", style="red"))
    sound = [copy for copy in verified.copies if copy.failure is None]
    alone = sum(not copy.source_at_hand for copy in sound)
    told = f"{len(sound)} of {len(verified.copies)} copies in {out} verified"
    if alone:
        told += f"; for {alone} by their digests alone, the frames not being at hand"
    console.print(told, highlight=False, soft_wrap=True)
    if verified.strangers:
        names = some_of(verified.strangers)
        console.print(f"not flangeback's: {names}", highlight=False, style="dim")


def show_kit(console: Console, kit: Kit) -> None:
    """Prints a kit as it was understood."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    for name in ("", "key", "mount", "what"):
        table.add_column(name, overflow="fold")
    for kind, key, mount, what in _gear(kit):
        table.add_row(Text(kind, style="dim"), key, mount, what)
    console.print(table)


def _gear(kit: Kit) -> Iterable[tuple[str, str, str, str]]:
    for body in kit.bodies.values():
        parts = [body.model or "any other model", format_named(body.sensor)]
        if body.crop_factor is not None:
            parts.append(f"crop {body.crop_factor:.2f}")
        yield "body", body.key, body.mount, ", ".join(part for part in parts if part)
    for lens in kit.lenses.values():
        yield "lens", lens.key, lens.mount, lens.name
    for adapter in kit.adapters.values():
        factor = "" if adapter.factor == 1 else f" {adapter.factor:.3g}"
        mounts = f"{adapter.lens_mount} on {adapter.body_mount}"
        yield "adapter", adapter.key, mounts, f"{adapter.kind}{factor}"


def show_tour(console: Console, tour: Tour) -> None:
    """Prints the made-up outing's way through match, fill and verify."""
    frames, out = tour.outing.frames, tour.out
    console.print(Text("The session log", style="bold"), Text(f"  {tour.outing.log}", style="dim"))
    console.print(
        Padding(tour.outing.log.read_text("utf-8").rstrip(), (0, 0, 1, 2)), highlight=False
    )
    show_filled(console, tour.filled, str(out))
    show_verified(console, tour.verified, str(out))
    console.print()
    console.print(_tag_table(tour))
    console.print()
    console.print("To play with it:", style="bold")
    for line in (
        f"flangeback match {frames}",
        f"flangeback fill {frames} --into {out}",
        f"flangeback verify {out}",
    ):
        console.print(f"  {line}", highlight=False, soft_wrap=True)


def _tag_table(tour: Tour) -> Group:
    """One frame's tags in the original and in the copy."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("tag", "before", "after"):
        table.add_column(name, overflow="fold")
    for change in tour.changes:
        style = "green" if change.before != change.after else ""
        table.add_row(change.name, Text(change.before, style="dim"), Text(change.after, style))
    title = f"{tour.shown}, as ExifRead sees it in the original and in the copy"
    return Group(Text(title, style="bold"), table)
