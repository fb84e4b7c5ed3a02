"""Frames and session logs become outcomes: what is certain, what isn't, and why."""

from flangeback.match.layout import missing_names
from flangeback.match.matching import match_frames
from flangeback.match.model import Doubt, DoubtKind, FrameMatch, Matches, Outcome

__all__ = [
    "Doubt",
    "DoubtKind",
    "FrameMatch",
    "Matches",
    "Outcome",
    "match_frames",
    "missing_names",
]
