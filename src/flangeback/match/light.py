"""What the light tells: where a ring was turned, and where it was turned without a note."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from flangeback.clock.model import SECOND
from flangeback.kit.stops import series
from flangeback.log.model import Setting
from flangeback.match.changes import LATEST_NOTE, Change, ChangeKind, Doubts, in_order
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.exposure import BodyLight, Scene
from flangeback.match.observation import Observation, Posterior
from flangeback.match.pauses import told_shots
from flangeback.match.scatter import spread_of
from flangeback.match.shots import Shot
from flangeback.words import f_number, number
from flangeback.workers import spread

DECIDED = {ChangeKind.RING: 0.004, ChangeKind.LENS: 0.003}
"""The probability below which a setting is given up for a shot in the minute of a change; a lens's
name matters more than an f-number. Most shots are told by far less."""
STEADY = 0.2
"""The probability that the light itself stepped at a change, above which it doesn't tell where the
change was made."""
_LEAST_CHANGE = 0.7
"""Stops of a logged change that light may tell: less is within what scenes differ by."""
OBJECTS = 0.75
"""The probability that the ring stood as logged, at or below which the doubt light-step is raised:
a doubt costs a look, and withholds nothing. By this bar half of the rows are true where one outing
in twenty has turns without a note."""
_STEPPED = 0.9
"""Of the probability that a ring was turned at all, the share by which its row of doubts begins."""
_SAME_GAIN = 0.2
"""Stops within which exposures are the same."""
_NEW_LIGHT = 1800.0
"""Seconds without an observation after which the light is modelled anew."""
_MOST_OBSERVATIONS = 250
"""Weighed at once, to bound memory."""
_SAME_STEP = 0.5
"""Stops by which two measures of one step may differ."""
_MAY_BE_LATE = 0.95
"""The same where the step is the next entry's, shortly before it: notes are late more often than
forgotten."""
_OTHER_BODY = 300.0
"""Seconds to either side in which another body's samples tell of a moment."""
_NEAR = 5
"""Samples to either side that tell of a moment."""
_LEAST_SAMPLES = 2
_NO_STEP = 0.35
"""Stops that are no step."""
_SEEN_STEP = 3.0
"""How many times as likely the light stepped where another body saw it step, and as unlikely where
that body saw none: mostly they see the same sky, but one may be held to the shade."""
_STANDS_OUT = 3.0
"""Standard deviations: 1 in 370 of a normal distribution."""


class Weighed(NamedTuple):
    """A scene and what the ring model makes of it."""

    scene: Scene
    posterior: Posterior

    @property
    def objects(self) -> bool:
        """Whether the ring may well not have stood as logged."""
        return self.posterior.offset != 0 and self.posterior.as_logged <= OBJECTS

    @property
    def is_off(self) -> bool:
        """Whether the ring more likely than not didn't stand as logged."""
        return self.posterior.offset != 0 and self.posterior.as_logged <= 0.5

    def shows(self, entry: int, kind: ChangeKind, *, made: bool) -> bool:
        """Whether the f-number is decided that held after an entry was made, or before.

        And for a change of lens, that it had been made, or hadn't.
        """
        found = self.posterior
        sides = [at for at, one in enumerate(self.scene.hypotheses) if (one.entry >= entry) == made]
        change = sum(found.hypotheses[at] for at in sides)
        # A ring may have been turned to an f-number before that was noted. Of entries with one
        # f-number, one counts.
        stops = {round(self.scene.hypotheses[at].stops, 1): at for at in sides}
        turned = sum(found.turned_to[at] for at in stops.values())
        f_number = sum(found.logged[at] for at in sides) + turned
        decided = kind is ChangeKind.RING or 1 - change < DECIDED[ChangeKind.LENS]
        return decided and 1 - f_number < DECIDED[ChangeKind.RING]


@dataclass(frozen=True, slots=True)
class WeighedLight:
    """The light of one body by the ring model: its scenes, where it tells something.

    `turns` has by how many stops each change closes the ring, `stepped_at` the probability that the
    light itself stepped at an entry.
    """

    weighed: Sequence[Weighed] = ()
    turns: Sequence[float] = ()
    stepped_at: Mapping[int, float] = field(default_factory=dict)


def weigh(light: BodyLight, others: Sequence[BodyLight]) -> WeighedLight:
    """The light of one body; that of other bodies tells where the light itself stepped."""
    if light.observe is None:
        return WeighedLight(turns=light.turns)
    from flangeback.match.ring_model import smooth

    weighed: list[Weighed] = []
    stepped_at: dict[int, float] = defaultdict(float)
    scenes, observe = light.scenes, light.observe
    parts = [one for one in _parts(scenes) if not _hides_changes(scenes[one.start : one.stop])]
    observed = (list(_beside_others([*map(observe, part)], others)) for part in parts)
    for part, found in zip(parts, spread(smooth, observed, len(parts)), strict=True):
        weighed += map(Weighed, scenes[part.start : part.stop], found.posteriors)
        for entry, probability in found.light_stepped_at.items():
            stepped_at[entry] += probability
    return WeighedLight(weighed, light.turns, stepped_at)


