"""What lens data a folder of frames lacks, body by body, before there is a log or a kit."""

from flangeback.survey.model import BodyName, BodySurvey, Sight, Stretch, Survey
from flangeback.survey.sighting import sights
from flangeback.survey.surveying import survey_folder, survey_sights

__all__ = [
    "BodyName",
    "BodySurvey",
    "Sight",
    "Stretch",
    "Survey",
    "sights",
    "survey_folder",
    "survey_sights",
]
