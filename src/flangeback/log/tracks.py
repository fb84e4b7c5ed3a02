"""What stands on a body after each of its entries, and which of them one below carries on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

from flangeback.kit import Lens
from flangeback.kit.model import USUAL_NARROWEST
from flangeback.log.model import (
    Aperture,
    ApertureKind,
    Entry,
    FrameGroup,
    Frames,
    Moment,
    Part,
    Setting,
    covers,
)
from flangeback.log.text import Fault, Place
from flangeback.log.values import MOST_APART, geometric_mean, is_marked, stops_apart
from flangeback.words import exact


class Mounting(NamedTuple):
    """How a lens comes onto a body.

    `adapter` is None without one, or where the choice changes nothing; `sets_aperture` is None
    where it can't be told.
    """

    adapter: str | None = None
    sets_aperture: bool | None = None


class State(NamedTuple):
    """What stands on a body after an entry: `lens` None is off; `mounting` None is not known.

    `says_aperture` says that the entry itself gives the aperture, `focal_is_older` that this was
    noted after the focal length: the zoom may have been turned in between. Where it isn't `known`,
    a fault of the log hides what stands there: nothing more is held against the entries that
    follow, until one names a lens.
    """

    line: int
    lens: Lens | None = None
    mounting: Mounting | None = None
    aperture: Aperture | None = None
    focal_length: Decimal | None = None
    focal_is_older: bool = False
    says_aperture: bool = False
    known: bool = True

    def setting(self, file: str) -> Setting:
        """The same as what frames are filled with; `file` is the log's."""
        if self.lens is None:
            return Setting(None, line=self.line, log=file)
        adapter = None if self.mounting is None else self.mounting.adapter
        f_number, said = self._f_number(self.lens), self.says_aperture
        return Setting(self.lens.key, adapter, f_number, self.focal_length, self.line, file, said)

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
        """Why the lens can't have this aperture, which stands here; None where it can."""
        lens = self.lens
        assert lens is not None
        known = lens.widest_at(self.focal_length)
        least, greatest = (min(lens.widest), max(lens.widest)) if known is None else (known, known)
        for stop in aperture.stops:
            meant = _with_point(stop, least, lens.limit) if len(aperture.stops) == 1 else None
            if not least <= stop <= lens.limit:
                return _beyond(place, stop, lens, least, meant)
            # No ring is marked f/28: that is f/2.8 without its point.
            is_known = is_marked(str(stop)) or stop in (lens.narrowest, *lens.widest)
            if meant and not is_known:
                return place.fault(f"no ring is marked f/{stop}", "an f-number of a ring", meant)
        if stops_apart(aperture.stops) > MOST_APART:
            written = f"f/{exact(aperture.stops[0])} and f/{exact(aperture.stops[1])}"
            text = f"{written} are too far apart for a ring that stands between two marks"
            return place.fault(text, "marks next to each other, such as f/4-5.6, or f/?")
        is_widest = len(aperture.stops) == 1 and least <= aperture.stops[0] <= greatest
        if not aperture.stops or is_widest or not self._stays_open(lens):
            return None
        adapter = self.mounting.adapter if self.mounting else None
        neither = f" and {adapter} none either" if adapter else ""
        text = f"{lens.key} has no aperture ring{neither}: it stays wide open"
        return place.fault(text, "no f-number", "open")


def _beyond(place: Place, stop: Decimal, lens: Lens, least: Decimal, meant: str | None) -> Fault:
    """The fault of a stop that the lens's ring doesn't reach."""
    widest, limit = f"f/{exact(least)}", f"f/{exact(lens.limit)}"
    text, expected = f"f/{stop} is wider than {lens.key}'s {widest}", ""
    if stop > lens.limit:
        text = f"f/{stop} is beyond {lens.key}'s {limit}"
        if lens.narrowest is None:
            text = f"f/{stop} is beyond {limit}, the narrowest assumed for {lens.key}"
            expected = f", or narrowest = {stop} in [lens.{lens.key}] of the kit"
    expected = f"an f-number from {widest} to {limit}{expected}"
    return place.fault(text, expected, meant)


