"""One outing or several in a run: one that fails doesn't keep the others from their work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path, PurePath
from typing import Any, Generic, NamedTuple, TypeVar

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import WRONG, print_json
from flangeback.cli.shared import tell_passed_over, terminal
from flangeback.formats import BY_SUFFIX
from flangeback.match.outings import files_outside

T = TypeVar("T")


class Work(NamedTuple, Generic[T]):
    """What a command does for an outing, and how it shows what it found.

    `show` prints it in full, `told` puts it in a line, `document` is it as JSON.
    """

    do: Callable[[flangeback.OutingFolder], T]
    show: Callable[[flangeback.OutingFolder, T], None]
    told: Callable[[T], str]
    document: Callable[[T], dict[str, Any]]


def is_one(outings: Sequence[flangeback.OutingFolder]) -> bool:
    """Whether there is one outing alone, and not one of several."""
    return len(outings) == 1 and not outings[0].name


def run(
    outings: Sequence[flangeback.OutingFolder],
    work: Work[T],
    folders: Sequence[Path] = (),
    *,
    json: bool,
) -> tuple[list[T], bool]:
    """Does the work for each outing, prints what is found, gives it and whether frames are left.

    Of several it says at the end how each came out, and which files of `folders`, where they were
    looked for, lie in none of them; it ends with exit 2 where one failed.
    """
    if is_one(outings):
        found = work.do(outings[0])
        if json:
            print_json(work.document(found))
        else:
            work.show(outings[0], found)
        return [found], False
    done = [(outing.name, *_one_of_several(outing, work, json=json)) for outing in outings]
    outside = tuple(files_outside(folders, outings))
    for folder in folders:
        if folder.is_dir():
            tell_passed_over(folder, [one.folder for one in outings])
    if json:
        documents = [(name, document) for name, _, _, document in done]
        print_json(report.documents.outings_document(documents, outside))
    else:
        rows = ((name, line, found is not None) for name, found, line, _ in done)
        report.terminal.show_outings(terminal(), rows, outside)
    if any(found is None for _, found, _, _ in done):
        raise typer.Exit(WRONG)
    leaves_frames = any(PurePath(file).suffix.lower() in BY_SUFFIX for file in outside)
    return [found for _, found, _, _ in done if found is not None], leaves_frames


def _one_of_several(
    outing: flangeback.OutingFolder, work: Work[T], *, json: bool
) -> tuple[T | None, str, dict[str, Any]]:
    """What is found for one of several outings, None where it fails; it in a line, and as JSON."""
    if not json:
        typer.secho(f"{outing.name}:", bold=True)
    try:
        found = work.do(outing)
    except flangeback.InputError as fault:
        error = fault
    except OSError as fault:
        place = fault.filename or outing.folder
        error = flangeback.InputError.at(place, fault.strerror or str(fault))
    else:
        if not json:
            work.show(outing, found)
            typer.echo()
        return found, work.told(found), work.document(found)
    typer.echo(str(error), err=True)
    first, *others = error.problems
    line = f"not done: {first.text}" + (f" (and {len(others)} more)" if others else "")
    return None, line, report.documents.error_document(error)
