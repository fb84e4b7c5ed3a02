"""The terminal's tables: frames grouped by span, doubts in plain words, totals last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.copies.model import Filled, Verified
from flangeback.demo.tour import Tour
from flangeback.kit.model import Kit
from flangeback.match.model import NO_ENTRY, FrameMatch, Matches, Outcome
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


@dataclass(frozen=True, slots=True)
class _Run:
    """Frames that follow one another, of one body, to one outcome with one fill by one entry."""

    frames: tuple[FrameMatch, ...]

    @property
    def first(self) -> FrameMatch:
        return self.frames[0]

    @property
    def last(self) -> FrameMatch:
        return self.frames[-1]


def show_matches(console: Console, matches: Matches) -> None:
    """Prints what the frames come to."""
    in_order = sorted(matches.frames, key=_place)
    for title, frames in groupby(in_order, key=_title):
        shown = list(frames)
        _show_body(console, title, shown, tuple(sensor_lines(matches, shown[0].body)))
    console.print(totals_line(matches))


def _title(found: FrameMatch) -> str:
    if found.outcome == Outcome.UNREADABLE and found.body is None:
        return "unreadable"
    return found.body or "no body of the kit"


def _place(found: FrameMatch) -> tuple[bool, str, bool, str, str]:
    """By body, then by the camera's own time; what has none comes last."""
    time = found.frame.time
    return (
        found.body is None,
        _title(found),
        time is None,
        time.at.isoformat() if time else "",
        found.frame.file,
    )


def _show_body(
    console: Console, title: str, frames: Sequence[FrameMatch], sensor: Sequence[str] = ()
) -> None:
    models = {found.frame.model for found in frames if found.frame.model}
    heading = Text(title, style="bold")
    if len(models) == 1:
        heading.append(f"  {models.pop()}", style="default not bold")
    console.print(heading)
    days = {found.time.date() for found in frames if found.time}
    console.print(_table([], heading=days.pop().isoformat() if len(days) == 1 else "time"))
    shown = None
    rows: list[_Run] = []
    for run in _runs(frames):
        day = run.first.time.date().isoformat() if run.first.time else "no time"
        if days and day != shown:
            _flush(console, rows)
            console.print(Text(day, style="dim"))
            shown = day
        rows.append(run)
        notes = list(_notes(run))
        if notes:
            _flush(console, rows)
            for note in notes:
                console.print(Padding(note, (0, 0, 0, 4)))
    _flush(console, rows)
    for line in sensor:
        console.print(Text(line, style="dim"))
    console.print()


def _flush(console: Console, rows: list[_Run]) -> None:
    if rows:
        console.print(_table(rows))
        rows.clear()


def _runs(frames: Sequence[FrameMatch]) -> Iterator[_Run]:
    for _, found in groupby(frames, key=_sameness):
        yield _Run(tuple(found))


def _sameness(found: FrameMatch) -> tuple[object, ...]:
    fill = found.fill
    return (
        found.outcome,
        found.log,
        found.log_line,
        found.reason,
        found.time.date() if found.time else None,
        None if fill is None else (fill.lens.key, fill.f_number, fill.focal_length),
    )


def _table(runs: Sequence[_Run], heading: str | None = None) -> Table:
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


def _cells(run: _Run) -> Iterator[RenderableType]:
    yield _names(run)
    yield str(len(run.frames))
    yield _times(run)
    outcome = run.first.outcome
    yield Text(outcome, style=_STYLES.get(outcome, "default"))
    fill = run.first.fill if outcome.is_filled or outcome == Outcome.AGREE else None
    yield fill.lens.key if fill else ""
    yield _three_digits(fill.f_number) if fill else ""
    yield _three_digits(fill.focal_length) if fill else ""


def _three_digits(value: Decimal | None) -> str:
    if value is None:
        return ""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _names(run: _Run) -> str:
    """ "K7_0202", "K7_0202..0206", or "K7_0202, ...0206" where some between are elsewhere."""
    first, last = run.first.frame, run.last.frame
    name = first.file.rsplit(".", 1)[0]
    if len(run.frames) == 1:
        return name
    start, end = _number(first.stem), _number(last.stem)
    in_a_row = start.isdigit() and end.isdigit() and int(end) - int(start) == len(run.frames) - 1
    return f"{name}..{end}" if in_a_row else f"{name}, ...{end}"


def _number(stem: str) -> str:
    """The number at a name's end, else the name."""
    digits = len(stem) - len(stem.rstrip("0123456789"))
    return stem[-digits:] if digits else stem


def _times(run: _Run) -> str:
    first, last = run.first.time, run.last.time
    if first is None or last is None:
        return ""
    start, end = f"{first:%H:%M}", f"{last:%H:%M}"
    return start if start == end else f"{start}-{end}"


def _notes(run: _Run) -> Iterator[Text]:
    """The reason for the outcome, then each doubt once with the frames it is on."""
    if run.first.reason not in (None, NO_ENTRY):
        yield Text(run.first.reason, style="dim")
    by_text: dict[tuple[str, str], list[str]] = {}
    for found in run.frames:
        for doubt in found.doubts:
            by_text.setdefault((doubt.kind, doubt.text), []).append(found.frame.stem)
    for (kind, text), stems in by_text.items():
        line = Text(f"{kind}: ", style="yellow")
        line.append(text, style="default")
        if len(stems) < len(run.frames):
            line.append(f" ({_some(stems)})", style="dim")
        yield line


def _some(stems: Sequence[str]) -> str:
    shown = ", ".join(stems[:3])
    return shown if len(stems) <= 3 else f"{shown} and {len(stems) - 3} more"


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
        names = _some(verified.strangers)
        console.print(f"not flangeback's: {names}", highlight=False, style="dim")


def show_kit(console: Console, kit: Kit) -> None:
    """Prints a kit as it was understood."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("", "key", "mount", "what"):
        table.add_column(name, overflow="fold")
    for kind, key, mount, what in _gear(kit):
        table.add_row(Text(kind, style="dim"), key, mount, what)
    console.print(table)


def _gear(kit: Kit) -> Iterable[tuple[str, str, str, str]]:
    for body in kit.bodies.values():
        crop = f", crop factor {body.crop_factor:.2f}" if body.crop_factor else ""
        yield "body", body.key, body.mount, f"{body.model or 'any other model'}{crop}"
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
