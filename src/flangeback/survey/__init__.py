"""What lens data a folder of frames lacks, body by body, before there is a log or a kit."""

from flangeback.survey.model import BodyName, BodySurvey, FrameSequence, Survey
from flangeback.survey.surveying import survey_folder, survey_frames

__all__ = ["BodyName", "BodySurvey", "FrameSequence", "Survey", "survey_folder", "survey_frames"]
