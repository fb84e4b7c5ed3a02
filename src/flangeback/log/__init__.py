"""The session log: what was noted during the outing, read into entries and spans."""

from flangeback.log.model import SessionLog
from flangeback.log.reading import LogError, parse_log, read_log

__all__ = ["LogError", "SessionLog", "parse_log", "read_log"]
