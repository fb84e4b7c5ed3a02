"""Values into a file's metadata with nothing moved: the edit as a list of splices."""

from flangeback.embed.heif import edit_heif
from flangeback.embed.jpeg import edit_jpeg, edit_jpeg_packet
from flangeback.embed.model import Refused, Splice, applied
from flangeback.embed.tiff import edit_tiff

__all__ = [
    "Refused",
    "Splice",
    "applied",
    "edit_heif",
    "edit_jpeg",
    "edit_jpeg_packet",
    "edit_tiff",
]
