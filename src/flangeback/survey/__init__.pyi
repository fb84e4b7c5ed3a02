from .model import BodyName as BodyName
from .model import BodySurvey as BodySurvey
from .model import FrameSequence as FrameSequence
from .model import Survey as Survey
from .surveying import survey_folder as survey_folder
from .surveying import survey_frames as survey_frames
