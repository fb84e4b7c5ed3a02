"""What the commands share: their arguments, the way errors end, progress."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from flangeback.kit import Kit
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
    typer.Option("--kit", metavar="KIT", help="The kit file. [default: kit.toml in FRAMES]"),
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


def print_json(document: dict[str, Any]) -> None:
    import json

    print(json.dumps(document, indent=1, ensure_ascii=False))


def matched(
    frames: Path, logs: list[Path] | None, kit_file: Path | None, *, over: bool, quiet: bool
) -> Matches:
    """The stages up to the outcomes. Raises InputError with the faults of kit and logs."""
    from flangeback.frames import scan
    from flangeback.match import match_frames

    kit, log_files = read_kit_and_logs(frames, logs, kit_file)
    with progress("reading frames", None, quiet=quiet) as step:
        found = scan(frames, lambda count: step(count))
    return match_frames(found, log_files, kit, over=over)


def read_kit_and_logs(
    frames: Path, logs: list[Path] | None, kit_file: Path | None
) -> tuple[Kit, list[Any]]:
    """The kit, then every log by it. Raises InputError with the faults of all logs at once."""
    from flangeback.errors import InputError, Problem
    from flangeback.kit import read_kit
    from flangeback.sessionlog import read_log

    if not frames.is_dir():
        raise InputError(
            Problem(str(frames), "there is no such folder", expected="the folder with the frames")
        )
    kit = read_kit(kit_file or frames / "kit.toml")
    read, problems = [], list[Problem]()
    for path in logs or [frames / "session.txt"]:
        try:
            read.append(read_log(path, kit))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return kit, read


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
