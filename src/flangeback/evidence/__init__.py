"""What frames themselves tell of a change: the pauses between them, and the light in them.

Numbers only: it knows neither logs nor kits. `match` asks it where an entry leaves something open.
"""

from flangeback.evidence.pictures import PictureLight, PictureReader, read_picture
from flangeback.evidence.slates import Glimpse, SlateSign, slate_signs

__all__ = [
    "Glimpse",
    "PictureLight",
    "PictureReader",
    "SlateSign",
    "read_picture",
    "slate_signs",
]
