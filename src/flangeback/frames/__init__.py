"""The frames of a folder: scanned by content, with camera time, body and lens data."""

from flangeback.frames.model import CameraTime, Exposure, FocalPlane, Frame, LensData
from flangeback.frames.reading import read_frame
from flangeback.frames.scanning import passed_over, scan

__all__ = [
    "CameraTime",
    "Exposure",
    "FocalPlane",
    "Frame",
    "LensData",
    "passed_over",
    "read_frame",
    "scan",
]
