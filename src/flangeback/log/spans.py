"""What the entries of a log mean: everything they don't say carried on, body by body."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal

from flangeback.kit import Adapter, Body, Kit, Lens
from flangeback.log.entries import What
from flangeback.log.faults import Faults, Refusal
from flangeback.log.model import Aperture, ApertureKind, Entry, Moment, Setting, Span
from flangeback.log.text import Place
from flangeback.log.values import tidy


@dataclass(frozen=True, slots=True)
class ReadEntry:
    """An entry with the places of its words, by what they say.

    `lost` says that a fault in it may hide something else that it says; `body_lost` that its body
    can't be told.
    """

    entry: Entry
    content: Place
    places: Mapping[What, Place]
    lost: bool = False
    body_lost: bool = False

    def place(self, *kinds: What) -> Place:
        """Where the first of these stands that it has; else the whole entry."""
        return next((self.places[what] for what in kinds if what in self.places), self.content)


def spans_of(
    entries: Iterable[ReadEntry], kit: Kit, slack: timedelta, faults: Faults
) -> tuple[Span, ...]:
    """The spans of these entries, one for each that is sound, in their order.

    Moments are widened by `slack`. Whatever contradicts the kit or another entry is noted.
    """
    reckoner = _Reckoner(kit, slack, faults)
    spans = (reckoner.take(read) for read in entries)
    return tuple(span for span in spans if span is not None)


@dataclass(frozen=True, slots=True)
class _Way:
    """How a lens comes onto a body. `adapter` is None without one, or where the choice changes
    nothing; `sets_aperture` is None where it can't be told."""

    adapter: str | None
    sets_aperture: bool | None


@dataclass(frozen=True, slots=True)
class _State:
    """What stands on a body after an entry: `lens` None is off; `way` None is not known.

    `unsure` says that a fault of the log hides what stands there: nothing more is held against
    the entries that follow, until one names a lens.
    """

    line: int
    lens: Lens | None = None
    way: _Way | None = None
    aperture: Aperture | None = None
    focal_length: Decimal | None = None
    unsure: bool = False


@dataclass(slots=True)
class _Track:
    """The entries of one body so far."""

    timed: _State | None = None
    latest: _State | None = None
    framed: list[_State] = field(default_factory=list)
    """By frame names, since the last timed one."""
    closed: list[tuple[Span, ReadEntry]] = field(default_factory=list)
    """Those with a start and an end."""
    by_time: int | None = None
    """The line of the first entry by time."""
    by_order: int | None = None
    """The line of the first entry by order."""
    first: int | None = None
    """The line of its `first`."""
    muddled: bool = False
    """Whether a fault in their order was told: the entries after it make no other."""


