"""Values into a file's metadata with nothing moved: the edit as a list of splices."""

from flangeback.embed.jpeg import edit_jpeg
from flangeback.embed.model import Refused, Splice

__all__ = ["Refused", "Splice", "edit_jpeg"]
