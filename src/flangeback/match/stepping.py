"""What the light tells: where a ring was turned, and where it was turned without a note."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import median

from flangeback.evidence.course import Sight, Weighed, weigh
from flangeback.evidence.light import stepped
from flangeback.log.model import Setting
from flangeback.match.changes import Change, ChangeKind, Doubts, in_order
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.pauses import told_shots
from flangeback.match.scenes import Scenes, Seen, mark_near
from flangeback.match.shots import Shot

DECIDED = 0.01
"""The odds, 1 in 100, below which an f-number is given up for a frame in the minute of a change.
They are the worst there is; most frames are told by far less. A tenth of an outing's frames lie in
such minutes: at the very most one frame in 1,000 may be told wrong, and simulated outings find less
than one in 10,000. Each carries the doubt `near-change`."""
DECIDED_LENS = 0.001
"""The same for a lens, whose name matters more."""
STEADY = 0.2
"""How likely the light itself may have stepped along with a change, for the light to tell where
the change was made."""
OBJECTED = 0.75
"""The odds that the ring stood as logged below which the light objects to it: a doubt costs a
look, no more, and withholds nothing."""
RESTLESS = 1200.0
"""Seconds in which light that steps more than once is restless: a step is then rather the light's
than a ring's. (Made-up outings in steady light with a cloud an hour are learnt to have 1,400 and
more, those from shade to sun and back mostly 1,100 and less.)"""
_OBJECTED_IN_RESTLESS_LIGHT = 0.2
"""What takes the place of OBJECTED then: evidence keeps still but for what is plain."""
_NEW_LIGHT = 1800.0
"""Seconds without a look after which light is another matter."""
_AT_ONCE = 500
"""Looks that are weighed at once, to bound what is kept in memory."""
_LEAP = 0.7
"""Stops from one look to the next that are no wandering."""
_SAME_STEP = 0.5
"""Stops by which two bodies may see one step of the light otherwise."""
_OTHER_BODY = 300.0
"""Seconds around a step in which another body's frames tell of the light."""
_LEAST_LOOKS = 2
"""Looks of another body, before and after, that tell of it."""
_LEAST_STEP = 0.7
"""Stops of a logged change that light may tell: less is within what scenes differ by."""
_NO_STEP = 0.35
"""Stops that are no step."""
_SEEN_STEP = 3.0
"""How many times as likely the light stepped where another body saw it step; and as unlikely where
that body saw it stand still: mostly they see the same sky, but one may be held to the shade."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the light says of some shots; `restless` if it is such."""

    seen: Seen
    weighed: Weighed
    restless: bool

    @property
    def objects(self) -> bool:
        """Whether the ring can't well have stood as logged."""
        limit = _OBJECTED_IN_RESTLESS_LIGHT if self.restless else OBJECTED
        return self.weighed.turn != 0 and self.weighed.as_logged <= limit

    @property
    def is_within(self) -> bool:
        """Whether a change may have been made before these shots, or after."""
        return len(self.seen.sight.options) > 1

    def after(self, era: int) -> float:
        """How likely the change that begins an era had been made."""
        options = zip(self.seen.sight.options, self.weighed.options, strict=True)
        return sum(odds for option, odds in options if option.era >= era)


@dataclass(frozen=True, slots=True)
class Light:
    """What the light of an outing tells: of each look of a body, and how likely it stepped itself
    where an era begins."""

    told: Sequence[Told] = ()
    stepped_at: Mapping[int, float] = field(default_factory=dict)

    def is_steady_at(self, era: int) -> bool:
        """Whether the light stood still while the change was made that begins an era."""
        return self.stepped_at.get(era, 0.0) < STEADY


def by_light(
    shots: Sequence[Shot], changes: Sequence[Change], scenes: Scenes, others: Sequence[Scenes]
) -> tuple[Sequence[Change], Doubts]:
    """The changes without the places that the light rules out, with doubts on the shots that are
    told that way, and where a ring was turned without a note.

    `scenes` is what the body saw, `others` what other bodies saw under the same sky.
    """
    light = told_by_light(scenes, others)
    starts = [one.seen.start for one in light.told]
    placed: list[Change] = []
    doubts: dict[int, tuple[Doubt, ...]] = {}
    for number, change in enumerate(changes, 1):
        step = abs(scenes.turn(change.before, change.setting))
        kept = change.places
        if change.kind and len(kept) > 1 and step > _LEAST_STEP and light.is_steady_at(number):
            first, last = bisect_left(starts, kept[0]), bisect_left(starts, kept[-1])
            kept = _kept_by_light(change, number, light.told[first:last], len(shots))
        if kept != change.places:
            told = told_shots(change.places, kept)
            doubts = dict.fromkeys(told, (_told_doubt(change),)) | doubts
        placed.append(change.at(kept))
    placed_in_order = in_order(placed)
    steps = light_steps(light.told, _stretches(placed_in_order, len(shots)), others)
    for at, doubt in steps.items():
        doubts[at] = (*doubts.get(at, ()), doubt)
    return placed_in_order, doubts


def _kept_by_light(
    change: Change, number: int, inside: Sequence[Told], count: int
) -> tuple[int, ...]:
    odds = DECIDED if change.kind is ChangeKind.RING else DECIDED_LENS
    after = [one.seen.start for one in inside if 1 - one.after(number) < odds]
    before = [one.seen.end for one in inside if one.after(number) < odds]
    least, most = max(before, default=0), min(after, default=count)
    return tuple(place for place in change.places if least <= place <= most) or change.places


