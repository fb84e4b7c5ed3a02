"""`flangeback match`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer
from typer import Option

import flangeback
from flangeback import report
from flangeback.cli import outings, shared
from flangeback.cli.ending import NEEDS_PERSON, columns, print_json

if TYPE_CHECKING:
    from flangeback.report.outing_page import OutingPage

_MOST_COMPLETED = 500


def frame_names(ctx: typer.Context, incomplete: str) -> list[str]:
    """Frames of the folder named before, by their stems."""
    # What stands before an option that is still to be completed isn't taken for arguments yet.
    folder = next(iter([*(ctx.params.get("folders") or ()), *ctx.args]), None)
    if folder is None:
        return []
    found = sorted(
        path.stem
        for path in Path(folder).rglob("*")
        if path.stem.casefold().startswith(incomplete.casefold()) and path.suffix
    )
    return [name for name in dict.fromkeys(found) if name[-1:].isdigit()][:_MOST_COMPLETED]


Explain = Annotated[
    str | None,
    Option(
        "--explain",
        metavar="FRAME|WORD",
        help="Say of one frame why it came to what it came to, or what a word of the table means.",
        autocompletion=frame_names,
    ),
]
Into = Annotated[
    Path | None,
    Option("--into", metavar="OUT", help="Also show what `fill --into OUT` would do there."),
]
Matched = Callable[..., "tuple[flangeback.Session, OutingPage]"]
"""`shared.matched` with the options of the command."""


class Found(NamedTuple):
    """What a match comes to: the frames, the files beside them, and what `fill` would do."""

    page: OutingPage
    others: flangeback.OtherFiles
    planned: tuple[flangeback.FramePreview, ...] | None


def match(
    folders: Annotated[list[Path] | None, shared.FOLDERS] = None,
    log: shared.Logs = None,
    kit: shared.KitFile = None,
    report_file: shared.Report = None,
    explain: Explain = None,
    over: shared.Over = False,
    by_log_alone: shared.ByLogAlone = False,
    into: Into = None,
    json: shared.Json = False,
) -> None:
    """Show what each frame comes to by the session log; write nothing.

    Example: flangeback match 2026-05-17 --kit ~/kit.toml
    """
    from flangeback.copies.foreseeing import foreseen
    from flangeback.match.meanings import MEANINGS

    if explain is not None and (not folders or explain.casefold() in MEANINGS):
        _explain_word(explain, json=json)
        return
    if not folders:
        raise flangeback.InputError("no folder with frames is named")
    found = flangeback.find_outings(folders, log)
    matched = partial(
        shared.matched, logs=log, kit=kit, over=over, by_log_alone=by_log_alone, quiet=json
    )
    if explain is not None:
        _explain(explain, found, matched, json=json)
        return

    def work(outing: flangeback.OutingFolder) -> Found:
        out = into / outing.name if into else None
        session, page = matched(outing, out=out)
        planned = flangeback.preview(page.matches, outing.folder, out) if out else None
        others = flangeback.other_files(outing.folder, session.frames, session.files)
        matches = foreseen(page.matches, outing.folder, planned)
        page = replace(page, matches=matches, remarks=report.terminal.left_lines(others))
        if report_file:
            path = shared.page_of(report_file, outing, [outing.folder])
            report.pages.write_outing_page(path, page)
        return Found(page, others, planned)

    def show(outing: flangeback.OutingFolder, found: Found) -> None:
        page = found.page
        report.terminal.show_matches(shared.terminal(), page.matches, page.cases)
        report.terminal.show_sealed(shared.terminal(), page.matches)
        report.terminal.show_others(shared.terminal(), found.others)
        if into is not None and found.planned is not None:
            report.terminal.show_preview(shared.terminal(), found.planned, str(into / outing.name))
        if not outing.name:
            given = shared.as_given(log, kit)
            shared.tell_next(report.hints.after_match(page.matches, outing.folder, given))

    what = outings.Work(
        work,
        show,
        lambda one: report.terminal.matches_line(one.page.matches),
        lambda one: report.documents.match_document(one.page.matches, one.others, one.planned),
    )
    done, is_left = outings.run(found, what, folders, json=json)
    if is_left or any(one.page.matches.needs_person or one.others.left for one in done):
        raise typer.Exit(NEEDS_PERSON)


def _explain_word(word: str, *, json: bool) -> None:
    from flangeback.match.meanings import meaning_of

    kind, meaning = meaning_of(word)
    if json:
        print_json(report.documents.meaning_document(word, kind, meaning))
    else:
        print(fill(f"{word.casefold()} ({kind}): {meaning}", columns()))


def _explain(
    name: str, found: Sequence[flangeback.OutingFolder], matched: Matched, *, json: bool
) -> None:
    from flangeback.copies.foreseeing import foreseen

    if not outings.is_one(found):
        raise flangeback.InputError("--explain asks of one outing: name its folder alone")
    session, page = matched(found[0])
    matches = foreseen(page.matches, found[0].folder, None)
    why = flangeback.explain(name, matches, session.logs)
    if json:
        print_json(report.documents.explain_document(why))
    else:
        shared.print_lines(report.explanation.explanation_lines(why, min(columns(), 80)))
    if why.match.outcome.needs_person:
        raise typer.Exit(NEEDS_PERSON)
