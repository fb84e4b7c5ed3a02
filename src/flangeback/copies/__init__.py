"""Copies and their proof: written atomically, compared with the source, read back by ExifRead."""

from flangeback.copies.mending import mend
from flangeback.copies.model import (
    CheckedCopy,
    Filled,
    FrameCopy,
    FramePreview,
    SourceNow,
    Verified,
)
from flangeback.copies.others import OtherFiles, other_files
from flangeback.copies.output import check_place
from flangeback.copies.own import own_frames
from flangeback.copies.plan import FillOptions
from flangeback.copies.run import fill, preview
from flangeback.copies.verifying import verify

__all__ = [
    "CheckedCopy",
    "FillOptions",
    "Filled",
    "FrameCopy",
    "FramePreview",
    "OtherFiles",
    "SourceNow",
    "Verified",
    "check_place",
    "fill",
    "mend",
    "other_files",
    "own_frames",
    "preview",
    "verify",
]
