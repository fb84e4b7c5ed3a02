"""How bright the light was that a body's shots were made in, as far as their f-number is known.

log2(scene) = log2(N^2 / (t * S/100)) + the picture's own brightness (APEX; CIPA DC-008).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from flangeback.clock.model import SECOND
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.brightness import (
    FrameLight,
    PictureLight,
    PictureReader,
    likeness,
    read_several,
)
from flangeback.match.changes import Change, setting_of, standing
from flangeback.match.observation import Hypothesis, Observation
from flangeback.match.outcomes import shared_fill
from flangeback.match.pauses import place_odds
from flangeback.match.scatter import Pair, Sample, learn_scatter, spread_of
from flangeback.match.shots import Shot

_SAME_SCENE = 3 * SECOND
"""Microseconds. Shots that follow each other as quickly show one scene, and count as one."""
_LEAST_OFFSET = 1.0
"""Stops. Rings click in halves or whole stops (common practice); half a stop is within what scenes
and lenses differ by."""
_BEYOND_RING = 0.25
"""Stops beyond the ends of a ring, whose marks are rounded."""
_BLACK, _WHITE = -8.0, -0.75
"""log2 of mean luminance, over white's. A picture beyond them is clipped, and its brightness isn't
the scene's. (18 % grey is -2.5; a scene of snow, -1.)"""
_REPEATED = 30.0
"""How many times as likely a ring was turned without a note before an entry that repeats what holds
already."""
_NEIGHBOURS = 12
"""Samples to either side whose differences tell the spread at a place."""


@dataclass(frozen=True, slots=True)
class Scene:
    """Shots from `start` up to `end` of one scene, as an observation of the ring model.

    `gain` is log2 of the first one's exposure time (seconds) times ISO / 100.
    """

    start: int
    end: int
    observation: Observation
    gain: float


@dataclass(frozen=True, slots=True)
class UnknownScene:
    """Shots from `start` up to `end` of one scene.

    The time (seconds), and log2 of the light that came through the lens.
    """

    start: int
    end: int
    at: float
    light: float


@dataclass(frozen=True, slots=True)
class BodyLight:
    """What one body's shots tell of the light.

    `unknown` are scenes whose f-number isn't known by any entry that may hold; `samples` rise by
    time; `turns` has for each change by how many stops less light the lens passes after it, 0 where
    that isn't known.
    """

    scenes: Sequence[Scene] = ()
    unknown: Sequence[UnknownScene] = ()
    samples: Sequence[Sample] = ()
    turns: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class _Group:
    """Shots of one scene; `lights` came through the lens at some of them (log2), `at` seconds.

    `first` and `last` are the pictures at its ends.
    """

    start: int
    end: int
    at: float
    hypotheses: tuple[Hypothesis, ...]
    lights: Sequence[float]
    first: PictureLight
    last: PictureLight

    @property
    def gain(self) -> float:
        """The first one's (see `FrameLight`)."""
        return self.first.brightness - self.lights[0]


def body_light(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    body: Body | None,
    kit: Kit,
    pictures: PictureReader,
    named: Collection[str],
) -> BodyLight:
    """The light of one body's shots, but for the files in `named`.

    The changes don't apply to those. Each change has its prior at each of its places.
    """
    every = list(_groups(shots, changes, body, kit, pictures, named))
    groups = [group for group in every if group.hypotheses]
    unknown = [
        UnknownScene(group.start, group.end, group.at, median(group.lights))
        for group in every
        if not group.hypotheses
    ]
    known = [group for group in groups if len(group.hypotheses) == 1]
    samples = [
        Sample(group.at, median(group.lights) + group.hypotheses[0].stops) for group in known
    ]
    scatter = learn_scatter(list(_pairs(shots, groups)))
    if scatter is None:
        return BodyLight((), unknown, samples, [_turn(change, body, kit) for change in changes])
    priors = [place_odds(shots, change) for change in changes]
    scenes: list[Scene] = []
    before: _Group | None = None
    place = 0
    for group in groups:
        place += len(group.hypotheses) == 1
        here = spread_of(samples[max(0, place - _NEIGHBOURS) : place + _NEIGHBOURS])
        # A spread that is small here by chance is no evidence of steady light.
        spread = max(here or 0.0, scatter.scenes)
        observation = Observation(
            group.at,
            median(group.lights),
            spread,
            group.hypotheses,
            scatter.same_scene(_pair(shots, before, group), spread) if before else None,
            _made(priors, group, before.end if before else 0),
            unnoted_ratio=_unnoted_ratio(changes, group),
        )
        scenes.append(Scene(group.start, group.end, observation, group.gain))
        before = group
    return BodyLight(scenes, unknown, samples, [_turn(change, body, kit) for change in changes])


def _turn(change: Change, body: Body | None, kit: Kit) -> float:
    old, new = (hypothesis(0, one, body, kit) for one in (change.before, change.setting))
    return new.stops - old.stops if old and new else 0.0


def _gap(shots: Sequence[Shot], before: _Group, after: _Group) -> float:
    """Seconds between two groups."""
    return (shots[after.start].start - shots[before.end - 1].start) / SECOND


def _pair(shots: Sequence[Shot], before: _Group, after: _Group) -> Pair:
    """Two groups, with their difference as if the first hypothesis of each held."""
    old, new = (median(one.lights) + one.hypotheses[0].stops for one in (before, after))
    return Pair(_gap(shots, before, after), new - old, likeness(before.last, after.first))


