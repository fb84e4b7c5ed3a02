"""What the commands share: their arguments, the way errors end, progress."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from flangeback.errors import Problem
    from flangeback.frames import Frame
    from flangeback.kit import Kit
    from flangeback.log import SessionLog
    from flangeback.match import Matches

NEEDS_PERSON, WRONG, UNPROVED = 1, 2, 3
"""Exit codes besides 0."""

Frames = Annotated[Path, typer.Argument(metavar="FRAMES", help="The folder with the frames.")]
Logs = Annotated[
    list[Path] | None,
    typer.Option(
        "--log",
        metavar="LOG",
        help="A session log; may be given more than once. [default: session.txt in FRAMES]",
    ),
]
KitFile = Annotated[
    Path | None,
    typer.Option(
        "--kit",
        metavar="KIT",
        help="The kit file. [default: kit.toml in FRAMES, else in your configuration folder]",
    ),
]
Report = Annotated[
    Path | None, typer.Option("--report", metavar="FILE.html", help="Also write a page of it.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")]


@contextmanager
def ends_cleanly(json: bool) -> Iterator[None]:
    """Wrong input ends the command with its problems on stderr (and as JSON if asked), exit 2."""
    from flangeback.errors import InputError

    try:
        yield
    except InputError as error:
        typer.echo(str(error), err=True)
        if json:
            from flangeback.report.document import error_document

            print_json(error_document(error))
        raise typer.Exit(WRONG) from None
    except BrokenPipeError:
        # The reader of our output left, as `head` does.
        sys.stderr.close()
        raise typer.Exit(WRONG) from None


def terminal() -> Console:
    """The terminal for tables. Names are printed as they are: brackets in them style nothing."""
    from rich.console import Console

    return Console(markup=False, emoji=False)


def tell_next(lines: Iterable[str]) -> None:
    """What to do next, for a person at a terminal; a program that reads along doesn't ask."""
    if at_terminal():
        for line in lines:
            typer.echo(line, err=True)


def at_terminal() -> bool:
    return sys.stderr.isatty()


def print_json(document: dict[str, Any]) -> None:
    import json

    print(json.dumps(document, indent=1, ensure_ascii=False))


def matched(
    frames: Path, logs: list[Path] | None, kit_file: Path | None, *, over: bool, quiet: bool
) -> Matches:
    """The stages up to the outcomes. Raises InputError with the faults of kit or logs."""
    from flangeback.match import match_frames

    return match_frames(*gathered(frames, logs, kit_file, quiet=quiet), over=over)


def gathered(
    frames: Path, logs: list[Path] | None, kit_file: Path | None, *, quiet: bool
) -> tuple[tuple[Frame, ...], list[SessionLog], Kit]:
    """What a match takes: frames, logs, kit. Raises InputError with the faults of kit or logs."""
    from flangeback.errors import InputError, Problem
    from flangeback.frames import scan
    from flangeback.kit import places, read_kit
    from flangeback.match import missing_names

    if not frames.is_dir():
        raise InputError(
            Problem(str(frames), "there is no such folder", expected="the folder with the frames")
        )
    kit = read_kit(places.kit_file(kit_file, frames))
    read, problems = read_logs(logs or [frames / "session.txt"], kit)
    with progress("reading frames", None, quiet=quiet) as step:
        found = scan(frames, lambda count: step(count))
    if problems:
        raise InputError(_in_order([*problems, *missing_names(found, read, kit)]))
    return found, read, kit


def read_logs(files: list[Path], kit: Kit) -> tuple[list[SessionLog], list[Problem]]:
    """Every log, as far as it could be read, and the faults of all."""
    from flangeback.errors import InputError, Problem
    from flangeback.log import LogError, read_log

    read, problems = [], list[Problem]()
    for path in files:
        try:
            read.append(read_log(path, kit))
        except LogError as error:
            read.append(error.log)
            problems += error.problems
        except InputError as error:
            problems += error.problems
    return read, problems


def _in_order(problems: list[Problem]) -> list[Problem]:
    """By file, as they first come, then by line and column."""
    files = list(dict.fromkeys(problem.file for problem in problems))
    return sorted(problems, key=lambda one: (files.index(one.file), one.line or 0, one.column or 0))


@contextmanager
def progress(what: str, total: int | None, *, quiet: bool) -> Iterator[Any]:
    """A progress bar on stderr; silent when asked, or when that isn't a terminal.

    Gives a function to call with how much is done.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)
