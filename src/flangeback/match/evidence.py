"""What the frames themselves tell where the log leaves a change open.

Each kind of evidence is a function `(shots, changes) -> (changes, doubts)`: it keeps of a change's
places those that it can't rule out, and raises doubts. They stand in a row, and each takes what the
one before it left.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from flangeback.clock.checks import set_back
from flangeback.clock.model import SECOND
from flangeback.kit.model import Kit
from flangeback.log.model import Setting
from flangeback.match.brightness import FrameLight, PictureReader, Pictures, Remembering
from flangeback.match.changes import (
    LATEST_NOTE,
    BodyTimeline,
    Change,
    Doubts,
    at_their_places,
    in_order,
    setting_of,
    standing,
)
from flangeback.match.clock_fit import ClockFit, clock_words, rival_words, uncertain_words
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.estimates import estimates
from flangeback.match.exposure import body_light, hypothesis
from flangeback.match.index import BodyLog, LogIndex
from flangeback.match.light import by_light, weigh
from flangeback.match.model import Estimate, Outcome, Source
from flangeback.match.moved_lenses import by_moved_lenses
from flangeback.match.named_light import steps_by_name
from flangeback.match.natives import by_natives
from flangeback.match.outcomes import Standing
from flangeback.match.pauses import by_pauses
from flangeback.match.registered import by_registered, by_unnoted_lenses, turns_before
from flangeback.match.shots import Shot
from flangeback.match.slates import SlateSign, uncounted_signs
from flangeback.match.told import LightTold, Told

Narrowing = Callable[[Sequence[Shot], Sequence[Change]], tuple[Sequence[Change], Doubts]]
"""Gives the changes without the places that it rules out, and doubts."""
_TELLS = {
    Source.PAUSE: DoubtKind.PLACED_IN_GAP,
    Source.REGISTERED: DoubtKind.NEAR_CHANGE,
    Source.LIGHT: DoubtKind.TOLD_BY_LIGHT,
}
"""The doubt on a shot that each source told; other doubts of it leave the shot as it was."""
CONTRADICTED_CLOCK = "the frames contradict the body's clock"


@dataclass(frozen=True, slots=True)
class BodyEvidence:
    """What log and evidence come to for one body.

    `settled` has the files of which it is certain what they come to, whatever stood: slate frames,
    for one. `told` says what told a shot that the log left open, `by_rival` what may have stood
    where the frames have something else than the log.
    """

    timeline: BodyTimeline
    clock: ClockFit
    by: Source = Source.LOG
    settled: Mapping[str, Standing] = field(default_factory=dict)
    doubts: Doubts = field(default_factory=dict)
    told: Mapping[int, Source] = field(default_factory=dict)
    estimates: Mapping[int, Estimate] = field(default_factory=dict)
    by_rival: Mapping[int, tuple[Setting | None, ...]] = field(default_factory=dict)
    by_order: BodyEvidence | None = None
    """What the order of its slate frames comes to, where the log has times of the body too."""
    ordered: Sequence[Setting] = ()
    """The settings of its entries by that order."""

    def after(self, source: Source, evidence: Narrowing) -> BodyEvidence:
        """The same once one more kind of evidence has spoken."""
        changes, doubts = evidence(self.timeline.shots, self.timeline.changes)
        told = {
            at: source
            for at, found in doubts.items()
            if any(doubt.kind is _TELLS[source] for doubt in found)
        }
        timeline = replace(self.timeline, changes=tuple(changes))
        return replace(self.doubting(doubts), timeline=timeline, told={**told, **self.told})

    def doubting(self, doubts: Doubts) -> BodyEvidence:
        """The same with more doubts."""
        both = {
            at: (*self.doubts.get(at, ()), *doubts.get(at, ())) for at in {**self.doubts, **doubts}
        }
        return replace(self, doubts=both)

    def opening(self, doubts: Doubts) -> BodyEvidence:
        """The same with these doubts, for which nobody can tell what stood."""
        open_at = {**self.by_rival, **dict.fromkeys(doubts, (None,))}
        return replace(self.doubting(doubts), by_rival=open_at)

    def beside(self, fit: ClockFit, missed: str | None) -> BodyEvidence:
        """The same with what the frames say of the clock.

        Where they contradict it or speak for a far offset, or all entries miss them, that is a
        doubt on every frame that goes by time.
        """
        clock = self.timeline.clock
        told = clock_words(fit) if fit.leans or not fit.agrees else missed
        texts = [text for text in (told, clock.clock.unsure) if text]
        clock = replace(clock, clock=replace(clock.clock, unsure="; ".join(texts) or None))
        timeline = replace(self.timeline, clock=clock)
        doubts = dict(self.doubts) | {
            shot: (Doubt(DoubtKind.CLOCK_UNSURE, rival_words(fit, shot)),) for shot in fit.doubted
        }
        for shot, share in fit.beside.items():
            text = f"made on the other side of the change that is noted beside it, by {share:.0%}"
            doubts.setdefault(shot, (Doubt(DoubtKind.NEAR_CHANGE, text),))
        for shot in fit.uncertain:
            doubts.setdefault(shot, (Doubt(DoubtKind.NEAR_CHANGE, uncertain_words(fit, shot)),))
        rival, line = _by_rival(timeline, fit), replace(timeline, changes=_widened(timeline, fit))
        return replace(self, timeline=line, clock=fit, doubts=doubts, by_rival=rival)

    @property
    def uses_evidence(self) -> bool:
        """Whether the changes lie in their windows, so that evidence may narrow them."""
        fit = self.clock
        return fit.is_trusted or (fit.settled and fit.is_near)

    def standings(self) -> Iterator[tuple[str, Standing]]:
        """What may have stood when each of its files was made."""
        if self.by_order is None:
            yield from self._standings()
            return
        ordered = dict(self.by_order.standings())
        for file, found in self._standings():
            yield file, found.beside(ordered.pop(file, Standing()), self.ordered)
        yield from ordered.items()

    def _standings(self) -> Iterator[tuple[str, Standing]]:
        yield from self.settled.items()
        shots, changes = self.timeline.shots, self.timeline.changes
        apart = {*self.doubts, *self.told, *self.estimates, *self.by_rival}
        alike: dict[tuple[int, ...], Standing] = {}
        for at, numbers in enumerate(standing(changes, shots)):
            if shots[at].frame.file in self.settled:
                continue
            # By the entries alone shots differ no more, but for their days beside the first one.
            if at in apart or not numbers[0]:
                yield shots[at].frame.file, self._standing(at, numbers)
                continue
            if numbers not in alike:
                alike[numbers] = self._standing(at, numbers)
            yield shots[at].frame.file, alike[numbers]

    def _standing(self, at: int, numbers: Sequence[int]) -> Standing:
        changes = self.timeline.changes
        settings = tuple(setting_of(changes, number) for number in numbers)
        found = Standing(
            settings,
            self.told.get(at, self.by),
            self.doubts.get(at, ()),
            estimate=self.estimates.get(at),
            by_rival=self.by_rival.get(at, ()),
        )
        if self.by is not Source.ORDER and not self.clock.settled:
            return replace(found, outcome=Outcome.UNSURE, reason=CONTRADICTED_CLOCK)
        if not any(settings):
            reason = changes[numbers[-1] - 1].reason if numbers[-1] else None
            return replace(found, reason=reason)
        return replace(found, is_open=self._is_open(at, numbers))

    def _is_open(self, at: int, numbers: Sequence[int]) -> bool:
        """Whether shots of which the log says nothing, before or after on that day, may go on."""
        shots, changes = self.timeline.shots, self.timeline.changes
        first, last = numbers[0], numbers[-1]
        if setting_of(changes, first) is None and first < len(changes):
            # Before the first entry, after a range, or after a pause that ended what held.
            begins, ended = changes[first].places[0], changes[first - 1].places[-1] if first else 0
            if begins > ended and _same_day(shots[begins - 1], shots[at]):
                return True
        if not last or changes[last - 1].setting is not None:
            return False
        ends = changes[last - 1].places[-1]
        goes_on = changes[last].places[0] if last < len(changes) else len(shots)
        return ends < goes_on and _same_day(shots[ends], shots[at])


def _by_rival(timeline: BodyTimeline, fit: ClockFit) -> Mapping[int, tuple[Setting | None, ...]]:
    """What may have stood too, where the frames have it that the stated values are the unlikelier.

    By the likeliest other clock, or on the other side of the change that is noted beside a shot.
    """
    other, near = list(fit.unlikely), list(fit.likely_beside)
    if not other and not near:
        return {}
    stated = standing(timeline.changes, timeline.shots)
    room = max(LATEST_NOTE, fit.late or 0.0, abs(fit.offset) if fit.is_near else 0.0)
    by_room = standing_moved(timeline, -room, room) if near else ()
    found = {at: by_room[at] for at in near}
    if other and fit.may_move:
        moved = standing_moved(timeline, fit.rival, fit.rival)
        found |= {at: moved[at] for at in other}
    else:
        found |= dict.fromkeys(other, (None,))
    # What the log doesn't claim isn't filled, and stays unlogged.
    claimed = [any(setting_of(timeline.changes, one) for one in numbers) for numbers in stated]
    return {at: settings for at, settings in found.items() if claimed[at]}


def standing_moved(
    timeline: BodyTimeline, first: float, last: float
) -> Sequence[tuple[Setting | None, ...]]:
    """What may have stood at each shot, by windows that begin and end by so many seconds later."""
    changes = _moved(timeline, first, last)
    rows = standing(changes, timeline.shots)
    return [tuple(setting_of(changes, number) for number in numbers) for numbers in rows]


def _widened(timeline: BodyTimeline, fit: ClockFit) -> tuple[Change, ...]:
    """The changes with room for notes that follow them, and for a small offset of the clock."""
    if fit.is_trusted:
        return _moved(timeline, 0.0, 0.0, fit.lags) if fit.lags else timeline.changes
    if not fit.is_near:
        return timeline.changes
    first = min(0.0, fit.offset, -(fit.late or 0.0))
    return _moved(timeline, first, max(0.0, fit.offset), fit.lags)


def _moved(
    timeline: BodyTimeline, first: float, last: float, lags: Mapping[int, float] | None = None
) -> tuple[Change, ...]:
    """The changes, with windows that begin and end by so many seconds later.

    Those begin earlier that may have been made so many seconds before their notes (`lags`).
    """
    moved, number = [], 0
    for change in timeline.changes:
        if change.window is not None:
            begins = min(first, -(lags or {}).get(number, -first))
            window = (
                change.window[0] + round(begins) * SECOND,
                change.window[1] + round(last) * SECOND,
            )
            change, number = replace(change, window=window), number + 1
        moved.append(change)
    return in_order(at_their_places(moved, timeline.shots))


def _same_day(one: Shot, other: Shot) -> bool:
    first, last = one.frame.time, other.frame.time
    return first is not None and last is not None and first.at.date() == last.at.date()


def weigh_evidence(
    index: LogIndex,
    kit: Kit,
    pictures: PictureReader,
    state: Callable[[], str],
    noted: Any = None,
) -> tuple[Mapping[str | None, BodyEvidence], Told]:
    """What log and evidence come to, by body, and what the frames told.

    `pictures` gives the light of a frame's picture. None is asked for where `noted` is what an
    earlier run noted of the same `state`, which is worked out when it is asked for (see `told`).
    """
    read = Remembering(pictures)
    known = Told.recalled(noted, state, index)
    signs = {} if known else dict(_slate_signs(index, read))
    sure = (file for file, sign in signs.items() if sign is SlateSign.YES)
    slates = known.slates if known else frozenset(sure)
    index = index.without(slates)
    fits = known.fits if known else _fits(index, kit, read)
    found = _by_logs(index, kit, read, fits)
    for key, one in found.items():
        if one.uses_evidence:
            against = partial(turns_before, shots=one.timeline.shots, kit=kit)
            one = one.after(Source.PAUSE, partial(by_pauses, speaks_against=against))
            found[key] = one.after(Source.REGISTERED, partial(by_registered, kit=kit))
    lights = known.lights if known else _by_lights(found, index, kit, read, signs)
    for key, one in found.items():
        if (light := lights.get(key)) is not None:
            one = replace(one.after(Source.LIGHT, light.narrow), estimates=light.estimates)
        line = one.timeline
        one = one.doubting(by_natives(line.shots, line.changes, kit, index.by_name))
        found[key] = one.opening(by_unnoted_lenses(line.shots, line.changes, kit))
    steps = known.steps if known else {}
    if index.named and not known:
        lines = {**index.unclocked, **{key: one.timeline for key, one in found.items()}}
        steps = steps_by_name(lines, index, kit, read.take, signs)
    return _with_moved(found), Told(state, slates, fits, lights, steps)


def _slate_signs(index: LogIndex, pictures: Pictures) -> Iterator[tuple[str, SlateSign]]:
    """What are slate frames by their pictures, or may be, beside logs that don't count them."""
    lines = [log.timeline for log in index.by_body.values() if not log.by_order]
    for line in (*lines, *index.unclocked.values()):
        for file, sign in uncounted_signs(line.shots, pictures):
            if file not in index.not_slates:
                yield file, sign


