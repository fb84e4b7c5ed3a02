"""Which lenses and f-numbers an outing, or a library, was made with."""

from flangeback.tally.model import Count, Taken, Tally
from flangeback.tally.tallying import tally_folders

__all__ = ["Count", "Taken", "Tally", "tally_folders"]
