"""The brightness of what a body saw, look by look.

log2(scene) = log2(N^2 / (t * S/100)) + the picture's own brightness (APEX; CIPA DC-008).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from flangeback.clock.model import SECOND
from flangeback.evidence.course import Option, SameScene, Sight
from flangeback.evidence.light import Look, overall, scatter, within
from flangeback.evidence.pictures import PictureReader
from flangeback.kit.model import Body, Kit
from flangeback.kit.names import same_lens
from flangeback.kit.stops import series
from flangeback.log.model import Setting
from flangeback.match.changes import Change, standing
from flangeback.match.outcomes import shared_fill
from flangeback.match.pauses import place_odds
from flangeback.match.shots import Shot

_ONE_LOOK = 3 * SECOND
"""Microseconds. Frames that follow each other as quickly show one scene: seen twice, it counts
once."""
_LEAST_TURN = 1.0
"""Stops. Rings click in halves or whole stops (common practice); a half is within what scenes and
lenses differ by, and there is no telling."""
_BEYOND = 0.25
"""Stops beyond the ends of a ring, whose marks are rounded."""
_BLACK, _WHITE = -8.0, -0.75
"""log2 of mean luminance, over white's: a picture beyond them is cut off at the dark or the bright
end, and its brightness says nothing of the scene's. (18 % grey is -2.5; a scene of snow, -1.)"""
_NEAR = 5
"""Looks to either side that tell of a moment."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Shots from `start` up to `end` in the order, of one scene, as a sight."""

    start: int
    end: int
    sight: Sight


@dataclass(frozen=True, slots=True)
class _Group:
    start: int
    end: int
    options: tuple[Option, ...]
    lights: Sequence[float]

    @property
    def light(self) -> float:
        return median(self.lights)


Odds = Mapping[tuple[int, int], float]
"""How likely the change that begins an era was made at a place in the order, before anything is
seen, by era and place."""


