"""A session log to fill in, from a folder of frames."""

from flangeback.draft.drafting import draft_log
from flangeback.draft.pieces import read_pictures, slate_files

__all__ = ["draft_log", "read_pictures", "slate_files"]
