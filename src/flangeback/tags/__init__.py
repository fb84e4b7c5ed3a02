"""The values of a fill, as tags: exact rationals, APEX, 7-bit text. Knows no files."""

from flangeback.tags.decide import Fill, decide, make_fill
from flangeback.tags.table import Tag, TagValue
from flangeback.tags.times import true_time

__all__ = ["Fill", "Tag", "TagValue", "decide", "make_fill", "true_time"]
