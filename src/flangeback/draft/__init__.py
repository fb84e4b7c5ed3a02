"""A session log to fill in, from a folder of frames."""

from flangeback.draft.drafting import draft_log
from flangeback.draft.lights import read_pictures, slate_files
from flangeback.draft.writing import check_new, write_new

__all__ = ["check_new", "draft_log", "read_pictures", "slate_files", "write_new"]