class _Reckoner:
    def __init__(self, kit: Kit, slack: timedelta, faults: Faults) -> None:
        self.kit = kit
        self.slack = slack
        self.faults = faults
        self.tracks: dict[str | None, _Track] = {}
        self.lost_line: int | None = None

    def take(self, read: ReadEntry) -> Span | None:
        if read.body_lost:
            self._lose_all(read.entry.line)
            return None
        track = self._track(read.entry.body)
        framed = What.FRAMES in read.places
        try:
            state = self._state(read, _carried(read, track, framed))
        except Refusal as refusal:
            self.faults.refuse(read.place(What.TIME, What.FRAMES, What.ORDER), refusal)
            state = _State(read.entry.line, unsure=True)
        if not framed:
            self._check_order(read, track)
        _enter(track, state, framed)
        if state.unsure or read.lost:
            return None
        return self._span(read, state, track)

    def _track(self, body: str | None) -> _Track:
        if body not in self.tracks:
            self.tracks[body] = _Track()
            if self.lost_line is not None:
                _enter(self.tracks[body], _State(self.lost_line, unsure=True), framed=False)
        return self.tracks[body]

    def _lose_all(self, line: int) -> None:
        """An entry that could be any body's may have changed any of them."""
        self.lost_line = line
        for track in self.tracks.values():
            _enter(track, _State(line, unsure=True), framed=False)

    def _check_order(self, read: ReadEntry, track: _Track) -> None:
        """Note an entry by order where none can stand, and one by time among those by order."""
        line = read.entry.line
        order = What.ORDER in read.places
        if order:
            track.by_order = track.by_order or line
        elif What.TIME in read.places:
            track.by_time = track.by_time or line
        fault = None if track.muddled else self._disorder(read, track)
        if order and read.entry.order == "first":
            track.first = track.first or line
        if fault is not None:
            track.muddled = True
            self.faults.refuse(read.place(What.ORDER, What.TIME), fault)

    def _disorder(self, read: ReadEntry, track: _Track) -> Refusal | None:
        """Why the entry can't stand where it stands in its body's order."""
        of = f"{read.entry.body}'s" if read.entry.body else "the body's"
        if track.by_time and track.by_order:
            way, line = (
                ("time", track.by_time)
                if track.by_time < track.by_order
                else ("order", track.by_order)
            )
            text = f"{of} entries go by {way}, since line {line}"
            return Refusal(text, "all of a body's by time, or all by first and then")
        if read.entry.order == "first" and track.first is not None:
            return Refusal(f"{of} `first` stands in line {track.first}", "then")
        if read.entry.order == "then" and track.first is None and self.lost_line is None:
            return Refusal(f"{of} `first` is missing", "a `first` above it")
        return None

    # One entry ---------------------------------------------------------------------------------

    def _state(self, read: ReadEntry, base: _State | None) -> _State:
        entry = read.entry
        if entry.off:
            return _State(entry.line)
        lens = self._lens(read, base)
        if lens is None:
            # A mere remark may stand under off; a fault may hide which lens it is.
            off = base is not None and not base.unsure and not read.lost
            return _State(entry.line, unsure=not off)
        carries = base is not None and not base.unsure and base.lens == lens
        if base is None or not carries:
            # Each lens has its own ring and its own adapter.
            base = _State(entry.line, lens, unsure=base is not None and base.unsure)
        focal_length = self._focal_length(read, lens, base.focal_length)
        way = self._way(read, lens, base, carries=carries)
        aperture = self._aperture(read, lens, base.aperture, focal_length, way)
        return _State(entry.line, lens, way, aperture, focal_length)

    def _lens(self, read: ReadEntry, base: _State | None) -> Lens | None:
        """The lens the entry is about, None where it can't be told or there is none."""
        entry = read.entry
        if entry.lens is not None:
            return self.kit.lenses[entry.lens]
        if read.lost or (base is not None and base.unsure):
            return None
        on = "" if entry.body is None else f" on {entry.body}"
        if base is None and _only_remark(entry) and entry.remark is None:
            return None  # An entry that says nothing has been told so.
        if base is None:
            raise Refusal(f"which lens{on}?", "a lens of the kit, or off")
        if base.lens is None and not _only_remark(entry):
            raise Refusal(
                f"there is no lens{on or ' on the body'} since line {base.line}",
                "a lens of the kit",
            )
        return base.lens

    def _focal_length(self, read: ReadEntry, lens: Lens, carried: Decimal | None) -> Decimal | None:
        given = read.entry.focal_length
        shortest, longest = lens.focal
        if given is not None and not shortest <= given <= longest:
            span = f"{shortest} to {longest} mm" if lens.is_zoom else f"{shortest}mm, or nothing"
            self.faults.add(read.place(What.FOCAL_LENGTH), f"{lens.key} has no {given} mm", span)
            given = carried = None
        if not lens.is_zoom:
            return shortest
        if given is None and not read.lost:
            return carried
        return given

    # Adapters ----------------------------------------------------------------------------------

    def _way(self, read: ReadEntry, lens: Lens, base: _State, *, carries: bool) -> _Way | None:
        """How the lens comes onto the body; None where a fault hides it."""
        entry = read.entry
        try:
            if entry.adapter is not None:
                return self._named_way(entry, lens)
            if read.lost or base.unsure:
                return None
            return base.way if carries else self._only_way(entry, lens)
        except Refusal as refusal:
            self.faults.refuse(read.place(What.ADAPTER, What.LENS), refusal)
            return None

    def _bodies(self, key: str | None) -> Sequence[Body]:
        """The body of this key; without one, every body the log may be about."""
        return tuple(self.kit.bodies.values()) if key is None else (self.kit.bodies[key],)

    def _named_way(self, entry: Entry, lens: Lens) -> _Way:
        assert entry.adapter is not None
        adapter = self.kit.adapters[entry.adapter]
        bodies = self._bodies(entry.body)
        onto = {body.mount for body in bodies}
        if adapter.lens_mount == lens.mount and (not bodies or adapter.body_mount in onto):
            return _Way(adapter.key, adapter.sets_aperture)
        fitting = [found.key for body in bodies for found in self.kit.adapters_for(lens, body)]
        needs = " or ".join(f"{lens.mount} to {mount}" for mount in sorted(onto) or ["the body"])
        raise Refusal(
            f"{adapter.key} brings {adapter.lens_mount} onto {adapter.body_mount}",
            f"an adapter from {needs}",
            fitting[0] if fitting else None,
        )

    def _only_way(self, entry: Entry, lens: Lens) -> _Way:
        bodies = self._bodies(entry.body)
        if not bodies:
            return _Way(None, None)
        ways: dict[str | None, _Way] = {}
        choices: list[Adapter] = []
        for body in bodies:
            if body.mount == lens.mount:
                ways[None] = _Way(None, False)
                continue
            for adapter in self.kit.adapters_for(lens, body):
                ways[adapter.key] = _Way(adapter.key, adapter.sets_aperture)
                choices.append(adapter)
        if not ways:
            onto = " or ".join(f"{body.key} ({body.mount})" for body in bodies)
            raise Refusal(
                f"no adapter in the kit brings {lens.key} ({lens.mount}) onto {onto}",
                "a lens that fits, or the adapter in the kit",
            )
        if len(ways) == 1:
            return next(iter(ways.values()))
        if len(bodies) == 1 and not _alike(choices):
            names = " or ".join(adapter.key for adapter in choices)
            raise Refusal(f"which adapter carries {lens.key}?", f"via {names}")
        sets = {way.sets_aperture for way in ways.values()}
        return _Way(None, sets.pop() if len(sets) == 1 else None)

    # Apertures ---------------------------------------------------------------------------------

    def _aperture(
        self,
        read: ReadEntry,
        lens: Lens,
        carried: Aperture | None,
        focal_length: Decimal | None,
        way: _Way | None,
    ) -> Aperture | None:
        """The aperture given or carried on, in the entry's words; None where a fault hides it.

        It is held against the lens anew whenever something that it depends on is said.
        """
        given = What.APERTURE in read.places
        aperture = read.entry.aperture if given or read.lost else carried
        depends = (What.APERTURE, What.FOCAL_LENGTH, What.ADAPTER)
        if aperture is None or not any(what in read.places for what in depends):
            return aperture
        try:
            _check_range(lens, aperture, focal_length)
            if aperture.stops and _stays_open(lens, way):
                _check_wide_open(lens, aperture, focal_length, way)
        except Refusal as refusal:
            if not given:
                refusal.text += " (carried on)"
            self.faults.refuse(read.place(*depends), refusal)
            return None
        return aperture

    # Spans -------------------------------------------------------------------------------------

    def _span(self, read: ReadEntry, state: _State, track: _Track) -> Span | None:
        entry = read.entry
        span = Span(
            entry.body,
            self._setting(state),
            None if entry.start is None else entry.start.widened(self.slack),
            None if entry.end is None else entry.end.widened(self.slack),
            entry.frames,
            entry.order,
        )
        if span.start is not None:
            self._check_inside(read, span, track)
            # Entries stand in order of time: what has ended before this one can't hold a later.
            track.closed = [
                (other, its)
                for other, its in track.closed
                if other.end is not None and other.end.earliest >= span.start.earliest
            ]
            if span.end is not None:
                track.closed.append((span, read))
        return span

    def _setting(self, state: _State) -> Setting:
        lens, log = state.lens, self.faults.file
        if lens is None:
            return Setting(None, line=state.line, log=log)
        return Setting(
            lens.key,
            None if state.way is None else state.way.adapter,
            _f_number(lens, state),
            state.focal_length,
            state.line,
            log,
        )

    def _check_inside(self, read: ReadEntry, span: Span, track: _Track) -> None:
        """No entry may fall for certain inside one that has an end."""
        assert span.start is not None
        for other, its in reversed(track.closed):
            assert other.start is not None
            assert other.end is not None
            if not _certainly_inside(span, other.start, other.end):
                continue
            written = its.place(What.TIME).text
            inside = "falls inside" if span.end is None else "overlaps"
            self.faults.add(
                read.place(What.TIME),
                f"{inside} line {its.entry.line}'s {written}",
                "that one to end first",
            )
            return


