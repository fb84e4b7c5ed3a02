"""How a command ends: its exit code, and what keeps it from its work as one message."""

from __future__ import annotations

import errno
import io
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from inspect import cleandoc
from typing import Any

import typer
import typer.core

from flangeback.errors import InputError
from flangeback.words import escaped, visible

NEEDS_PERSON, WRONG, UNPROVED = 1, 2, 3
"""Exit codes besides 0."""
_USUAL_COLUMNS = 80
JSON = "flangeback.json"
"""Under this name the context of a command knows whether JSON was asked for."""
_UsageError: Any = typer.BadParameter.__base__
"""What typer raises for words that are no command line; it has no public name."""


class WholeHelp(typer.core.TyperGroup):
    """Commands of which the help says the first paragraph whole: typer's own cuts it."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Writes the list of the commands."""
        rows = []
        for name in self.list_commands(ctx):
            command: Any = self.get_command(ctx, name)
            rows.append((name, cleandoc(command.help).partition("\n\n")[0]))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class Commands(WholeHelp):
    """The commands, none of which ends in a traceback.

    Wrong input, and whatever the operating system refuses, ends them with one message on stderr
    (and as JSON if that was asked for) and exit 2.
    """

    def make_context(self, *given: Any, **more: Any) -> Any:
        """Reads the words before the command, of which --help and --version print."""
        with _ending({}), _inert():
            return super().make_context(*given, **more, color=_colours())

    def invoke(self, ctx: Any) -> Any:
        """Runs the command that was called."""
        with _ending(ctx.meta):
            with _inert():
                done = super().invoke(ctx)
            sys.stdout.flush()
        return done


def _colours() -> bool | None:
    """Whether styles are wanted, None for at a terminal alone (common practice: NO_COLOR)."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return True if os.environ.get("FORCE_COLOR") else None


@contextmanager
def _ending(meta: dict[str, Any]) -> Iterator[None]:
    """Turns what keeps a command from its work into one message and exit 2."""
    try:
        yield
    except InputError as error:
        raise _refused(error, json=meta.get(JSON, False)) from None
    except OSError as error:
        if _reader_left(error):
            _drop_output()
            raise typer.Exit(WRONG) from None
        fault = InputError.at(error.filename or "", error.strerror or str(error))
        raise _refused(fault, json=meta.get(JSON, False)) from None
    except KeyboardInterrupt:
        typer.echo("stopped", err=True)
        raise typer.Exit(WRONG) from None


@contextmanager
def _inert() -> Iterator[None]:
    """Lets typer repeat words of the command line with what isn't to be seen made visible."""
    try:
        yield
    except _UsageError as error:
        error.message = visible(error.message)
        raise


def _refused(error: InputError, *, json: bool) -> typer.Exit:
    for problem in error.problems:
        typer.echo(_emphasised(visible(problem.told(narrow_width()))), err=True)
    try:
        if json:
            from flangeback.report import documents

            print_json(documents.error_document(error))
        sys.stdout.flush()
    except OSError:
        _drop_output()
    return typer.Exit(WRONG)


def _emphasised(told: str) -> str:
    """A fault with its place and its caret made to stand out, where the terminal has colours."""
    first, *others = told.split("\n")
    place, colon, text = first.partition(": ")
    rows = [typer.style(place, bold=True) + colon + text if colon else first]
    rows += [typer.style(row, fg="red") if set(row) <= {" ", "\t", "^"} else row for row in others]
    return "\n".join(rows)


def _reader_left(error: OSError) -> bool:
    """Whether the reader of our output left, as `head` does: to Windows an invalid argument."""
    if sys.platform == "win32" and error.errno == errno.EINVAL and error.filename is None:
        return True
    return isinstance(error, BrokenPipeError)


def columns() -> int:
    """How many columns the terminal has; a usual number where there is none."""
    from flangeback.system import terminal_columns

    return shutil.get_terminal_size((terminal_columns(_USUAL_COLUMNS), 24)).columns


def narrow_width() -> int | None:
    """The columns of a terminal that is narrower than text is written for, such as a phone's."""
    return columns() if columns() < _USUAL_COLUMNS else None


def _drop_output() -> None:
    """Drops what is still to be written; Python would complain of it at its end (module signal)."""
    from flangeback.system import discard_output

    with suppress(OSError):
        discard_output(sys.stdout.fileno())


def print_json(document: dict[str, Any]) -> None:
    """Prints a document; what isn't text in a file's name is escaped (RFC 8259, 7)."""
    import json

    print_exactly(escaped(json.dumps(document, indent=1, ensure_ascii=False)) + "\n")


def print_exactly(text: str) -> None:
    """Prints what a program reads or a file takes: as UTF-8, whatever the terminal's encoding."""
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))


def replace_what_cant_be_shown() -> None:
    """Lets the terminal show another character where its encoding lacks one."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def end_of_crash(error: Exception) -> None:
    """Tells of a fault of flangeback's own and ends with exit 2: 1 would say that the run was done.

    `python -X dev -m flangeback` raises it instead.
    """
    if sys.flags.dev_mode:
        raise error
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    where = f"{place.tb_frame.f_code.co_filename}, line {place.tb_lineno}" if place else "unknown"
    typer.echo(f"a fault of flangeback itself: {type(error).__name__}: {error} ({where})", err=True)
    sys.exit(WRONG)
