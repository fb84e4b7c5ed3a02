"""`flangeback survey`."""

from __future__ import annotations

from flangeback.cli.shared import Frames, Json, ends_cleanly, print_json, progress


def survey(frames: Frames, json: Json = False) -> None:
    """Say what lens data the frames lack, body by body. Needs no log and no kit.

    Example: flangeback survey 2026-05-17
    """
    with ends_cleanly(json):
        from flangeback.report.survey import survey_document, survey_lines
        from flangeback.survey import survey_folder

        with progress("reading frames", None, quiet=json) as step:
            found = survey_folder(frames, step)
        if json:
            print_json(survey_document(found))
        else:
            from flangeback.kit import places

            has_kit = places.kit_file(None, frames).exists()
            for line in survey_lines(found, str(frames), has_kit=has_kit):
                print(line)
