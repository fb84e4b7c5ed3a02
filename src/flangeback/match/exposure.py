"""How bright the light was that a body's shots were made in, as far as their f-number is known.

log2(scene) = log2(N^2 / (t * S/100)) + the picture's own brightness (APEX; CIPA DC-008).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import islice, pairwise
from statistics import median
from typing import NamedTuple

from flangeback.clock.model import SECOND
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.kit.names import same_lens
from flangeback.kit.stops import series
from flangeback.log.model import Setting
from flangeback.match.brightness import (
    NO_LAYOUT,
    FrameLight,
    PictureLight,
    Pictures,
    likenesses,
)
from flangeback.match.changes import Change, setting_of, standing
from flangeback.match.observation import Hypothesis, Observation
from flangeback.match.outcomes import shared_fill
from flangeback.match.pauses import place_odds
from flangeback.match.scatter import Pair, learn_scatter, spread_of
from flangeback.match.shots import Shot

_SAME_SCENE = 3 * SECOND
"""Microseconds. Shots that follow each other as quickly show one scene, and count as one."""
_LEAST_OFFSET = 0.7
"""Stops; half a stop is within what scenes and lenses differ by."""
_BEYOND_RING = 0.25
"""Stops to either side of the ends of a ring, whose marks are rounded."""
_BLACK, _WHITE = -8.0, -0.75
"""log2 of mean luminance, over white's. A picture beyond them is clipped, and its brightness isn't
the scene's. (18 % grey is -2.5; a scene of snow, -1.)"""
_REPEATED = 30.0
"""How many times as likely a ring was turned without a note before an entry that repeats what holds
already."""
_AT_ONCE = 1024
"""Scenes whose pictures are read at once."""
_NEIGHBOURS = 12
"""Samples to either side whose differences tell the spread at a place."""


class Scene(NamedTuple):
    """Shots from `start` up to `end` of one scene.

    `light` is log2 of the light that came through the lens at a time (`at`, seconds), with its
    `spread` in stops, `gain` log2 of the first shot's exposure time (seconds) times ISO / 100. The
    hypotheses are empty where the f-number isn't known by any entry that may hold. `likeness` is
    that of the first picture to the last one before of a scene with hypotheses.
    """

    start: int
    end: int
    at: float
    light: float
    gain: float
    hypotheses: tuple[Hypothesis, ...] = ()
    spread: float = 0.0
    likeness: float | None = None

    @property
    def first_brightness(self) -> float:
        """The light's own (log2), if the first hypothesis held."""
        return self.light + self.hypotheses[0].stops


class BodyLight(NamedTuple):
    """What one body's shots tell of the light.

    `scenes` have hypotheses, `unknown` have none. `observe` makes of a scene, by its number, an
    observation of the ring model. Where the f-number is known, the light had this `brightness`
    (log2) at these `times` (seconds), which rise. `turns` has for each change by how many stops
    less light the lens passes after it, 0 where that isn't known.
    """

    scenes: Sequence[Scene] = ()
    observe: Callable[[int], Observation] | None = None
    unknown: Sequence[Scene] = ()
    times: Sequence[float] = ()
    brightness: Sequence[float] = ()
    turns: Sequence[float] = ()


def body_light(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    body: Body | None,
    kit: Kit,
    pictures: Pictures,
    named: Collection[str],
) -> BodyLight:
    """The light of one body's shots, but for the files in `named`.

    The changes don't apply to those. Each change has its prior at each of its places.
    """
    pairs, scenes, unknown = list[Pair](), list[Scene](), list[Scene]()
    times, brightness, looks = array("d"), array("d"), bytearray()
    groups = _groups(shots, changes, body, kit, named)
    for scene in _scenes(groups, shots, pictures, pairs, looks):
        (scenes if scene.hypotheses else unknown).append(scene)
        if len(scene.hypotheses) == 1:
            times.append(scene.at)
            brightness.append(scene.first_brightness)
    turns = [_turn(change, body, kit) for change in changes]
    alike = zip(scenes, likenesses(bytes(looks)), strict=True)
    scenes = [scene._replace(likeness=likeness) for scene, likeness in alike]
    pairs += _pairs(shots, scenes)
    scatter = learn_scatter(pairs)
    del pairs  # What is made from here on takes their place in memory.
    if scatter is None:
        return BodyLight((), None, unknown, times, brightness, turns)
    place = 0
    for number, scene in enumerate(scenes):
        place += len(scene.hypotheses) == 1
        here = spread_of(brightness[max(0, place - _NEIGHBOURS) : place + _NEIGHBOURS])
        # A spread that is small here by chance is no evidence of steady light.
        scenes[number] = scene._replace(spread=max(here or 0.0, scatter.scenes))
    priors = [place_odds(shots, change) for change in changes]

    def observe(number: int) -> Observation:
        scene, before = scenes[number], scenes[number - 1] if number else None
        return Observation(
            scene.at,
            scene.light,
            scene.spread,
            scene.hypotheses,
            scatter.same_scene(_pair(shots, before, scene), scene.spread) if before else None,
            _made(priors, scene, before.end if before else 0),
            unnoted_ratio=_unnoted_ratio(changes, scene),
        )

    return BodyLight(scenes, observe, unknown, times, brightness, turns)


