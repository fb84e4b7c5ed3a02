"""`flangeback match`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.completing import frame_names
from flangeback.cli.ending import NEEDS_PERSON, print_json
from flangeback.cli.shared import (
    Json,
    KitFile,
    Logs,
    Outings,
    Report,
    is_one,
    matched,
    read_session,
    tell_next,
    terminal,
)

Explain = Annotated[
    str | None,
    typer.Option(
        "--explain",
        metavar="FRAME",
        help="Say of one frame why it came to what it came to.",
        autocompletion=frame_names,
    ),
]


def match(
    folders: Outings,
    log: Logs = None,
    kit: KitFile = None,
    report_file: Report = None,
    explain: Explain = None,
    json: Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
    found_outings = flangeback.find_outings(folders, log)
    if not is_one(found_outings):
        if explain is not None:
            raise flangeback.InputError("--explain asks of one outing: name its folder alone")
        _match_each(found_outings, kit, report_file, json=json)
        return
    frames = folders[0]
    if explain is not None:
        _explain(explain, frames, log, kit, json=json)
        return
    found = matched(frames, log, kit, over=False, quiet=json)
    if report_file:
        report.pages.write_match_page(report_file, found, frames.resolve().name, None)
    if json:
        print_json(report.documents.match_document(found))
    else:
        report.terminal.show_matches(terminal(), found)
        given = [word for each in log or () for word in ("--log", str(each))]
        given += ["--kit", str(kit)] if kit else []
        tell_next(report.terminal.after_match(found, str(frames), given))
    if found.needs_person:
        raise typer.Exit(NEEDS_PERSON)


def _match_each(
    found: list[flangeback.Outing], kit: Path | None, page: Path | None, *, json: bool
) -> None:
    def work(outing: flangeback.Outing) -> flangeback.Matches:
        return matched(outing.folder, None, kit or outing.kit, over=False, quiet=json)

    def show(outing: flangeback.Outing, matches: flangeback.Matches) -> None:
        report.terminal.show_matches(terminal(), matches)

    done = outings.each(found, work, show, json=json)
    for one in done:
        if page is not None and one.found is not None:
            own = report.pages.beside(page, one.outing.name)
            report.pages.write_match_page(own, one.found, one.outing.name, None)
    told = lambda matches: report.terminal.totals_line(matches).plain  # noqa: E731
    outings.finish(done, report.documents.match_document, told, json=json)
    if any(one.found is not None and one.found.needs_person for one in done):
        raise typer.Exit(NEEDS_PERSON)


def _explain(
    name: str, frames: Path, logs: list[Path] | None, kit: Path | None, *, json: bool
) -> None:
    session = read_session(frames, logs, kit, quiet=json)
    matches = flangeback.match_frames(session.frames, session.logs, session.kit)
    found = flangeback.explain(name, matches, session.logs)
    if json:
        print_json(report.documents.explain_document(found))
    else:
        for line in report.explanation.explanation_lines(found):
            print(line)
    if found.match.outcome.needs_person:
        raise typer.Exit(NEEDS_PERSON)
