"""What the entries of a log mean: everything they don't say carried on, body by body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal

from flangeback.kit import Adapter, Body, Kit, Lens
from flangeback.log.model import Aperture, Entry, Moment, Part, Span, is_every_frame
from flangeback.log.text import Fault, noted
from flangeback.log.tracks import Mounting, State, Track


def spans_of(
    entries: Sequence[Entry], kit: Kit, file: str, slack: timedelta, faults: list[Fault]
) -> tuple[Span, ...]:
    """The spans of these entries, one for each that is sound, in their order.

    Moments are widened by `slack`. Whatever contradicts the kit or another entry is noted.
    """
    named = tuple(dict.fromkeys(entry.body for entry in entries if entry.body))
    carrier = _Carrier(kit, file, slack, faults, named)
    spans = (carrier.take(entry) for entry in entries)
    return tuple(span for span in spans if span is not None)


@dataclass(slots=True)
class _Carrier:
    kit: Kit
    file: str
    slack: timedelta
    faults: list[Fault]
    named: tuple[str, ...]
    """The bodies that entries name; of one alone, the others may name none."""
    tracks: dict[str | None, Track] = field(default_factory=dict)
    lost_line: int | None = None
    """The last entry that may be any body's."""

    def take(self, entry: Entry) -> Span | None:
        if not self._has_body(entry):
            self.lost_line = entry.line
            for track in self.tracks.values():
                track.enter(State(entry.line, known=False))
            return None
        is_any_bodys = is_every_frame(entry) and len(self.named) > 1
        track = self._track(None if is_any_bodys else self._body(entry))
        state, base = State(entry.line, known=False), None
        with noted(self.faults):
            base = track.base(entry)
            state = self._state(entry, base)
        if not entry.says(Part.FRAMES):
            self._check_order(entry, track)
        for one in self.tracks.values() if is_any_bodys else (track,):
            one.enter(state, entry)
        if not state.known or entry.lost:
            return None
        carries = base is not None and not entry.off and base.lens == state.lens
        return self._span(entry, state, track, base if carries else None)

    def _track(self, body: str | None) -> Track:
        if body not in self.tracks:
            self.tracks[body] = Track()
            if None in self.tracks:
                # What holds for every frame holds for this body's.
                self.tracks[body].framed[:] = self.tracks[None].framed
                self.tracks[body].placed[:] = self.tracks[None].placed
            if self.lost_line is not None:
                self.tracks[body].enter(State(self.lost_line, known=False))
        return self.tracks[body]

    def _has_body(self, entry: Entry) -> bool:
        """Whether it is known which body an entry is about, be it the only one."""
        if entry.body is not None:
            return True
        is_hidden = entry.lost or entry.says(Part.BODY)
        is_open = len(self.named) > 1 and not is_every_frame(entry)
        if is_open and not is_hidden:
            expected = "a body in every entry, or in none: " + " or ".join(self.kit.bodies)
            self.faults.append(entry.place().fault("which body?", expected))
        return not is_open and not is_hidden

    def _body(self, entry: Entry) -> str | None:
        """The body that an entry is about; None where the log names none."""
        return entry.body or next(iter(self.named), None)

    def _check_order(self, entry: Entry, track: Track) -> None:
        """Note an entry by order where none can stand."""
        if not entry.says(Part.ORDER) or track.order_is_faulty:
            return
        place, body = entry.place(Part.ORDER), self._body(entry)
        of = "the body's" if body is None else f"{body}'s"
        if entry.order == "first" and track.first_line is not None:
            fault = place.fault(f"{of} `first` stands in line {track.first_line}", "then")
        elif entry.order == "then" and track.first_line is None and self.lost_line is None:
            fault = place.fault(f"{of} `first` is missing", "a `first` above it")
        else:
            if entry.order == "first":
                track.first_line = entry.line
            return
        self.faults.append(fault)
        track.order_is_faulty = True

    # One entry ---------------------------------------------------------------------------------

    def _state(self, entry: Entry, base: State | None) -> State:
        """What stands on the body from this entry on. Raises Fault where no lens can be told."""
        if entry.off:
            return State(entry.line)
        lens = self._lens(entry, base)
        if lens is None:
            # A mere remark may stand under off; a fault may hide which lens it is.
            is_off = base is not None and base.known and not entry.lost
            return State(entry.line, known=is_off)
        carries = base is not None and base.known and base.lens == lens
        if base is None or not carries:
            # Each lens has its own ring and its own adapter.
            base = State(entry.line, lens, known=base is None or base.known)
        focal_length = self._focal_length(entry, lens, base.focal_length)
        mounting: Mounting | None = None
        with noted(self.faults):
            if entry.adapter is not None:
                mounting = self._named_mounting(entry, lens, self.kit.adapters[entry.adapter])
            elif base.known and not entry.lost:
                mounting = base.mounting if carries else self._only_mounting(entry, lens)
        says_aperture = entry.aperture is not None
        state = State(
            entry.line,
            lens,
            mounting,
            base.aperture,
            focal_length,
            entry.focal_length is None and (says_aperture or base.focal_is_older),
            says_aperture,
        )
        return state._replace(aperture=self._aperture(entry, state))

    def _lens(self, entry: Entry, base: State | None) -> Lens | None:
        """The lens the entry is about, None where it can't be told or there is none."""
        if entry.lens is not None:
            return self.kit.lenses[entry.lens]
        if entry.lost or (base is not None and not base.known):
            return None
        body = None if is_every_frame(entry) else self._body(entry)
        on = "" if body is None else f" on {body}"
        place = entry.place(Part.TIME, Part.FRAMES, Part.ORDER)
        has_news = (entry.adapter, entry.aperture, entry.focal_length) != (None, None, None)
        if base is None and not has_news and entry.remark is None:
            return None  # An entry that says nothing has been told so.
        carried = base.lens if base is not None else None
        if entry.focal_length is not None and not _has(carried, entry.focal_length):
            lenses = [one for one in self.kit.lenses.values() if _has(one, entry.focal_length)]
            if len(lenses) == 1:
                return lenses[0]
        if base is None:
            raise place.fault(f"which lens{on}?", "a lens of the kit, or off")
        if base.lens is None and has_news:
            text = f"there is no lens{on or ' on the body'} since line {base.line}"
            raise place.fault(text, "a lens of the kit")
        return base.lens

    def _focal_length(self, entry: Entry, lens: Lens, carried: Decimal | None) -> Decimal | None:
        given = entry.focal_length
        shortest, longest = lens.focal
        if given is not None and not shortest <= given <= longest:
            span = f"{shortest} to {longest} mm" if lens.is_zoom else f"{shortest}mm, or nothing"
            others = self.kit.lenses.values()
            have = " or ".join(one.key for one in others if one.focal[0] <= given <= one.focal[1])
            span += f"; if another lens was on, its key: {have}" if have else ""
            place = entry.place(Part.FOCAL_LENGTH)
            self.faults.append(place.fault(f"{lens.key} has no {given} mm", span))
            given = carried = None
        if not lens.is_zoom:
            return shortest
        return carried if given is None and not entry.lost else given

    # Adapters ----------------------------------------------------------------------------------

    def _bodies(self, entry: Entry) -> Sequence[Body]:
        """The body of an entry; without one, every body the log may be about."""
        key = None if is_every_frame(entry) else self._body(entry)
        return tuple(self.kit.bodies.values()) if key is None else (self.kit.bodies[key],)

    def _named_mounting(self, entry: Entry, lens: Lens, adapter: Adapter) -> Mounting:
        bodies = self._bodies(entry)
        onto = {body.mount for body in bodies}
        if adapter.lens_mount == lens.mount and (not bodies or adapter.body_mount in onto):
            return Mounting(adapter.key, adapter.sets_aperture)
        fitting = [found.key for body in bodies for found in self.kit.adapters_for(lens, body)]
        needs = " or ".join(f"{lens.mount} to {mount}" for mount in sorted(onto) or ["the body"])
        raise entry.place(Part.ADAPTER).fault(
            f"{adapter.key} brings {adapter.lens_mount} onto {adapter.body_mount}",
            f"an adapter from {needs}",
            next(iter(fitting), None),
        )

    def _only_mounting(self, entry: Entry, lens: Lens) -> Mounting:
        """How the lens comes onto the body when nothing is said of it.

        Raises Fault where there is no way, or more than one that differ.
        """
        bodies = self._bodies(entry)
        if not bodies:
            return Mounting()
        ways = {
            adapter.key: adapter
            for body in bodies
            if body.mount != lens.mount
            for adapter in self.kit.adapters_for(lens, body)
        }
        found = [Mounting(key, adapter.sets_aperture) for key, adapter in ways.items()]
        if any(body.mount == lens.mount for body in bodies):
            found.append(Mounting(sets_aperture=False))
        if not found:
            onto = " or ".join(f"{body.key} ({body.mount})" for body in bodies)
            raise entry.place(Part.LENS).fault(
                f"no adapter in the kit brings {lens.key} ({lens.mount}) onto {onto}",
                "a lens that fits, or the adapter in the kit",
            )
        if len(found) == 1:
            return found[0]
        values = {(adapter.factor, adapter.sets_aperture) for adapter in ways.values()}
        if len(bodies) == 1 and len(values) > 1:
            text = f"which adapter carries {lens.key}?"
            raise entry.place(Part.LENS).fault(text, f"via {' or '.join(ways)}")
        sets = {mounting.sets_aperture for mounting in found}
        return Mounting(None, sets.pop() if len(sets) == 1 else None)

    # Apertures ---------------------------------------------------------------------------------

    def _aperture(self, entry: Entry, state: State) -> Aperture | None:
        """The aperture given or carried on, in the entry's words; None where a fault hides it.

        It is held against the lens anew whenever something that it depends on is said.
        """
        is_given = entry.says(Part.APERTURE)
        aperture = entry.aperture if is_given or entry.lost else state.aperture
        depends = (Part.APERTURE, Part.FOCAL_LENGTH, Part.ADAPTER)
        if aperture is None or not entry.says(*depends):
            return aperture
        fault = state.aperture_fault(entry.place(*depends), aperture)
        if fault is None:
            return aperture
        if not is_given:
            fault.text += " (carried on)"
        self.faults.append(fault)
        return None

    # Spans -------------------------------------------------------------------------------------

    def _span(self, entry: Entry, state: State, track: Track, base: State | None) -> Span:
        said = {
            "lens": entry.lens,
            "adapter": entry.adapter,
            "f_number": entry.aperture,
            "focal_length": entry.focal_length if state.lens and state.lens.is_zoom else 0,
        }
        span = Span(
            entry.body,
            state.setting(self.file),
            None if entry.start is None else entry.start.widened(self.slack),
            None if entry.end is None else entry.end.widened(self.slack),
            entry.frames,
            entry.order,
            frozenset(name for name, one in said.items() if one is None and base is not None),
            base.line if base is not None else 0,
        )
        if span.start is not None:
            self._check_inside(entry, span.start, span.end, track)
        return span

    def _check_inside(self, entry: Entry, start: Moment, end: Moment | None, track: Track) -> None:
        """Note an entry that overlaps one with an end, wherever in their minutes both fall."""
        last = (end or start).earliest
        for other, its_start, its_end in reversed(track.closed):
            if start.latest <= its_end.earliest and its_start.latest <= last:
                what = "overlaps" if end else "falls inside"
                text = f"{what} line {other.line}'s {other.place(Part.TIME).text}"
                self.faults.append(entry.place(Part.TIME).fault(text, "that one to end first"))
                break
        # Entries stand in order of time: what has ended before this one can't hold a later.
        track.closed = [one for one in track.closed if one[2].earliest >= start.earliest]
        if end is not None:
            track.closed.append((entry, start, end))


def _has(lens: Lens | None, focal_length: Decimal) -> bool:
    """Whether a lens can be set to this focal length, in mm."""
    return lens is not None and lens.focal[0] <= focal_length <= lens.focal[1]