def _turn(change: Change, body: Body | None, kit: Kit) -> float:
    old, new = (hypothesis(0, one, body, kit) for one in (change.before, change.setting))
    return new.stops - old.stops if old and new else 0.0


def _pair(shots: Sequence[Shot], before: Scene, after: Scene) -> Pair:
    """Two scenes, with their difference as if the first hypothesis of each held."""
    seconds = (shots[after.start].start - shots[before.end - 1].start) / SECOND
    return Pair(seconds, after.first_brightness - before.first_brightness, after.likeness)


def _pairs(shots: Sequence[Shot], scenes: Sequence[Scene]) -> Iterator[Pair]:
    """Scenes by known entries and one lens, one after the other."""
    for one, other in pairwise(scenes):
        lenses = {hypothesis.lens for hypothesis in (*one.hypotheses, *other.hypotheses)}
        if len(one.hypotheses) == len(other.hypotheses) == len(lenses) == 1:
            yield _pair(shots, one, other)


_Group = tuple[int, int, tuple[Hypothesis, ...], Sequence[Frame]]
"""Shots of one scene, from the first up to an end, what may have held, and the frames that tell."""


def _groups(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    body: Body | None,
    kit: Kit,
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
    held: dict[tuple[int, ...], tuple[set[str], tuple[Hypothesis, ...]]] = {}
    for start, end in pairwise([*starts, len(shots)]):
        if (which := numbers[start]) not in held:
            settings = [setting_of(changes, n) for n in which]
            hypotheses = tuple(one for n in which if (one := known[n]) is not None)
            lenses = {setting.lens for setting in settings if setting and setting.lens}
            held[which] = lenses, hypotheses if len(hypotheses) == len(settings) else ()
        lenses, hypotheses = held[which]
        usable = [
            shot.frame
            for shot in shots[start:end]
            if lenses and shot.frame.file not in named and _may_be_by(shot, lenses, kit)
        ]
        yield start, end, hypotheses, _chosen(usable)


def _scenes(
    every: Iterable[_Group],
    shots: Sequence[Shot],
    pictures: Pictures,
    within: list[Pair],
    looks: bytearray,
) -> Iterator[Scene]:
    """The scenes whose light is known; `within` takes pairs of shots of one.

    `looks` takes the layouts of the last picture before a scene with hypotheses, and of its first.
    """
    last = NO_LAYOUT
    for start, end, hypotheses, frames, read in _read(every, pictures):
        told = [
            (light, picture)
            for one, picture in zip(frames, read, strict=True)
            if picture and (light := _light(one, picture)) is not None
        ]
        if not told:
            continue
        lights, seen = [light for light, _ in told], told[0][1]
        if hypotheses:
            within += (Pair(0.0, after - before) for before, after in pairwise(lights))
            looks += last + seen.layout
            last = told[-1][1].layout
        gain = seen.brightness - lights[0]
        yield Scene(start, end, shots[start].at, median(lights), gain, hypotheses)


def _read(
    every: Iterable[_Group], pictures: Pictures
) -> Iterator[tuple[*_Group, Sequence[PictureLight | None]]]:
    """The groups with their pictures, as many read at once as memory has room for."""
    rest = iter(every)
    while some := list(islice(rest, _AT_ONCE)):
        read = iter(pictures([frame for *_, frames in some for frame in frames]))
        yield from ((*group, list(islice(read, len(group[-1])))) for group in some)


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
    """By how many stops the ring could stand elsewhere than logged: wide open, or at a full stop.

    One between two full stops is found by the nearer one.
    """
    lens = kit.lenses[setting.lens or ""]
    if not lens.aperture_ring or setting.f_number is None:
        return ()
    logged = 2 * math.log2(setting.f_number)
    widest, narrowest = (2 * math.log2(end) for end in (min(lens.widest), lens.limit))
    full = (2 * math.log2(stop.exact) for stop in series("full"))
    marks = [widest, *(mark for mark in full if widest < mark - _BEYOND_RING < narrowest)]
    return tuple(mark - logged for mark in marks if abs(mark - logged) >= _LEAST_OFFSET)


def _unnoted_ratio(changes: Sequence[Change], scene: Scene) -> float:
    """How many times as likely a turn without a note is before a scene than elsewhere."""
    after = changes[scene.hypotheses[0].entry :]
    return _REPEATED if after and after[0].repeats else 1.0


def _made(priors: Sequence[Mapping[int, float]], scene: Scene, first: int) -> Mapping[int, float]:
    """The prior of each entry of a scene for a place from the first to the scene's start."""
    found = {}
    for number in {one.entry for one in scene.hypotheses}:
        known = [
            priors[number - 1][place]
            for place in range(first, scene.start + 1)
            if place in priors[number - 1]
        ]
        if known:
            found[number] = sum(known)
    return found
