"""Frames and session logs become outcomes: what is certain, what isn't, and why."""

from flangeback.match.brightness import PictureLight, PictureReader, read_picture
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.index import missing_names
from flangeback.match.matching import match_frames
from flangeback.match.model import FrameMatch, Matches, Outcome, Source

__all__ = [
    "Doubt",
    "DoubtKind",
    "FrameMatch",
    "Matches",
    "Outcome",
    "PictureLight",
    "PictureReader",
    "Source",
    "match_frames",
    "missing_names",
    "read_picture",
]
