"""Copies and their proof: written atomically, compared with the source, read back by ExifRead."""

from flangeback.copies.model import CheckedCopy, Filled, FrameCopy, Verified
from flangeback.copies.output import check_place
from flangeback.copies.run import fill
from flangeback.copies.verifying import verify

__all__ = ["CheckedCopy", "Filled", "FrameCopy", "Verified", "check_place", "fill", "verify"]
