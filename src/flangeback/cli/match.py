"""`flangeback match`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli.completing import frame_names
from flangeback.cli.ending import NEEDS_PERSON, print_json
from flangeback.cli.shared import (
    Frames,
    Json,
    KitFile,
    Logs,
    Report,
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
    frames: Frames,
    log: Logs = None,
    kit: KitFile = None,
    report_file: Report = None,
    explain: Explain = None,
    json: Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
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
