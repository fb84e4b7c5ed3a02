"""The formats that frames come in, one module each: how to recognise, read and edit them.

Nothing moves in an edit: it is a list of splices, and every byte outside them stays where it is.
"""

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice, applied
from flangeback.formats.table import BY_CODE, BY_SUFFIX, FORMATS, edit_file, recognised

__all__ = [
    "BY_CODE",
    "BY_SUFFIX",
    "FORMATS",
    "Damaged",
    "FileReader",
    "FrameFile",
    "Refused",
    "Splice",
    "applied",
    "edit_file",
    "recognised",
]
