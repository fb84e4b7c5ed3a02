"""The frames of a folder: scanned by content, with camera time, body and lens data."""

from flangeback.frames.model import CameraTime, Exposure, FocalPlane, Frame, LensData
from flangeback.frames.reading import read_frame
from flangeback.frames.scanning import folders_of_copies, scan

__all__ = [
    "CameraTime",
    "Exposure",
    "FocalPlane",
    "Frame",
    "LensData",
    "folders_of_copies",
    "read_frame",
    "scan",
]