def log_evidence(index: LogIndex, kit: Kit) -> Mapping[str | None, BodyEvidence]:
    """What the log alone comes to, by body."""
    return _with_moved(_by_logs(index, kit, lambda frames: [None] * len(frames), {}))


def _fits(index: LogIndex, kit: Kit, pictures: Pictures) -> Mapping[str | None, ClockFit]:
    from flangeback.match.clock_weighing import fit_clocks

    by_time = {key: log for key, log in index.by_body.items() if log.goes_by_time}
    return fit_clocks(by_time, kit, pictures)


def _by_logs(
    index: LogIndex, kit: Kit, pictures: Pictures, fits: Mapping[str | None, ClockFit]
) -> dict[str | None, BodyEvidence]:
    """What the entries come to, by clocks that fit so."""
    return {
        key: _by_log(key, log, index, kit, pictures).beside(
            fits.get(key, ClockFit(key, log.stated)), log.missed
        )
        for key, log in index.by_body.items()
    }


def _by_lights(
    found: Mapping[str | None, BodyEvidence],
    index: LogIndex,
    kit: Kit,
    pictures: Remembering,
    apart: Collection[str],
) -> Mapping[str | None, LightTold]:
    """What the light tells of each body whose evidence is used, but for the files `apart`."""
    lights = {}
    left_out = index.by_name.union(apart)
    for key, one in found.items():
        line, body = one.timeline, kit.bodies.get(key or "")
        lights[key] = body_light(line.shots, line.changes, body, kit, pictures.take, left_out)
    told = {}
    for key, one in found.items():
        if one.uses_evidence:
            # All bodies are under one sky: what the others saw tells of the light.
            others = [light for other, light in lights.items() if other != key]
            light, line = weigh(lights[key], others), one.timeline
            left, doubts = by_light(line.shots, line.changes, light)
            by_shot = estimates(lights[key], light.weighed)
            told[key] = LightTold.of(line.changes, left, doubts, estimates=by_shot)
    return told


