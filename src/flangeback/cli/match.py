"""`flangeback match`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flangeback.cli.completing import frame_names
from flangeback.cli.shared import (
    NEEDS_PERSON,
    Frames,
    Json,
    KitFile,
    Logs,
    Report,
    ends_cleanly,
    gathered,
    matched,
    print_json,
    tell_next,
    terminal,
)

if TYPE_CHECKING:
    from flangeback.match import Matches

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
    report: Report = None,
    explain: Explain = None,
    json: Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
    if explain is not None:
        _explain(explain, frames, log, kit, json)
        return
    with ends_cleanly(json):
        found = matched(frames, log, kit, over=False, quiet=json)
        if report:
            from flangeback.report.match_page import write_match_page

            write_match_page(report, found, frames.resolve().name, None)
        if json:
            from flangeback.report.document import match_document

            print_json(match_document(found))
        else:
            from flangeback.report.terminal import show_matches

            show_matches(terminal(), found)
            _tell_next(found, str(frames), log, kit)
    if found.needs_person:
        raise typer.Exit(NEEDS_PERSON)


def _tell_next(found: Matches, frames: str, logs: list[Path] | None, kit_file: Path | None) -> None:
    from flangeback.report.next_steps import after_match

    given = [word for log in logs or () for word in ("--log", str(log))]
    given += ["--kit", str(kit_file)] if kit_file else []
    tell_next(after_match(found, frames, given))


def _explain(
    name: str, frames: Path, logs: list[Path] | None, kit_file: Path | None, json: bool
) -> None:
    with ends_cleanly(json):
        from flangeback.match import match_frames
        from flangeback.match.explaining import explain
        from flangeback.report.explanation import explanation_document, explanation_lines

        scanned, read, kit = gathered(frames, logs, kit_file, quiet=json)
        found = explain(name, match_frames(scanned, read, kit), read)
        if json:
            print_json(explanation_document(found))
        else:
            for line in explanation_lines(found):
                print(line)
    if found.match.outcome.needs_person:
        raise typer.Exit(NEEDS_PERSON)
