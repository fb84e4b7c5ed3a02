"""The session log: what was noted during the outing, read into entries and spans."""

from flangeback.log.model import (
    Aperture,
    ApertureKind,
    ClockOffset,
    ClockReference,
    Entry,
    FrameGroup,
    FrameName,
    FrameRange,
    GroupKind,
    Moment,
    OrderWord,
    Part,
    SessionLog,
    Setting,
    Span,
)
from flangeback.log.printing import format_log
from flangeback.log.reading import LogError, parse_log, read_log

__all__ = [
    "Aperture",
    "ApertureKind",
    "ClockOffset",
    "ClockReference",
    "Entry",
    "FrameGroup",
    "FrameName",
    "FrameRange",
    "GroupKind",
    "LogError",
    "Moment",
    "OrderWord",
    "Part",
    "SessionLog",
    "Setting",
    "Span",
    "format_log",
    "parse_log",
    "read_log",
]