def _with_moved(found: Mapping[str | None, BodyEvidence]) -> dict[str | None, BodyEvidence]:
    """The same, with doubts on a lens that the log puts on another body meanwhile."""
    if len(found) < 2:
        return dict(found)
    timelines = {key: one.timeline for key, one in found.items()}
    return {key: one.doubting(by_moved_lenses(key, timelines)) for key, one in found.items()}


def _by_log(
    key: str | None, log: BodyLog, index: LogIndex, kit: Kit, pictures: Pictures
) -> BodyEvidence:
    """What the entries of one body come to, by time or by the order of slate frames."""
    by_time = BodyEvidence(log.timeline, ClockFit(key, log.stated))
    if not log.by_order:
        return by_time
    from flangeback.match.slate_fit import OrderEntry
    from flangeback.match.slate_order import SlateLines, by_slates

    shots = log.all_shots
    body = kit.bodies.get(key or "")
    entries = []
    for span in log.by_order:
        one = hypothesis(0, span.setting, body, kit)
        entries.append(OrderEntry(span.setting, one.stops if one else None))
    read = pictures([shot.frame for shot in shots])
    lights = [FrameLight.of(shot.frame, one) for shot, one in zip(shots, read, strict=True)]
    disorder = set_back([shot.frame for shot in shots], log.timeline.clock.zone)
    lines = SlateLines(index.slates, index.not_slates)
    told = by_slates(shots, lights, entries, lines, disorder)
    timeline = replace(log.timeline, shots=told.shots, changes=told.changes)
    by_order = BodyEvidence(timeline, by_time.clock, Source.ORDER, told.settled, told.doubts)
    if not log.goes_by_time:
        return by_order
    return replace(by_time, by_order=by_order, ordered=[one.setting for one in entries])
