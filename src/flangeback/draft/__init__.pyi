from .drafting import draft_log as draft_log
from .pieces import read_pictures as read_pictures
from .pieces import slate_files as slate_files