class Scenes:
    """What one body saw where its f-number is known, or one of several that are."""

    def __init__(
        self, shots: Sequence[Shot], kit: Kit, body: Body | None, pictures: PictureReader
    ) -> None:
        self.shots = shots
        self.kit = kit
        self.body = body
        self.seen: Sequence[Seen] = ()
        self._pictures = pictures
        self._looks: Sequence[Look] = ()

    def take(self, changes: Sequence[Change], named: Collection[str]) -> None:
        """Look at the shots as these changes have them, without those in `named`."""
        odds = {
            (number, place): part
            for number, change in enumerate(changes, 1)
            for place, part in place_odds(self.shots, change).items()
        }
        groups = list(self._groups(changes, named, {place for _, place in odds}))
        sure = [group for group in groups if len(group.options) == 1]
        self._looks = [
            Look(self._time(group), group.light + group.options[0].stops) for group in sure
        ]
        starts = [group.start for group in sure]
        everywhere = overall(self._looks)
        inside = within([group.lights for group in groups])
        seen: list[Seen] = []
        before: _Group | None = None
        for group in groups:
            here = scatter(self._looks, bisect_right(starts, group.start))
            if here is None:
                continue
            # Where light is lively evidence keeps still; a calm that chance made is none.
            spread = max(here, everywhere or 0.0)
            same = before is not None and not self._apart(before, group)
            sight = Sight(
                self._time(group),
                group.light,
                spread,
                group.options,
                _again(spread, inside or spread, before, group) if before and same else None,
                _made(odds, group.options, before.end if before else 0, group.start),
            )
            seen.append(Seen(group.start, group.end, sight))
            before = group
        self.seen = seen

    def _apart(self, one: _Group, other: _Group) -> bool:
        shots = self.shots
        return shots[other.start].start - shots[one.end - 1].start > _ONE_LOOK

    def _time(self, group: _Group) -> float:
        return self.shots[group.start].at

    def turn(self, old: Setting | None, new: Setting | None) -> float:
        """By how many stops a ring was turned from one setting to another; 0 if that isn't
        known."""
        options = [option_of(0, setting, self.body, self.kit) for setting in (old, new)]
        one, other = options
        return other.stops - one.stops if one and other else 0.0

    # Looks -------------------------------------------------------------------------------------

    def _groups(
        self, changes: Sequence[Change], named: Collection[str], places: Collection[int]
    ) -> Iterator[_Group]:
        known = _OptionsOf(self, changes)
        start = 0
        shots = self.shots
        while start < len(shots):
            options = known(start)
            end = start + 1
            while (
                end < len(shots)
                and end not in places
                and shots[end].start - shots[end - 1].start <= _ONE_LOOK
                and known(end) == options
            ):
                end += 1
            usable = [at for at in range(start, end) if self._tells(shots[at], options, named)]
            lights = self._lights(usable) if options else ()
            if lights:
                yield _Group(start, end, options, lights)
            start = end

    def _tells(self, shot: Shot, options: Sequence[Option], named: Collection[str]) -> bool:
        """Whether a lens of the log was on, as far as the frame says."""
        data = shot.frame.lens_data
        if shot.frame.file in named or not options:
            return False
        lenses = {option.lens for option in options}
        return not data.says_lens or any(
            same_lens(self.kit.lenses[lens], data.lens, data.specification) for lens in lenses
        )

    def _lights(self, places: Sequence[int]) -> Sequence[float]:
        """log2 of the light that came through the lens: the first of the shots, the middle and the
        last stand for all. Those of which it isn't known are left out."""
        if not places:
            return ()
        read = sorted({places[0], places[len(places) // 2], places[-1]})
        found = (self._light_of(self.shots[at]) for at in read)
        return tuple(light for light in found if light is not None)

    def _light_of(self, shot: Shot) -> float | None:
        time, iso = shot.frame.exposure.time, shot.frame.exposure.iso
        picture = None if time is None or iso is None else self._pictures(shot.frame)
        if time is None or iso is None or picture is None:
            return None
        if not _BLACK < picture.brightness < _WHITE:
            return None
        return picture.brightness - math.log2(float(time) * iso / 100)

    # At a time ---------------------------------------------------------------------------------

    def looks_at(self, time: float, reach: float) -> tuple[list[Look], list[Look]]:
        """The looks up to `reach` seconds before a time (seconds), and after it."""
        place = bisect_right(self._looks, time, key=lambda look: look.at)
        before = self._looks[max(0, place - _NEAR) : place]
        after = self._looks[place : place + _NEAR]
        return (
            [look for look in before if time - look.at <= reach],
            [look for look in after if look.at - time <= reach],
        )


class _OptionsOf:
    """How a shot may have been made, by its place. Every entry says anew how the ring stands."""

    def __init__(self, scenes: Scenes, changes: Sequence[Change]) -> None:
        self.standing = standing(changes, scenes.shots)
        self.known: list[Option | None] = [None]
        for era, change in enumerate(changes, 1):
            self.known.append(option_of(era, change.setting, scenes.body, scenes.kit))
        self.cache: dict[tuple[int, ...], tuple[Option, ...]] = {}

    def __call__(self, place: int) -> tuple[Option, ...]:
        """Empty where they aren't all known."""
        eras = self.standing[place]
        if eras not in self.cache:
            options = [self.known[era] for era in eras]
            known = [option for option in options if option is not None]
            if len(known) > 1:
                # In the minute of a turn that was noted, none is looked for that wasn't.
                known = [replace(option, turns=()) for option in known]
            self.cache[eras] = () if None in options else tuple(known)
        return self.cache[eras]


def _again(spread: float, inside: float, before: _Group, now: _Group) -> SameScene:
    """How a look lies to the one before it in its burst. What differs from scene to scene is the
    same for both; what differs from frame to frame, by `inside` stops, isn't."""
    own = inside**2 / len(before.lights)
    share = max(0.0, spread**2 - own) / max(spread**2, own)
    return SameScene(math.sqrt(inside**2 / len(now.lights) + share * own), share)


def _made(odds: Odds, options: Sequence[Option], first: int, last: int) -> Mapping[int, float]:
    """How likely the changes up to these options were made from the first place to the last."""
    found: dict[int, float] = {}
    for era in {option.era for option in options}:
        known = [odds[era, place] for place in range(first, last + 1) if (era, place) in odds]
        if known:
            found[era] = sum(known)
    return found


def option_of(era: int, setting: Setting | None, body: Body | None, kit: Kit) -> Option | None:
    """A setting as the light takes it; None where its f-number isn't known."""
    if setting is None or setting.lens is None or setting.f_number is None:
        return None
    lens = kit.lenses[setting.lens]
    f_number = shared_fill([setting], lens, body, kit).f_number
    if f_number is None:
        return None
    return Option(era, 2 * math.log2(f_number), _turns(setting, kit), lens.key)


def _turns(setting: Setting, kit: Kit) -> tuple[float, ...]:
    """By how many stops, in halves, the ring could stand elsewhere than logged."""
    lens = kit.lenses[setting.lens or ""]
    if not lens.aperture_ring or setting.f_number is None:
        return ()
    logged = 2 * math.log2(setting.f_number)
    widest, narrowest = (2 * math.log2(end) for end in (min(lens.widest), lens.narrowest))
    halves = (n / 2 for n in range(-20, 21))
    return tuple(
        turn
        for turn in halves
        if abs(turn) >= _LEAST_TURN and widest - _BEYOND <= logged + turn <= narrowest + _BEYOND
    )


def mark_near(f_number: float) -> str:
    """The mark of a ring that is nearest, as people write it."""
    stops = series("half")
    return f"f/{min(stops, key=lambda stop: abs(math.log2(stop.exact / f_number))).mark}"
