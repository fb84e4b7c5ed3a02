"""What the commands share: their arguments, the session they are about, progress, hints."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer
from typer import Argument, Option

import flangeback
from flangeback.cli.ending import JSON, columns
from flangeback.words import visible
from flangeback.workers import at_hand

if TYPE_CHECKING:
    from flangeback.report.outing_page import OutingPage
    from flangeback.report.tables import Terminal

Frames = Annotated[Path, Argument(metavar="FRAMES", help="The folder with the frames.")]
FOLDERS = Argument(
    metavar="FRAMES...",
    help="The folder with the frames; or several, or one above them, each with a session.txt.",
)
Outings = Annotated[list[Path], FOLDERS]
Logs = Annotated[
    list[Path] | None,
    Option(
        "--log",
        metavar="LOG",
        help="A session log; may be given more than once. [default: session.txt in FRAMES]",
    ),
]
KitFile = Annotated[
    Path | None,
    Option(
        "--kit",
        metavar="KIT",
        help="The kit file. [default: kit.toml in FRAMES, else in your configuration folder]",
    ),
]


def html_file(path: Path | None) -> Path | None:
    """The path of a page. Raises InputError where its suffix is another kind of file's."""
    if path is not None and path.suffix.lower() not in (".html", ".htm"):
        expected = f"a name such as {path.with_suffix('.html')}"
        raise flangeback.InputError.at(path, "a page is an HTML file", expected)
    return path


Report = Annotated[
    Path | None,
    Option("--report", metavar="FILE.html", callback=html_file, help="Also write a page of it."),
]


def _remember(ctx: typer.Context, wanted: bool) -> bool:
    ctx.meta[JSON] = wanted
    return wanted


Over = Annotated[bool, Option("--over", help="Write over lens data that contradicts the log.")]
ByLogAlone = Annotated[
    bool, Option("--by-log-alone", help="Use no evidence: no pauses, no light, no look at clocks.")
]
Json = Annotated[
    bool, Option("--json", callback=_remember, help="Print one JSON document instead.")
]
_MOMENT = 0.5
"""Seconds."""


def terminal() -> Terminal:
    """The terminal for tables."""
    from flangeback.report.tables import Terminal

    # An old console of Windows wraps in its last column.
    wraps = sys.platform == "win32" and sys.stdout.isatty()
    return Terminal(typer.echo, columns() - wraps)


def print_lines(lines: Iterable[str]) -> None:
    """Prints lines made inert; one that begins a part stands out where there are colours."""
    begins = True
    for line in map(visible, lines):
        typer.echo(typer.style(line, bold=True) if begins and line else line)
        begins = not line


def asking(*, json: bool) -> Callable[[str], str | None]:
    """What asks on stderr and gives the answer; None once nobody answers, as with `json`."""
    silent = json

    def ask(question: str) -> str | None:
        nonlocal silent
        if silent:
            return None
        try:
            return str(typer.prompt(question, default="", show_default=False, err=True))
        except typer.Abort:
            silent = True
            typer.echo(err=True)
            return None

    return ask


def tell_next(lines: Iterable[str]) -> None:
    """What to do next, for a person at a terminal; a program that reads along doesn't ask."""
    if at_terminal():
        for line in lines:  # A command stays whole: it is there to be pasted.
            typer.echo(line if line.startswith(" ") else fill(line, columns()), err=True)


def at_terminal() -> bool:
    """Whether a person reads along."""
    return sys.stderr.isatty()


def tell_passed_over(frames: Path, but: Collection[Path] = ()) -> None:
    """Says on stderr which folders below aren't looked into; of those in some folders nothing."""
    from flangeback.frames import passed_over

    for folder, what in passed_over(frames):
        if not any((frames / folder).resolve().is_relative_to(one.resolve()) for one in but):
            typer.echo(f"passed over: {folder}, {what}", err=True)


def as_given(logs: list[Path] | None, kit: Path | None) -> list[str]:
    """The options for logs and kit as a command was given them."""
    given = [word for log in logs or () for word in ("--log", str(log))]
    return given + (["--kit", str(kit)] if kit else [])


@at_hand()
def matched(
    outing: flangeback.OutingFolder,
    logs: list[Path] | None,
    kit: Path | None,
    *,
    by_log_alone: bool,
    quiet: bool,
    over: bool = False,
    out: Path | None = None,
) -> tuple[flangeback.Session, OutingPage]:
    """The frames, logs and kit of an outing, and what its frames come to, for a report.

    Values that flangeback wrote itself are no conflict. What a run into `out` noted is taken up.
    """
    from flangeback.copies.own import check_times
    from flangeback.report.outing_page import OutingPage

    with progress("reading frames", None, quiet=quiet) as step:
        session = flangeback.read_session(outing.folder, logs, kit or outing.kit, step)
    tell_passed_over(outing.folder)
    frames = session.frames
    check_times(outing.folder, session.logs)
    own = over or flangeback.own_frames(frames, outing.folder)
    noted = None
    if out is not None:
        from flangeback.copies.manifest import noted_in

        noted = noted_in(out)
    matches = flangeback.match_frames(
        frames, session.logs, session.kit, over=own, by_log_alone=by_log_alone, noted=noted
    )
    return session, OutingPage(outing.title, matches, session.logs, session.kit)


def page_of(report_file: Path, outing: flangeback.OutingFolder, frames: Iterable[Path]) -> Path:
    """Where the page of an outing goes; of one of several that is said."""
    from flangeback.report.pages import own_page

    page = own_page(report_file, outing.name, frames)
    if outing.name:
        typer.echo(f"its page: {page}", err=True)
    return page


@contextmanager
def progress(what: str, total: int | None, *, quiet: bool) -> Iterator[Callable[[int], None]]:
    """A progress bar at a terminal for what takes longer than a moment; gives what advances it."""
    if quiet or not sys.stderr.isatty():
        yield lambda done: None
        return
    begun = time.monotonic()
    with ExitStack() as shown:
        advance: Callable[[int], None] | None = None

        def step(done: int) -> None:
            nonlocal advance
            if advance is None and time.monotonic() - begun > _MOMENT:
                advance = shown.enter_context(_bar(what, total))
            if advance is not None:
                advance(done)

        yield step


@contextmanager
def _bar(what: str, total: int | None) -> Iterator[Callable[[int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)
