"""What the frames themselves tell where an entry leaves a change open (see `evidence`)."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from flangeback.clock.model import SECOND
from flangeback.evidence import LEAST_PAUSE, ChangeKind, PictureReader
from flangeback.evidence.pauses import pauses_long_enough
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.log.model import Setting
from flangeback.match.judging import Verdict
from flangeback.match.layout import BodyLog, Layout
from flangeback.match.marks import by_slates
from flangeback.match.model import Doubt, DoubtKind
from flangeback.match.order import Order
from flangeback.match.scenes import Scenes
from flangeback.match.stepping import DECIDED, DECIDED_LENS, Light, Told, light_steps, told_by_light
from flangeback.match.timeline import Change, Timeline

_LEAST_STEP = 0.7
"""Stops of a logged change that light may tell: less is within what scenes differ by."""
_AMPLE = 10
"""Times the least pause for a change; a longer one makes the change there no likelier."""
_TOO_SHORT = 0.1
"""Seconds as which a pause counts that is too short for a change: notes err."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What evidence makes of a frame: the settings left, None where it says nothing of them, and
    the doubts that come with it. `verdict` is what it comes to for certain, whatever stood."""

    settings: tuple[Setting | None, ...] | None = None
    doubts: tuple[Doubt, ...] = ()
    verdict: Verdict | None = None


def gather(
    frames: Iterable[Frame], layout: Layout, kit: Kit, pictures: PictureReader
) -> Mapping[str, Finding]:
    """The findings of all bodies, by file; frames of which there are none are left out."""
    by_body: dict[str | None, list[Frame]] = {}
    for frame in frames:
        if frame.damage is None:
            by_body.setdefault(layout.bodies[frame.file], []).append(frame)
    narrowed = []
    findings: dict[str, Finding] = {}
    for body, known in layout.by_body.items():
        made, gear = by_body.get(body, ()), kit.bodies.get(body or "")
        one = _Narrowing(known, made, gear, layout, kit, pictures)
        one.look()
        narrowed.append(one)
    for one in narrowed:
        others = [other.scenes for other in narrowed if other is not one]
        one.tell(others)
        findings |= one.findings(light_steps(one.light.told, one.stretches(), others))
    return findings


@dataclass(slots=True)
class _Placing:
    """A change and the places in the order (shots made before it) where it may have fallen.

    `era` counts the changes up to it; `least` and `most` bound it by the log alone.
    """

    era: int
    change: Change
    before: Setting | None
    least: int
    most: int
    places: Sequence[int]

    @property
    def kind(self) -> ChangeKind | None:
        """What hands had to do; None where the log claims no change of anything."""
        old, new = self.before, self.change.setting
        if (
            old is None
            or new is None
            or replace(old, line=0, log="") == replace(new, line=0, log="")
        ):
            return None
        same = (old.lens, old.adapter) == (new.lens, new.adapter)
        return ChangeKind.RING if same else ChangeKind.LENS


class _Narrowing:
    """The changes of one body among its shots."""

    def __init__(
        self,
        known: BodyLog,
        frames: Sequence[Frame],
        body: Body | None,
        layout: Layout,
        kit: Kit,
        pictures: PictureReader,
    ) -> None:
        self.layout = layout
        self.light = Light()
        self.notes: dict[int, Doubt] = {}
        self.verdicts: Mapping[str, Verdict] = {}
        self.is_by_order = bool(known.by_order)
        if self.is_by_order:
            marked = by_slates(frames, known, body, layout, kit, pictures)
            self.order, self.verdicts, self.notes = marked.order, marked.verdicts, marked.doubts
            self.placings = list(_at_places(marked.changes))
        else:
            self.order = Order.of([f for f in frames if f.file not in layout.slates], known)
            self.placings = list(_placings(known.timeline, self.order))
        self.scenes = Scenes(self.order, kit, body, pictures)

    def look(self) -> None:
        """By pauses first, then what the frames saw where those leave something open."""
        for placing in self.placings:
            if placing.least < placing.most and placing.kind is not None:
                self._by_pauses(placing, placing.kind)
        odds = {
            (placing.era, place): part
            for placing in self.placings
            for place, part in self._odds(placing)
        }
        self.scenes.take(self._timeline(), self.layout.by_name, odds)

    def tell(self, others: Sequence[Scenes]) -> None:
        """By the light, which is told what the pauses leave, and what other bodies saw."""
        self.light = told_by_light(self.scenes, others)
        self._by_light()

    # Pauses ------------------------------------------------------------------------------------

    def _by_pauses(self, placing: _Placing, kind: ChangeKind) -> None:
        places = range(placing.least, placing.most + 1)
        pauses = [self.order.pause(place) for place in places]
        left = [places[n] for n in pauses_long_enough(pauses, kind)]
        if not left or len(left) == len(places):
            return  # Where no pause is long enough the log is in error, and it isn't overruled.
        placing.places = left
        doubt = Doubt(DoubtKind.PLACED_IN_GAP, self._in_gap(placing, kind))
        for at in (*range(placing.least, left[0]), *range(left[-1], placing.most)):
            self.notes[at] = doubt

    def _in_gap(self, placing: _Placing, kind: ChangeKind) -> str:
        what = f"line {placing.change.line}'s change"
        least = f"{LEAST_PAUSE[kind]:.0f} s"
        if len(placing.places) > 1:
            return f"{what} takes {least} at the least, and no pause on its other side is as long"
        place = placing.places[0]
        shots = self.order.shots
        if place == 0:
            return f"{what} came before {shots[0].frame.stem}: no pause after it is {least} long"
        if place == len(shots):
            return f"{what} came after {shots[-1].frame.stem}: no pause before it is {least} long"
        between = f"{shots[place - 1].frame.stem} and {shots[place].frame.stem}"
        seconds = (shots[place].start - shots[place - 1].start) / 1_000_000
        return f"{what} was made in the {seconds:.0f} s between {between}: no other pause fits it"

    # Light -------------------------------------------------------------------------------------

    def _odds(self, placing: _Placing) -> Iterator[tuple[int, float]]:
        """How likely a change was made at each of its places: the longer a pause, the likelier, up
        to what is ample."""
        seconds = [self._seconds(placing, place) for place in placing.places]
        whole = sum(seconds)
        yield from (
            (place, one / whole) for place, one in zip(placing.places, seconds, strict=True)
        )

    def _seconds(self, placing: _Placing, place: int) -> float:
        """The part of a pause in which a change may have been made."""
        shots, least = self.order.shots, placing.change.earliest
        most = placing.change.latest
        if place > 0:
            least = max(least, shots[place - 1].true.latest)
        if place < len(shots):
            most = min(most, shots[place].true.earliest)
        least_pause = LEAST_PAUSE[placing.kind or ChangeKind.RING]
        if self.order.pause(place) <= least_pause:
            return _TOO_SHORT
        return max(_TOO_SHORT, min((most - least) / SECOND, least_pause * _AMPLE))

    def _by_light(self) -> None:
        """Each change lies after every look that the light has before it, and the other way
        round; if the light stood still while it was made."""
        told = self.light.told
        starts = [one.seen.start for one in told]
        for placing in self.placings:
            if placing.kind is None or len(placing.places) < 2:
                continue
            change = self.scenes.turn(placing.before, placing.change.setting)
            if abs(change) > _LEAST_STEP and self.light.is_steady_at(placing.era):
                first = bisect_left(starts, placing.places[0])
                last = bisect_left(starts, placing.places[-1])
                self._place(placing, told[first:last])

    def _place(self, placing: _Placing, inside: Sequence[Told]) -> None:
        odds = DECIDED if placing.kind is ChangeKind.RING else DECIDED_LENS
        after = [one.seen.start for one in inside if 1 - one.after(placing.era) < odds]
        before = [one.seen.end for one in inside if one.after(placing.era) < odds]
        least, most = max(before, default=0), min(after, default=len(self.order.shots))
        left = [place for place in placing.places if least <= place <= most]
        if left and len(left) < len(placing.places):
            self._note(placing, left)

    def _note(self, placing: _Placing, left: Sequence[int]) -> None:
        old, new = placing.before, placing.change.setting
        assert old is not None
        assert new is not None
        text = (
            f"made within the change of line {placing.change.line}: "
            f"the light tells {_shown(old, new)} from {_shown(new, old)}"
        )
        doubt = Doubt(DoubtKind.NEAR_CHANGE, text)
        places = placing.places
        for at in (*range(places[0], left[0]), *range(left[-1], places[-1])):
            self.notes.setdefault(at, doubt)
        placing.places = left

    # What comes of it --------------------------------------------------------------------------

    def _timeline(self) -> Timeline:
        """The changes by places instead of times."""
        return Timeline.of(
            replace(placing.change, earliest=placing.places[0], latest=placing.places[-1])
            for placing in self.placings
        )

    def stretches(self) -> Iterator[tuple[int, int, Setting | None]]:
        """The shots from one logged change to the next, without those that one leaves open, and
        what the log says of them."""
        start, setting = 0, None
        for change in self._timeline().changes:
            if start < change.earliest:
                yield start, change.earliest, setting
            start, setting = max(start, change.latest), change.setting
        yield start, len(self.order.shots), setting

    def findings(self, steps: Mapping[int, Doubt]) -> Mapping[str, Finding]:
        timeline = self._timeline()
        found = {file: Finding(verdict=verdict) for file, verdict in self.verdicts.items()}
        everywhere = range(len(self.order.shots)) if self.is_by_order else ()
        for at in {*self.notes, *steps, *everywhere}:
            frame = self.order.shots[at].frame
            if frame.file in found or (frame.file in self.layout.by_name and at not in steps):
                continue
            is_told = self.is_by_order or at in self.notes
            settings = timeline.settings(at, at + 1) if is_told else None
            doubts = [doubt for doubt in (self.notes.get(at), steps.get(at)) if doubt]
            found[frame.file] = Finding(settings, tuple(doubts))
        return found


def _shown(setting: Setting, other: Setting) -> str:
    lens = f"{setting.lens} " if setting.lens != other.lens else ""
    return f"{lens}f/{float(setting.f_number or 0):.3g}"


def _at_places(changes: Iterable[Change]) -> Iterator[_Placing]:
    """Changes whose places are known to the shot."""
    before: Setting | None = None
    for era, change in enumerate(changes, 1):
        place = change.earliest
        yield _Placing(era, change, before, place, place, [place])
        before = change.setting


def _placings(timeline: Timeline, order: Order) -> Iterator[_Placing]:
    before: Change | None = None
    for era, change in enumerate(timeline.changes, 1):
        least, most = order.places(change.earliest, change.latest)
        # Of two logs whose changes may have come in either order, neither says what came before.
        known = before is not None and (
            before.log == change.log or before.latest <= change.earliest
        )
        setting = before.setting if before is not None and known else None
        yield _Placing(era, change, setting, least, most, range(least, most + 1))
        before = change