def _hides_changes(scenes: Sequence[Scene]) -> bool:
    """Whether exposures mostly stay as they were where the f-number changes.

    Then nobody meters the light: it is the photographer's own flash, whose power is set by hand.
    """
    certain = [scene for scene in scenes if len(scene.hypotheses) == 1]
    stays = [
        abs(after.gain - before.gain) < _SAME_GAIN
        for before, after in pairwise(certain)
        if abs(_stops(after) - _stops(before)) > _LEAST_CHANGE
    ]
    return 2 * sum(stays) > len(stays)


def _stops(scene: Scene) -> float:
    return scene.hypotheses[0].stops


def _parts(scenes: Sequence[Scene]) -> Iterator[range]:
    """The numbers of scenes that are weighed at once."""
    start = 0
    for at in range(1, len(scenes) + 1):
        if (
            at == len(scenes)
            or at - start >= _MOST_OBSERVATIONS
            or scenes[at].at - scenes[at - 1].at > _NEW_LIGHT
        ):
            yield range(start, at)
            start = at


def _beside_others(
    observations: Sequence[Observation], others: Sequence[BodyLight]
) -> Iterator[Observation]:
    yield observations[0]
    for before, seen in pairwise(observations):
        at = (before.at + seen.at) / 2
        ratio = math.prod(_step_ratio(other, at) for other in others)
        yield seen if ratio == 1.0 else replace(seen, light_step_ratio=ratio)


def _step_ratio(other: BodyLight, at: float) -> float:
    """How many times as likely a step of the light is, by another body's samples."""
    before, after = _samples_about(other, at)
    if len(before) < _LEAST_SAMPLES or len(after) < _LEAST_SAMPLES:
        return 1.0
    if abs(median(after) - median(before)) < _NO_STEP:
        return 1 / _SEEN_STEP
    return _SEEN_STEP if _stepped(before, after) else 1.0


def _samples_about(light: BodyLight, at: float) -> tuple[Sequence[float], Sequence[float]]:
    """How bright the light was shortly before a time (seconds) and after it."""
    place = bisect_right(light.times, at)
    first = max(place - _NEAR, bisect_left(light.times, at - _OTHER_BODY), 0)
    last = min(place + _NEAR, bisect_right(light.times, at + _OTHER_BODY))
    return light.brightness[first:place], light.brightness[place:last]


def _stepped(before: Sequence[float], after: Sequence[float]) -> bool:
    """Whether the light stepped by more than chance has it step."""
    spread = spread_of([*before, *after])
    if spread is None:
        return False
    # The variance of a median of n normal values is pi/2 times that of their mean.
    deviation = spread * math.sqrt(math.pi / 2 * (1 / len(before) + 1 / len(after)))
    return abs(median(after) - median(before)) > _STANDS_OUT * deviation


def by_light(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    light: WeighedLight,
) -> tuple[tuple[Change, ...], Doubts]:
    """The changes without the places that the light rules out, and the doubts that it raises.

    They are on the shots that are told that way, and where a ring was turned without a note.
    """
    starts = [one.scene.start for one in light.weighed]
    told: list[Change] = []
    doubts: dict[int, tuple[Doubt, ...]] = {}
    for entry, (change, turn) in enumerate(zip(changes, light.turns, strict=True), 1):
        kept = change.places
        # Where the light itself may have stepped, it doesn't tell where the change was made.
        steady = light.stepped_at.get(entry, 0.0) < STEADY
        if change.kind and len(kept) > 1 and abs(turn) > _LEAST_CHANGE and steady:
            first, last = bisect_left(starts, kept[0]), bisect_left(starts, kept[-1])
            kept = _kept(change, entry, change.kind, light.weighed[first:last])
        if kept != change.places:
            doubt = Doubt(DoubtKind.TOLD_BY_LIGHT, _told_apart(change))
            doubts = dict.fromkeys(told_shots(change.places, kept), (doubt,)) | doubts
        told.append(change.at(kept))
    placed = in_order(told)
    for at, steps in light_steps(placed, light, len(shots)).items():
        doubts[at] = (*doubts.get(at, ()), *steps)
    return placed, doubts


