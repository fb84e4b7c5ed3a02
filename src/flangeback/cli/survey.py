"""`flangeback survey`."""

from __future__ import annotations

import typer

import flangeback
from flangeback import report
from flangeback.cli import outings, shared
from flangeback.cli.ending import NEEDS_PERSON, columns
from flangeback.cli.shared import Json, Outings, Report
from flangeback.match.outings import LOG


def survey(folders: Outings, report_file: Report = None, json: Json = False) -> None:
    """Say what lens data the frames lack, body by body. Needs no log and no kit.

    Example: flangeback survey 2026-05-17
    """
    from flangeback.kit.places import kit_file

    def work(outing: flangeback.OutingFolder) -> flangeback.Survey:
        with shared.progress("reading frames", None, quiet=json) as step:
            found = flangeback.survey_folder(outing.folder, step)
        if report_file:
            path = shared.page_of(report_file, outing, [outing.folder])
            report.pages.write_survey_page(path, found, outing.title)
        shared.tell_passed_over(outing.folder)
        return found

    def show(outing: flangeback.OutingFolder, found: flangeback.Survey) -> None:
        has_kit = (outing.kit or kit_file(None, outing.folder)).exists()
        has_log = (outing.folder / LOG).exists()
        width = min(columns(), 80)
        lines = report.survey.survey_lines(
            found, outing.folder, has_kit=has_kit, has_log=has_log, width=width
        )
        shared.print_lines(lines)
        report.terminal.show_others(shared.terminal(), found.others)

    told, document = report.survey.summary_line, report.documents.survey_document
    found = flangeback.find_outings(folders)
    done, _ = outings.run(found, outings.Work(work, show, told, document), folders, json=json)
    if any(one.damaged for one in done):
        raise typer.Exit(NEEDS_PERSON)