def _told_doubt(change: Change) -> Doubt:
    old, new = change.before, change.setting
    assert old is not None
    assert new is not None
    text = (
        f"made within the change of line {change.line}: "
        f"the light tells {_shown(old, new)} from {_shown(new, old)}"
    )
    return Doubt(DoubtKind.NEAR_CHANGE, text)


def _shown(setting: Setting, other: Setting) -> str:
    lens = f"{setting.lens} " if setting.lens != other.lens else ""
    return f"{lens}f/{float(setting.f_number or 0):.3g}"


def _stretches(changes: Sequence[Change], count: int) -> Iterator[tuple[int, int, Setting | None]]:
    """The shots from one logged change to the next, without those that one leaves open, and what
    the log says of them."""
    start, setting = 0, None
    for change in changes:
        if start < change.places[0]:
            yield start, change.places[0], setting
        start, setting = max(start, change.places[-1]), change.setting
    yield start, count, setting


def told_by_light(scenes: Scenes, others: Sequence[Scenes]) -> Light:
    """What the light tells of every look of a body, among `others` under the same sky."""
    told: list[Told] = []
    stepped_at: dict[int, float] = defaultdict(float)
    for part in _parts(scenes.seen):
        courses = weigh(list(_with_others([seen.sight for seen in part], others)))
        restless = courses.light_steps < RESTLESS
        told += [Told(seen, one, restless) for seen, one in zip(part, courses.weighed, strict=True)]
        for era, odds in courses.stepped_at.items():
            stepped_at[era] += odds
    return Light(told, stepped_at)


def _with_others(sights: Sequence[Sight], others: Sequence[Scenes]) -> Iterator[Sight]:
    """The sights, with how likely the light stepped before each by what other bodies saw."""
    yield sights[0]
    for before, sight in pairwise(sights):
        at = (before.at + sight.at) / 2
        steps = math.prod(_seen_by(other, at) for other in others)
        yield sight if steps == 1.0 else replace(sight, steps=steps)


def _seen_by(other: Scenes, at: float) -> float:
    """How many times as likely a step of the light is, by what another body saw around a time."""
    before, after = other.looks_at(at, _OTHER_BODY)
    if len(before) < _LEAST_LOOKS or len(after) < _LEAST_LOOKS:
        return 1.0
    step = abs(median(look.value for look in after) - median(look.value for look in before))
    if step < _NO_STEP:
        return 1 / _SEEN_STEP
    return _SEEN_STEP if stepped(before, after) is not None else 1.0


def _parts(seen: Sequence[Seen]) -> Iterable[Sequence[Seen]]:
    start = 0
    for at in range(1, len(seen) + 1):
        ends = at == len(seen) or seen[at].sight.at - seen[at - 1].sight.at > _NEW_LIGHT
        if ends or at - start >= _AT_ONCE:
            yield seen[start:at]
            start = at


def light_steps(
    told: Sequence[Told],
    stretches: Iterable[tuple[int, int, Setting | None]],
    others: Sequence[Scenes],
) -> Mapping[int, Doubt]:
    """The doubts, by place in the body's order. `stretches` are the shots from one logged change
    to the next, and what the log says of them; `others` the scenes of other bodies, which see the
    same light."""
    doubts: dict[int, Doubt] = {}
    at = 0
    last: Setting | None = None
    for start, end, setting in stretches:
        before, last = last, setting
        while at < len(told) and told[at].seen.start < start:
            at += 1
        first = at
        while at < len(told) and told[at].seen.end <= end:
            at += 1
        step = next((n for n in range(first, at) if told[n].objects), None)
        if step is None or setting is None or setting.f_number is None:
            continue
        if step == first and (before is None or before.lens != setting.lens):
            # With another lens another scene is seen, and the log has an entry there: no step.
            continue
        turn = told[step].weighed.turn
        light = at == len(told) and _is_restless(told, first, at)
        if light or any(_saw(other, told, step, -turn) for other in others):
            continue
        doubt = _doubt(float(setting.f_number), turn)
        beyond = at
        while beyond < len(told) and told[beyond].is_within and told[beyond].objects:
            beyond += 1
        end = max(end, told[beyond - 1].seen.end)
        doubts.update(dict.fromkeys(range(told[step].seen.start, end), doubt))
    return doubts


def _is_restless(told: Sequence[Told], first: int, last: int) -> bool:
    """Whether, among these looks, the light itself changed at a stroke. Where no entry follows to
    set things right, that leaves a step without proof."""
    levels = [one.weighed.level for one in told[first:last]]
    return any(abs(after - before) > _LEAP for before, after in pairwise(levels))


def _saw(other: Scenes, told: Sequence[Told], step: int, size: float) -> bool:
    """Whether the light stepped as far for this body."""
    here = told[step].seen.sight.at
    at = (told[step - 1].seen.sight.at + here) / 2 if step else here
    found = stepped(*other.looks_at(at, _OTHER_BODY))
    return found is not None and abs(found - size) <= max(_SAME_STEP, abs(size) / 4)


def _doubt(logged: float, turn: float) -> Doubt:
    way = "less" if turn > 0 else "more"
    size = f"{abs(turn):g} stop" + ("s" if abs(turn) != 1 else "")
    text = (
        f"from here on {size} {way} light comes in, and no entry says why: "
        f"{mark_near(logged * 2 ** (turn / 2))} instead of f/{logged:.3g} on the ring, "
        "if it was turned"
    )
    return Doubt(DoubtKind.LIGHT_STEP, text)
