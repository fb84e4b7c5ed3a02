"""The entries of one body, as they are read one after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from flangeback.log.model import Entry, FrameGroup, Part, Span
from flangeback.log.places import Frames, covers
from flangeback.log.printing import aperture_text
from flangeback.log.state import State
from flangeback.log.text import Fault


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
    closed: list[tuple[Entry, Span]] = field(default_factory=list)
    """Those with a start and an end."""
    first_lines: dict[str, int] | None = field(default_factory=dict)
    """Where its entries by time and by order begin, and its `first` stands; None after a fault in
    their order was told: the entries after it make no other."""

    def enter(self, state: State, entry: Entry | None = None) -> None:
        """Note what stands on the body after an entry; without one, after any body's."""
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
        them, else that of the entry above. Raises Fault where it may as well be another's.
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
        frames, is_group = entry.frames, isinstance(entry.frames, FrameGroup)
        broader: tuple[Frames, State] | None = None
        others = [] if self.latest is None else [self.latest]
        if is_group and self.opened is not None:
            others.append(self.opened)
        may_hold = []
        for other, state in self.placed:
            held = covers(other, frames)
            if held and (broader is None or covers(broader[0], other)):
                broader = other, state
            elif held is None:
                may_hold.append(state)
            elif is_group and frames is not None and covers(frames, other):
                others.append(state)
        if broader is None:
            return (*others, *may_hold)
        # What stands above a group is narrower: it isn't carried on past the group around both.
        return (broader[1], *([] if is_group else others), *may_hold)


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
    return aperture_text(state.aperture) if state.aperture else "f/?"


def _two_readings(entry: Entry, *states: State) -> Fault:
    is_lens_open = entry.lens is None and len({_lens(state) for state in states}) > 1
    told, what = (_lens, "lens") if is_lens_open else (_aperture, "f-number")
    readings = (f"{told(state)} as in line {state.line}" for state in states)
    expected = f"the {what} to be named"
    place = entry.place(Part.TIME, Part.ORDER, Part.FRAMES)
    return place.fault(f"{' or '.join(readings)}?", expected)
