"""What stands on a body after an entry, and what its aperture comes to."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from flangeback.kit import Lens
from flangeback.log.model import Aperture, ApertureKind, Setting
from flangeback.log.text import Fault, Place
from flangeback.log.values import geometric_mean
from flangeback.words import exact


@dataclass(frozen=True, slots=True)
class Mounting:
    """How a lens comes onto a body.

    `adapter` is None without one, or where the choice changes nothing; `sets_aperture` is None
    where it can't be told.
    """

    adapter: str | None = None
    sets_aperture: bool | None = None


@dataclass(frozen=True, slots=True)
class State:
    """What stands on a body after an entry: `lens` None is off; `mounting` None is not known.

    `focal_is_older` says that the aperture was noted after the focal length: the zoom may have been
    turned in between. Where it isn't `known`, a fault of the log hides what stands there: nothing
    more is held against the entries that follow, until one names a lens.
    """

    line: int
    lens: Lens | None = None
    mounting: Mounting | None = None
    aperture: Aperture | None = None
    focal_length: Decimal | None = None
    focal_is_older: bool = False
    known: bool = True

    def setting(self, file: str) -> Setting:
        """The same as what frames are filled with; `file` is the log's."""
        if self.lens is None:
            return Setting(None, line=self.line, log=file)
        adapter = None if self.mounting is None else self.mounting.adapter
        return Setting(
            self.lens.key, adapter, self._f_number(self.lens), self.focal_length, self.line, file
        )

    def _stays_open(self, lens: Lens) -> bool:
        """Whether nothing can stop the lens down."""
        mounting = self.mounting
        return not lens.aperture_ring and mounting is not None and mounting.sets_aperture is False

    def _f_number(self, lens: Lens) -> Decimal | None:
        """The f-number as marked on the lens; None where it wasn't noted or can't be told."""
        aperture, widest = self.aperture, lens.widest_at(self.focal_length)
        stops = () if aperture is None else aperture.stops
        if self._stays_open(lens):
            return widest or next(iter(stops), None)
        if aperture is not None and aperture.kind is ApertureKind.OPEN:
            return lens.widest_at(None) if self.focal_is_older else widest
        return geometric_mean(*stops) if len(stops) == 2 else next(iter(stops), None)

    def aperture_fault(self, place: Place, aperture: Aperture) -> Fault | None:
        """What the lens has against this aperture, which stands here."""
        lens = self.lens
        assert lens is not None
        known = lens.widest_at(self.focal_length)
        least, greatest = (min(lens.widest), max(lens.widest)) if known is None else (known, known)
        ends = f"f/{exact(least)}", f"f/{exact(lens.limit)}"
        for stop in aperture.stops:
            if not least <= stop <= lens.limit:
                how, end = ("beyond", ends[1]) if stop > lens.limit else ("wider than", ends[0])
                return place.fault(
                    f"f/{stop} is {how} {lens.key}'s {end}",
                    f"an f-number from {ends[0]} to {ends[1]}",
                    _with_point(stop, least, lens.limit) if len(aperture.stops) == 1 else None,
                )
        is_widest = len(aperture.stops) == 1 and least <= aperture.stops[0] <= greatest
        if not aperture.stops or is_widest or not self._stays_open(lens):
            return None
        adapter = self.mounting.adapter if self.mounting else None
        neither = f" and {adapter} none either" if adapter else ""
        text = f"{lens.key} has no aperture ring{neither}: it stays wide open"
        return place.fault(text, "no f-number", "open")


def _with_point(stop: Decimal, widest: Decimal, narrowest: Decimal) -> str | None:
    """f/28 may be f/2.8 without its point."""
    written = str(stop)
    if not written.isdigit() or len(written) < 2:
        return None
    guess = Decimal(f"{written[:-1]}.{written[-1]}")
    return f"f/{exact(guess)}" if widest <= guess <= narrowest else None