def _carried(read: ReadEntry, track: _Track, framed: bool) -> _State | None:
    """The state an entry carries on from: by frames, the entry above; by time, the last timed one.

    Raises Refusal where an entry by frames between leaves the lens open to doubt.
    """
    if framed or track.timed is None:
        return track.latest
    entry, timed = read.entry, track.timed
    needs = entry.lens is None and not entry.off and not read.lost and not timed.unsure
    for state in track.framed if needs else ():
        if state.unsure:
            return state
        if state.lens != timed.lens:
            first, second = (lens.key if (lens := s.lens) else "off" for s in (timed, state))
            raise Refusal(
                f"{first} as in line {timed.line} or {second} as in line {state.line}?",
                "the lens to be named",
            )
    return timed


def _enter(track: _Track, state: _State, framed: bool) -> None:
    track.latest = state
    if framed:
        track.framed.append(state)
    else:
        track.timed = state
        track.framed.clear()


def _only_remark(entry: Entry) -> bool:
    return entry.adapter is None and entry.aperture is None and entry.focal_length is None


def _alike(adapters: Sequence[Adapter]) -> bool:
    """Whether it makes no difference to any value which of them it was."""
    return len({(adapter.factor, adapter.sets_aperture) for adapter in adapters}) == 1


def _stays_open(lens: Lens, way: _Way | None) -> bool:
    """Whether nothing can stop this lens down."""
    return not lens.aperture_ring and way is not None and way.sets_aperture is False