def _with_point(stop: Decimal, widest: Decimal, narrowest: Decimal) -> str | None:
    """f/28 may be f/2.8 without its point."""
    written = str(stop)
    is_mark = is_marked(written) and stop <= USUAL_NARROWEST
    if not written.isdigit() or len(written) < 2 or is_mark:
        return None
    guess = Decimal(f"{written[:-1]}.{written[-1]}")
    is_meant = widest <= guess <= narrowest and is_marked(str(guess))
    return f"f/{exact(guess)}" if is_meant else None


@dataclass(slots=True)
class Track:
    """The entries of one body so far, and which of them one below carries on."""

    timed: State | None = None
    opened: State | None = None
    """By time, the last that holds until the next one: it has no end of its own."""
    latest: State | None = None
    framed: list[State] = field(default_factory=list)
    """By frame names, since the last timed one."""
    placed: list[tuple[Frames, State]] = field(default_factory=list)
    """All by frame names, with these."""
    closed: list[tuple[Entry, Moment, Moment]] = field(default_factory=list)
    """Those with a start and an end, with these."""
    first_line: int | None = None
    """Where its `first` stands."""
    order_is_faulty: bool = False
    """A fault in the order of its entries was told: the entries after it make no other."""

    def enter(self, state: State, entry: Entry | None = None) -> None:
        """Note what stands on the body after its entry, or after one that may be any body's."""
        self.latest = state
        if entry is not None and entry.says(Part.FRAMES):
            self.framed.append(state)
            if entry.frames is not None:
                self.placed.append((entry.frames, state))
            return
        self.timed = state
        self.framed.clear()
        if entry is None or entry.end is None:
            self.opened = state

    def base(self, entry: Entry) -> State | None:
        """The state an entry carries on.

        By time, it is the last timed entry's; by frames, that of the narrowest group which covers
        them; by frames' names, else that of the entry above. Raises Fault where it may as well be
        another's.
        """
        if self.timed is None or entry.says(Part.FRAMES):
            return _only_reading(entry, self._by_places(entry))
        needs_lens = entry.lens is None and not entry.off and not entry.lost and self.timed.known
        opened = [self.opened] if self.opened is not None and self.opened.lens is not None else []
        for state in (*opened, *self.framed) if needs_lens else ():
            if not state.known:
                return state
            if state.lens != self.timed.lens:
                raise _two_readings(entry, self.timed, state)
        return self.timed

    def _by_places(self, entry: Entry) -> Sequence[State]:
        """The states that an entry may carry on by its place, the likeliest first."""
        broader: tuple[Frames, State] | None = None
        may_hold = []
        for other, state in self.placed:
            held = covers(other, entry.frames)
            if held and (broader is None or covers(broader[0], other)):
                broader = other, state
            elif held is None:
                may_hold.append(state)
        above = [] if self.latest is None else [self.latest]
        if isinstance(entry.frames, FrameGroup):
            # What stands above a group speaks of other frames, unless it is around the group.
            return (broader[1], *may_hold) if broader is not None else ()
        return (*([broader[1]] if broader is not None else []), *above, *may_hold)


def _only_reading(entry: Entry, states: Sequence[State]) -> State | None:
    """The first of these states, where the entry means the same after each. Raises Fault."""
    if not all(state.known for state in states):
        return State(entry.line, known=False)
    first, *others = states or (None,)
    for other in others if not entry.off and not entry.lost else ():
        if first is not None and other is not None and _means(entry, first) != _means(entry, other):
            raise _two_readings(entry, first, other)
    return first


def _means(entry: Entry, state: State) -> tuple[str, str | None]:
    """The lens and the aperture that stand after an entry which carries on this state."""
    lens = entry.lens or _lens(state)
    if entry.says(Part.APERTURE):
        return lens, None
    return lens, _aperture(state) if lens == _lens(state) else "f/?"


def _lens(state: State) -> str:
    return state.lens.key if state.lens else "off"


def _aperture(state: State) -> str:
    return str(state.aperture or "f/?")


def _two_readings(entry: Entry, *states: State) -> Fault:
    is_lens_open = entry.lens is None and len({_lens(state) for state in states}) > 1
    told, what = (_lens, "lens") if is_lens_open else (_aperture, "f-number")
    readings = (f"{told(state)} as in line {state.line}" for state in states)
    expected = f"the {what} to be named"
    place = entry.place(Part.TIME, Part.ORDER, Part.FRAMES)
    return place.fault(f"{' or '.join(readings)}?", expected)
