"""`flangeback survey`."""

from __future__ import annotations

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.ending import print_json
from flangeback.cli.shared import Json, Outings, is_one, progress


def survey(folders: Outings, json: Json = False) -> None:
    """Say what lens data the frames lack, body by body. Needs no log and no kit.

    Example: flangeback survey 2026-05-17
    """
    from flangeback.kit.places import kit_file

    def work(outing: flangeback.Outing) -> flangeback.Survey:
        with progress("reading frames", None, quiet=json) as step:
            return flangeback.survey_folder(outing.folder, step)

    def show(outing: flangeback.Outing, found: flangeback.Survey) -> None:
        has_kit = (outing.kit or kit_file(None, outing.folder)).exists()
        for line in report.survey.survey_lines(found, str(outing.folder), has_kit=has_kit):
            print(line)

    found = flangeback.find_outings(folders)
    if not is_one(found):
        done = outings.each(found, work, show, json=json)
        told = report.survey.summary_line
        outings.finish(done, report.documents.survey_document, told, json=json)
    elif json:
        print_json(report.documents.survey_document(work(found[0])))
    else:
        show(found[0], work(found[0]))
