"""`flangeback survey`."""

from __future__ import annotations

import flangeback
from flangeback import report
from flangeback.cli.ending import print_json
from flangeback.cli.shared import Frames, Json, progress


def survey(frames: Frames, json: Json = False) -> None:
    """Say what lens data the frames lack, body by body. Needs no log and no kit.

    Example: flangeback survey 2026-05-17
    """
    from flangeback.kit.places import kit_file

    with progress("reading frames", None, quiet=json) as step:
        found = flangeback.survey_folder(frames, step)
    if json:
        print_json(report.documents.survey_document(found))
    else:
        has_kit = kit_file(None, frames).exists()
        for line in report.survey.survey_lines(found, str(frames), has_kit=has_kit):
            print(line)
