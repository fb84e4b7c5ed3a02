"""Several outings in one run: one that fails doesn't keep the others from their work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import WRONG, print_json
from flangeback.cli.shared import terminal

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Done(Generic[T]):
    """An outing, and what was found of it, or what kept the command from that."""

    outing: flangeback.Outing
    found: T | None
    error: flangeback.InputError | None = None


def each(
    outings: Sequence[flangeback.Outing],
    work: Callable[[flangeback.Outing], T],
    show: Callable[[flangeback.Outing, T], None],
    *,
    json: bool,
) -> list[Done[T]]:
    """Does the work for each outing, and shows it under its name; tells of those that fail."""
    done = list[Done[T]]()
    for outing in outings:
        if not json:
            typer.secho(f"{outing.name}:", bold=True)
        try:
            found = work(outing)
        except flangeback.InputError as error:
            done.append(Done(outing, None, error))
        except OSError as refused:
            problem = flangeback.Problem(str(outing.folder), refused.strerror or str(refused))
            done.append(Done(outing, None, flangeback.InputError(problem)))
        else:
            done.append(Done(outing, found))
            if not json:
                show(outing, found)
        if done[-1].error is not None:
            typer.echo(str(done[-1].error), err=True)
        if not json:
            typer.echo()
    return done


def finish(
    done: Sequence[Done[T]],
    document: Callable[[T], dict[str, Any]],
    told: Callable[[T], str],
    *,
    json: bool,
) -> None:
    """Prints one document, or one table that says how each outing came out.

    Ends with exit 2 where one of them failed.
    """
    if json:
        documents = [
            (one.outing.name, document(one.found) if one.found is not None else _wrong(one.error))
            for one in done
        ]
        print_json(report.documents.outings_document(documents))
    else:
        rows = [
            (one.outing.name, told(one.found), True)
            if one.found is not None
            else (one.outing.name, _first(one.error), False)
            for one in done
        ]
        report.terminal.show_outings(terminal(), rows)
    if any(one.error is not None for one in done):
        raise typer.Exit(WRONG)


def _wrong(error: flangeback.InputError | None) -> dict[str, Any]:
    assert error is not None
    return report.documents.error_document(error)


def _first(error: flangeback.InputError | None) -> str:
    assert error is not None
    first, *others = error.problems
    more = f" (and {len(others)} more)" if others else ""
    return f"not done: {first.text}{more}"
