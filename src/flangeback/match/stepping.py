"""What the light tells: where a ring was turned, and where it was turned without a note."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from flangeback.evidence.course import Weighed, weigh
from flangeback.evidence.light import Look, stepped
from flangeback.match.model import Doubt, DoubtKind
from flangeback.match.scenes import Scenes, Seen, mark_near
from flangeback.sessionlog.model import Setting

DECIDED = 0.03
"""The odds, 1 in 33, below which an f-number is given up for a frame in the minute of a change.
They are the worst there is; most frames are told by far less. A tenth of an outing's frames lie in
such minutes: at the very most one frame in 300 may be told wrong, and tests/simulate.py finds less
than one in 10,000. Each carries the doubt `near-change`."""
OBJECTED = 0.7
"""The odds that the ring stood as logged below which the light objects to it: a doubt costs a
look, no more, and withholds nothing."""
_NEW_LIGHT = 1800.0
"""Seconds without a look after which light is another matter."""
_AT_ONCE = 500
"""Looks that are weighed at once, to bound what is kept in memory."""
_AROUND = 5
"""Looks before a change, and after it, that tell whether the light was the same."""
_RESTLESS = 0.7
"""Stops from one look to the next that are no wandering."""
_SAME_STEP = 0.5
"""Stops by which two bodies may see one step of the light otherwise."""
_OTHER_BODY = 300.0
"""Seconds around a step in which another body's frames tell of the light."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the light says of some shots."""

    seen: Seen
    weighed: Weighed

    def look(self, turned: bool) -> Look:
        """The scene's brightness, with a turn of the ring that wasn't noted counted in if
        `turned`."""
        sight = self.seen.sight
        option = sight.options[self.weighed.options.index(max(self.weighed.options))]
        turn = self.weighed.turn if turned else 0.0
        return Look(sight.at, sight.light + option.stops + turn)

    @property
    def objects(self) -> bool:
        """Whether the ring can't well have stood as logged."""
        return self.weighed.turn != 0 and self.weighed.as_logged <= OBJECTED

    @property
    def is_within(self) -> bool:
        """Whether a change may have been made before these shots, or after."""
        return len(self.seen.sight.options) > 1

    @property
    def eras(self) -> frozenset[int]:
        """The eras that it leaves open."""
        options = zip(self.seen.sight.options, self.weighed.options, strict=True)
        return frozenset(option.era for option, odds in options if odds > DECIDED)


def told_by_light(scenes: Scenes) -> list[Told]:
    """What the light tells of every look of a body."""
    found = []
    for part in _parts(scenes.seen):
        weighed = weigh([seen.sight for seen in part])
        found += [Told(seen, one) for seen, one in zip(part, weighed, strict=True)]
    return found


def agrees(told: Sequence[Told], first: int, last: int, change: float) -> bool:
    """Whether a ring turned by `change` stops, somewhere from the `first` to the `last` of these
    looks, is what the light shows: with the turn counted in, it is the same before and after."""
    before = [one.look(turned=one.objects) for one in told[max(0, first - _AROUND) : first]]
    after = [one.look(turned=False) for one in told[last : last + _AROUND]]
    if not before or not after:
        return False
    step = stepped(before, after)
    return step is None or abs(step) < abs(change) / 3


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
    return any(abs(after - before) > _RESTLESS for before, after in pairwise(levels))


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
        f"{mark_near(logged * 2 ** (turn / 2))} instead of f/{logged:g}, if the ring was turned"
    )
    return Doubt(DoubtKind.LIGHT_STEP, text)
