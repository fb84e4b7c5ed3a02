"""`flangeback survey`."""

from __future__ import annotations

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.shared import Json, Outings, progress


def survey(folders: Outings, json: Json = False) -> None:
    """Say what lens data the frames lack, body by body. Needs no log and no kit.

    Example: flangeback survey 2026-05-17
    """
    from flangeback.kit.places import kit_file

    def work(outing: flangeback.OutingFolder) -> flangeback.Survey:
        with progress("reading frames", None, quiet=json) as step:
            return flangeback.survey_folder(outing.folder, step)

    def show(outing: flangeback.OutingFolder, found: flangeback.Survey) -> None:
        has_kit = (outing.kit or kit_file(None, outing.folder)).exists()
        for line in report.survey.survey_lines(found, str(outing.folder), has_kit=has_kit):
            print(line)

    told, document = report.survey.summary_line, report.documents.survey_document
    outings.run(
        flangeback.find_outings(folders), outings.Work(work, show, told, document), json=json
    )