def _widest(lens: Lens, focal_length: Decimal | None) -> tuple[Decimal, Decimal]:
    """The f-number wide open, as (least, greatest) where it can't be told more closely."""
    known = lens.widest_at(focal_length)
    return (min(lens.widest), max(lens.widest)) if known is None else (known, known)


def _check_range(lens: Lens, aperture: Aperture, focal_length: Decimal | None) -> None:
    widest, _ = _widest(lens, focal_length)
    for stop in aperture.stops:
        if widest <= stop <= lens.narrowest:
            continue
        if stop > lens.narrowest:
            text = f"f/{stop} is beyond {lens.key}'s f/{tidy(lens.narrowest)}"
        else:
            text = f"f/{stop} is wider than {lens.key}'s f/{tidy(widest)}"
        raise Refusal(
            text,
            f"an f-number from f/{tidy(widest)} to f/{tidy(lens.narrowest)}",
            _with_point(stop, widest, lens.narrowest) if len(aperture.stops) == 1 else None,
        )


def _with_point(stop: Decimal, widest: Decimal, narrowest: Decimal) -> str | None:
    """f/28 may be f/2.8 without its point."""
    written = str(stop)
    if not written.isdigit() or len(written) < 2:
        return None
    guess = Decimal(f"{written[:-1]}.{written[-1]}")
    return f"f/{tidy(guess)}" if widest <= guess <= narrowest else None


def _check_wide_open(
    lens: Lens, aperture: Aperture, focal_length: Decimal | None, way: _Way | None
) -> None:
    least, greatest = _widest(lens, focal_length)
    if len(aperture.stops) == 1 and least <= aperture.stops[0] <= greatest:
        return
    adapter = f" and {way.adapter} none either" if way is not None and way.adapter else ""
    raise Refusal(
        f"{lens.key} has no aperture ring{adapter}: it stays wide open", "no f-number", "open"
    )


def _f_number(lens: Lens, state: _State) -> Decimal | None:
    """The f-number as marked on the lens; None where it wasn't noted or can't be told."""
    aperture = state.aperture
    if _stays_open(lens, state.way):
        given = aperture.stops[0] if aperture is not None and aperture.stops else None
        return lens.widest_at(state.focal_length) or given
    if aperture is None or aperture.kind is ApertureKind.NOT_NOTED:
        return None
    if aperture.kind is ApertureKind.OPEN:
        return lens.widest_at(state.focal_length)
    if aperture.kind is ApertureKind.STOP:
        return aperture.stops[0]
    return geometric_mean(*aperture.stops)


def geometric_mean(first: Decimal, second: Decimal) -> Decimal:
    """Midway between two f-numbers in stops, which are logarithmic; to three decimals."""
    return tidy((first * second).sqrt().quantize(Decimal("0.001")))


def _certainly_inside(span: Span, start: Moment, end: Moment) -> bool:
    """Whether the span lies in (or, having an end, overlaps) start-end however they fell."""
    assert span.start is not None
    if span.end is None:
        return start.latest <= span.start.earliest and span.start.latest <= end.earliest
    return span.start.latest <= end.earliest and start.latest <= span.end.earliest
