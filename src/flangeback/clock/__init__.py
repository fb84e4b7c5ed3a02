"""From a body's own clock to the log's: offset and drift, and how sure they are."""

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import BodyClock, Reference, TrueTime

__all__ = ["BodyClock", "Reference", "TrueTime", "fit_clock"]