def _pairs(shots: Sequence[Shot], groups: Sequence[_Group]) -> Iterator[Pair]:
    """Observations of one lens, one after the other, within groups and from one to the next.

    Those by known entries.
    """
    for group in groups:
        yield from (Pair(0.0, after - before) for before, after in pairwise(group.lights))
    for one, other in pairwise(groups):
        lenses = {hypothesis.lens for hypothesis in (*one.hypotheses, *other.hypotheses)}
        if len(one.hypotheses) == len(other.hypotheses) == len(lenses) == 1:
            yield _pair(shots, one, other)


def _groups(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    body: Body | None,
    kit: Kit,
    pictures: PictureReader,
    named: Collection[str],
) -> Iterator[_Group]:
    """Shots of one scene that could be made by the same entries, with no change among them."""
    numbers = standing(changes, shots)
    known = [None, *(hypothesis(n, one.setting, body, kit) for n, one in enumerate(changes, 1))]
    places = {place for change in changes for place in change.places}
    starts = [
        at
        for at in range(len(shots))
        if at == 0
        or at in places
        or numbers[at] != numbers[at - 1]
        or shots[at].start - shots[at - 1].start > _SAME_SCENE
    ]
    groups: list[tuple[int, int, tuple[Hypothesis, ...], Sequence[Frame]]] = []
    for start, end in pairwise([*starts, len(shots)]):
        settings = [setting_of(changes, n) for n in numbers[start]]
        lenses = {setting.lens for setting in settings if setting and setting.lens}
        hypotheses = tuple(one for n in numbers[start] if (one := known[n]) is not None)
        if len(hypotheses) < len(settings):
            hypotheses = ()
        usable = [
            shot.frame
            for shot in shots[start:end]
            if lenses and shot.frame.file not in named and _may_be_by(shot, lenses, kit)
        ]
        groups.append((start, end, hypotheses, _chosen(usable)))
    wanted = [frame for *_, frames in groups for frame in frames]
    read = dict(zip((one.file for one in wanted), read_several(wanted, pictures), strict=True))
    for start, end, hypotheses, frames in groups:
        told = [
            (light, picture)
            for one in frames
            if (picture := read[one.file]) and (light := _light(one, picture)) is not None
        ]
        if told:
            lights, pictures_told = zip(*told, strict=True)
            first, last = pictures_told[0], pictures_told[-1]
            yield _Group(start, end, shots[start].at, hypotheses, lights, first, last)


def _may_be_by(shot: Shot, lenses: Iterable[str], kit: Kit) -> bool:
    """Whether one of these lenses was on, as far as the frame says."""
    data = shot.frame.lens_data
    return not data.says_lens or any(
        same_lens(kit.lenses[lens], data.lens, data.specification) for lens in lenses
    )


def _chosen(frames: Sequence[Frame]) -> Sequence[Frame]:
    """The first, middle and last of the frames of one scene, if they say how they were exposed."""
    places = dict.fromkeys((0, len(frames) // 2, len(frames) - 1)) if frames else ()
    return [frames[at] for at in places if FrameLight.of(frames[at], None).gain is not None]


def _light(frame: Frame, picture: PictureLight) -> float | None:
    """log2 of the light through the lens; None where it isn't known, or the picture is clipped."""
    if not _BLACK < picture.brightness < _WHITE:
        return None
    return FrameLight.of(frame, picture).through


def hypothesis(
    number: int, setting: Setting | None, body: Body | None, kit: Kit
) -> Hypothesis | None:
    """That this setting held, the entry counting as `number`.

    None where its f-number isn't known.
    """
    if setting is None or setting.lens is None or setting.f_number is None:
        return None
    lens = kit.lenses[setting.lens]
    if len(set(lens.widest)) > 1:
        # What its marks mean changes with the focal length, of which the log needn't say a word.
        return None
    f_number = shared_fill([setting], lens, body, kit).f_number
    if f_number is None:
        return None
    return Hypothesis(number, 2 * math.log2(f_number), _offsets(setting, kit), lens.key)


def _offsets(setting: Setting, kit: Kit) -> tuple[float, ...]:
    """By how many stops, in halves, the ring could stand elsewhere than logged."""
    lens = kit.lenses[setting.lens or ""]
    if not lens.aperture_ring or setting.f_number is None:
        return ()
    logged = 2 * math.log2(setting.f_number)
    widest, narrowest = (2 * math.log2(end) for end in (min(lens.widest), lens.limit))
    halves = (n / 2 for n in range(-20, 21))
    return tuple(
        offset
        for offset in halves
        if abs(offset) >= _LEAST_OFFSET
        and widest - _BEYOND_RING <= logged + offset <= narrowest + _BEYOND_RING
    )


def _unnoted_ratio(changes: Sequence[Change], group: _Group) -> float:
    """How many times as likely a turn without a note is before a group than elsewhere."""
    after = changes[group.hypotheses[0].entry :]
    return _REPEATED if after and after[0].repeats else 1.0


def _made(priors: Sequence[Mapping[int, float]], group: _Group, first: int) -> Mapping[int, float]:
    """The prior of each entry of a group for a place from the first to the group's start."""
    found = {}
    for number in {one.entry for one in group.hypotheses}:
        known = [
            priors[number - 1][place]
            for place in range(first, group.start + 1)
            if place in priors[number - 1]
        ]
        if known:
            found[number] = sum(known)
    return found
