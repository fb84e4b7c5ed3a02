"""From a body's own clock to the log's: offset and drift, and how sure they are."""

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import BodyClock, ClockHistory, Reference, TrueTime

__all__ = ["BodyClock", "ClockHistory", "Reference", "TrueTime", "fit_clock"]
