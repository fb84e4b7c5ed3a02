"""The values of a fill, as tags: exact rationals, APEX, 7-bit text. Knows no files."""

from flangeback.kit.optics import equivalent_35mm
from flangeback.tags.apex import aperture_value
from flangeback.tags.decide import Fill, decide, effective, make_fill
from flangeback.tags.table import TAGS, TIME_TAGS, Tag, TagValue
from flangeback.tags.times import true_time, without_time

__all__ = [
    "TAGS",
    "TIME_TAGS",
    "Fill",
    "Tag",
    "TagValue",
    "aperture_value",
    "decide",
    "effective",
    "equivalent_35mm",
    "make_fill",
    "true_time",
    "without_time",
]