def _kept(
    change: Change, entry: int, kind: ChangeKind, inside: Sequence[Weighed]
) -> tuple[int, ...]:
    """A change lies after every scene that the light has before it, and the other way round."""
    after = [one.scene.start for one in inside if one.shows(entry, kind, made=True)]
    before = [one.scene.end for one in inside if one.shows(entry, kind, made=False)]
    least, most = max(before, default=0), min(after, default=change.places[-1])
    return tuple(place for place in change.places if least <= place <= most) or change.places


def _told_apart(change: Change) -> str:
    old, new = change.before, change.setting
    assert old is not None
    assert new is not None
    old_text, new_text = (
        f"{one.lens} {f_number(one.f_number)}" if old.lens != new.lens else f_number(one.f_number)
        for one in (old, new)
    )
    return (
        f"made within the change of line {change.line}: the light tells {old_text} from {new_text}"
    )


def light_steps(changes: Sequence[Change], light: WeighedLight, count: int) -> Doubts:
    """The doubt light-step, on shots from where the ring probably didn't stand as logged.

    It goes up to the next change. Where the step may be that change, it is near-change.
    """
    return {at: (doubt,) for row, doubt in _rows(changes, light, count) for at in row}


def _rows(
    changes: Sequence[Change], light: WeighedLight, count: int
) -> Iterator[tuple[range, Doubt]]:
    """The shots in a row with one doubt."""
    weighed = light.weighed
    at = 0
    for start, end, setting, following in _stretches(changes, count):
        while at < len(weighed) and weighed[at].scene.start < start:
            at += 1
        first = at
        while at < len(weighed) and weighed[at].scene.end <= end:
            at += 1
        stretch = weighed[first:at]
        step = _first_step([one.posterior for one in stretch])
        late = next((n for n, one in enumerate(stretch) if _is_late(following, one)), len(stretch))
        if following is not None and late < len(stretch) and (step is None or step >= late):
            text = f"the light steps as line {following.line}'s change has it: noted late, maybe"
            yield range(stretch[late].scene.start, end), Doubt(DoubtKind.NEAR_CHANGE, text)
            continue
        if step is None or setting is None or setting.f_number is None:
            continue
        doubt = _unnoted(float(setting.f_number), stretch[step].posterior.offset)
        beyond = at
        while beyond < len(weighed) and _opens(weighed[beyond]):
            beyond += 1
        end = max(end, weighed[beyond - 1].scene.end)
        yield range(stretch[step].scene.start, end), doubt


def _first_step(posteriors: Sequence[Posterior]) -> int | None:
    """Where the ring was turned without a note, among scenes of one stretch, if it probably was."""
    off = [1 - one.as_logged if one.offset else 0.0 for one in posteriors]
    surest = max(off, default=0.0)
    if surest < 1 - OBJECTS:
        return None
    return next(at for at, one in enumerate(off) if one >= _STEPPED * surest)


def _stretches(
    changes: Sequence[Change], count: int
) -> Iterator[tuple[int, int, Setting | None, Change | None]]:
    """The shots from one change to the next, what holds there, and the next one.

    Those that a change leaves open are left out.
    """
    start, setting = 0, None
    for change in changes:
        if start < change.places[0]:
            yield start, change.places[0], setting, change
        start, setting = max(start, change.places[-1]), change.setting
    yield start, count, setting, None


def _is_late(change: Change | None, seen: Weighed) -> bool:
    """Whether a change may have been made by a scene already, and was noted afterwards."""
    if change is None or change.window is None or seen.posterior.as_logged > _MAY_BE_LATE:
        return False
    old, new = change.before, change.setting
    if not (old and new and old.f_number and new.f_number):
        return False
    turn = 2 * math.log2(new.f_number / old.f_number)
    seconds = change.window[0] / SECOND - seen.scene.at
    return seconds <= LATEST_NOTE and abs(turn - seen.posterior.offset) <= _SAME_STEP


def _opens(one: Weighed) -> bool:
    """Whether a change may have been made before this scene or after, and neither side fits."""
    return len(one.scene.hypotheses) > 1 and one.objects


def _unnoted(logged: float, offset: float) -> Doubt:
    way = "less" if offset > 0 else "more"
    stops = series("half")
    meant = logged * 2 ** (offset / 2)
    mark = min(stops, key=lambda stop: abs(math.log2(stop.exact / meant))).mark
    size = round(2 * abs(offset)) / 2  # Marks are rounded: f/5.6 stands for 5.657.
    text = (
        f"from here on {number(size)} {'stop' if size == 1 else 'stops'} {way} "
        f"light comes in, and no entry says why: f/{mark} instead of f/{number(logged)} on the "
        "ring, if it was turned"
    )
    return Doubt(DoubtKind.LIGHT_STEP, text, mark)
