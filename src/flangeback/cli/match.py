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
    FOLDERS,
    ByLogAlone,
    Json,
    KitFile,
    Logs,
    Report,
    as_given,
    matched,
    read_session,
    tell_next,
    terminal,
)

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

    def work(outing: flangeback.OutingFolder) -> flangeback.Matches:
        own_kit = kit or outing.kit
        matches = matched(outing.folder, log, own_kit, quiet=json, by_log_alone=by_log_alone)
        if report_file:
            page = report.pages.own_page(report_file, outing.name)
            report.pages.write_match_page(page, matches, outing.title, None)
        return matches

    def show(outing: flangeback.OutingFolder, matches: flangeback.Matches) -> None:
        report.terminal.show_matches(terminal(), matches)
        if not outing.name:
            given = as_given(log, kit)
            tell_next(report.terminal.after_match(matches, str(outing.folder), given))

    told, document = report.terminal.matches_line, report.documents.match_document
    matches = outings.run(found, outings.Work(work, show, told, document), json=json)
    if any(one.needs_person for one in matches):
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
        for line in report.explanation.explanation_lines(found):
            print(line)
    if found.match.outcome.needs_person:
        raise typer.Exit(NEEDS_PERSON)
