"""`flangeback match`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.completing import frame_names
from flangeback.cli.ending import NEEDS_PERSON, print_json
from flangeback.cli.shared import (
    FOLDERS,
    ByLogAlone,
    Json,
    KitFile,
    Logs,
    Report,
    as_given,
    matched,
    print_lines,
    read_session,
    tell_next,
    terminal,
)

if TYPE_CHECKING:
    from flangeback.report.outing_page import OutingPage

Explain = Annotated[
    str | None,
    typer.Option(
        "--explain",
        metavar="FRAME|WORD",
        help="Say of one frame why it came to what it came to, or what a word of the table means.",
        autocompletion=frame_names,
    ),
]


def match(
    folders: Annotated[list[Path] | None, FOLDERS] = None,
    log: Logs = None,
    kit: KitFile = None,
    report_file: Report = None,
    explain: Explain = None,
    by_log_alone: ByLogAlone = False,
    json: Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
    from flangeback.match.meanings import MEANINGS

    if explain is not None and (not folders or explain.casefold() in MEANINGS):
        _explain_word(explain, json=json)
        return
    if not folders:
        raise flangeback.InputError("no folder with frames is named")
    found = flangeback.find_outings(folders, log)
    if explain is not None:
        if not outings.is_one(found):
            raise flangeback.InputError("--explain asks of one outing: name its folder alone")
        _explain(explain, folders[0], log, kit, by_log_alone=by_log_alone, json=json)
        return
    _match(found, log, kit, report_file, by_log_alone=by_log_alone, json=json)


def _match(
    found: Sequence[flangeback.OutingFolder],
    log: list[Path] | None,
    kit: Path | None,
    report_file: Path | None,
    *,
    by_log_alone: bool,
    json: bool,
) -> None:
    def work(outing: flangeback.OutingFolder) -> OutingPage:
        page = matched(outing, log, kit, quiet=json, by_log_alone=by_log_alone)
        if report_file:
            path = report.pages.own_page(report_file, outing.name)
            report.pages.write_outing_page(path, page)
        return page

    def show(outing: flangeback.OutingFolder, page: OutingPage) -> None:
        report.terminal.show_matches(terminal(), page.matches, page.cases)
        if not outing.name:
            given = as_given(log, kit)
            tell_next(report.terminal.after_match(page.matches, str(outing.folder), given))

    done = outings.Work(
        work,
        show,
        lambda page: report.terminal.matches_line(page.matches),
        lambda page: report.documents.match_document(page.matches),
    )
    pages = outings.run(found, done, json=json)
    if any(page.matches.needs_person for page in pages):
        raise typer.Exit(NEEDS_PERSON)


def _explain_word(word: str, *, json: bool) -> None:
    from flangeback.match.meanings import meaning_of

    kind, meaning = meaning_of(word)
    if json:
        print_json(report.documents.meaning_document(word, kind, meaning))
    else:
        print(f"{word.casefold()} ({kind}): {meaning}")


def _explain(
    name: str,
    frames: Path,
    logs: list[Path] | None,
    kit: Path | None,
    *,
    by_log_alone: bool,
    json: bool,
) -> None:
    session = read_session(frames, logs, kit, quiet=json)
    matches = flangeback.match_frames(
        session.frames, session.logs, session.kit, by_log_alone=by_log_alone
    )
    found = flangeback.explain(name, matches, session.logs)
    if json:
        print_json(report.documents.explain_document(found))
    else:
        print_lines(report.explanation.explanation_lines(found))
    if found.match.outcome.needs_person:
        raise typer.Exit(NEEDS_PERSON)
