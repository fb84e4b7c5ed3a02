"""`flangeback match`."""

from __future__ import annotations

import typer

from flangeback.cli.shared import (
    NEEDS_PERSON,
    Frames,
    Json,
    KitFile,
    Logs,
    Report,
    ends_cleanly,
    matched,
    print_json,
    terminal,
)


def match(
    frames: Frames,
    log: Logs = None,
    kit: KitFile = None,
    report: Report = None,
    json: Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
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
    if found.needs_person:
        raise typer.Exit(NEEDS_PERSON)
