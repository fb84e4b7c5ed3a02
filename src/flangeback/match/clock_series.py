"""The shots of a body and what is noted of them, as numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence, Set
from itertools import pairwise
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.clock.model import SECOND
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.brightness import FrameLight, Pictures
from flangeback.match.changes import BodyTimeline, ChangeKind, Values, standing, values
from flangeback.match.exposure import hypothesis
from flangeback.match.offset_odds import (
    ChangeOdds,
    Floats,
    NotedChange,
    ShotSeries,
    begins_burst,
    lens_log_odds,
)
from flangeback.match.outcomes import has_focal
from flangeback.match.pauses import by_pauses
from flangeback.match.shots import Shot

Ints = NDArray[np.intp]

NOTED_WITHIN = 30.0
"""Seconds within which notes are made once the change was, of those that have whole minutes."""
_UNUSED = 1200.0
"""Seconds without a shot of any body after which none is in use."""
_DAY = 86400.0
_BURST = 60.0
"""Seconds between shots that tell the same of their lens."""
_COVERED = 5.0
"""Stops less light than in the shots on both sides, from where on a lens was covered to mark a
change (common practice): its light is no scene's."""
_TELLS_METERED, _TELLS_MANUAL = 0.995, 0.6
"""How likely light tells f-numbers, where exposures change from shot to shot and where they don't,
as with flash."""


class BodySeries(NamedTuple):
    """The shots of a body, the changes that were noted at a time, and what stood after each.

    The first shot was made at `begins` (seconds, by the stated clock). `states` has what stood from
    some time within a window on (seconds from the first shot), `values` with None before the first;
    `stated` are the values that each shot may have by the stated clock, the first and the last.
    """

    begins: float
    shots: ShotSeries
    changes: Sequence[NotedChange]
    states: Sequence[tuple[tuple[float, float], str | None]]
    values: Sequence[Values | None]
    stated: Sequence[tuple[Values | None, Values | None]]

    @property
    def bursts(self) -> Floats:
        """The first shot of each burst, in seconds from the first of all."""
        times = self.shots.times
        found: Floats = times[begins_burst(times)]
        return found

    @property
    def days_apart(self) -> float:
        """The whole days (seconds) by which shots and entries lie apart."""
        noted = float(np.mean([window for window, _ in self.states]))
        return round((float(np.mean(self.shots.times)) - noted) / _DAY) * _DAY

    @property
    def is_of_another_day(self) -> bool:
        """Whether all shots lie half a day or more before all entries, or after them."""
        times, noted = self.shots.times, np.array([window for window, _ in self.states])
        return bool(max(noted.min() - times[-1], times[0] - noted.max()) > _DAY / 2)

    @property
    def noted_within(self) -> float:
        """Seconds by which notes may follow what was done though nobody made them late."""
        widths = [end - start for start, end in (change.window for change in self.changes)]
        return NOTED_WITHIN * min(1.0, median(widths) / 60)

    def beside(self, others: Sequence[BodySeries], offsets: Floats) -> Floats:
        """The share of bursts, by each offset, made while other bodies were in use too."""
        bursts, found = self.bursts, np.zeros(len(offsets))
        used = np.sort(np.concatenate([one.shots.times + one.begins for one in others]))
        for stretch in np.split(used, np.flatnonzero(np.diff(used) > _UNUSED) + 1):
            first, last = stretch[0] - _UNUSED / 2, stretch[-1] + _UNUSED / 2
            after = np.searchsorted(bursts, first - self.begins + offsets)
            found += np.searchsorted(bursts, last - self.begins + offsets) - after
        return found / len(bursts)

    def weighed(self, odds: ChangeOdds, offsets: Floats, late: Floats | float) -> Floats:
        """The log likelihood of each offset, by all that changes and shots tell.

        `late` seconds are how late notes may be.
        """
        found: Floats = odds.at(offsets, late)
        return found + lens_log_odds(self.shots, self.states, offsets, late)

    def made(self, offsets: Floats, late: float = 0.0) -> tuple[Ints, Ints]:
        """For each offset and shot, how many changes came before it: at the least, at the most."""
        times = self.shots.times - offsets[:, None]
        starts, ends = zip(*(change.window for change in self.changes), strict=True)
        least = np.searchsorted(np.maximum.accumulate(ends), times, "right")
        most = np.searchsorted(np.maximum.accumulate(starts) - late, times, "right")
        return least, most

    def differ(self, offsets: Floats, late: float = 0.0) -> NDArray[np.bool_]:
        """For each offset, whether each shot surely has other values than by the stated clock."""
        ids = {one: number for number, one in enumerate(dict.fromkeys(self.values))}
        by_number = np.array([ids[one] for one in self.values])
        stated = np.array([[ids[first], ids[last]] for first, last in self.stated])
        found = np.ones((len(offsets), len(stated)), bool)
        for made in self.made(offsets, late):
            found &= (by_number[made][..., None] != stated).all(axis=-1)
        return found


def body_series(
    timeline: BodyTimeline, gear: Body | None, kit: Kit, pictures: Pictures
) -> BodySeries | None:
    """None where a body has no shots, or nothing is noted at a time."""
    noted = [(change, change.window) for change in timeline.changes if change.window is not None]
    if not timeline.shots or not noted:
        return None
    changes, states, found = [], [], list[Values | None]([None])
    placed = by_pauses(timeline.shots, [change for change, _ in noted])[0]
    settings = [None, *(change.setting for change in placed)]
    by_number = [None if setting is None else values(setting) for setting in settings]
    numbers = standing(placed, timeline.shots)
    held = {n: (by_number[n[0]], by_number[n[-1]]) for n in set(numbers)}
    stated = [held[n] for n in numbers]
    origin = timeline.shots[0].at
    for change, window in noted:
        start, end = (edge / SECOND - origin for edge in window)
        setting = change.setting
        state = _state(setting)
        mounts = bool(state) and change.kind is not ChangeKind.RING
        changes.append(NotedChange((start, end), change.kind, _stops(setting, gear, kit), mounts))
        states.append(((start, end), state))
        found.append(None if setting is None else values(setting))
    shots = _shot_series(timeline.shots, {state for _, state in states}, kit, pictures)
    return BodySeries(origin, shots, changes, states, found, stated)


def _shot_series(
    shots: Sequence[Shot], states: Set[str | None], kit: Kit, pictures: Pictures
) -> ShotSeries:
    """The shots as numbers; the light of the first and the last of each burst stands for all."""
    # In the order they were made: what a reading allows in a reset or the hour that runs twice may
    # have its middle later.
    times = np.maximum.accumulate(np.array([shot.at for shot in shots]) - shots[0].at)
    is_first = begins_burst(times)
    is_edge = is_first | np.append(is_first[1:], True)
    light, gain = np.full(len(shots), np.nan), np.full(len(shots), np.nan)
    wanted = [
        at
        for at, shot in enumerate(shots)
        if is_edge[at]
        and not shot.frame.lens_data.says_lens
        and FrameLight.of(shot.frame, None).gain is not None
    ]
    read = pictures([shots[at].frame for at in wanted])
    for at, picture in zip(wanted, read, strict=True):
        seen = FrameLight.of(shots[at].frame, picture)
        light[at], gain[at] = np.nan if seen.through is None else seen.through, seen.gain
    lit = np.flatnonzero(~np.isnan(light))
    before, between, after = (light[lit[at : len(lit) - 2 + at]] for at in range(3))
    light[lit[1:-1][between < np.minimum(before, after) - _COVERED]] = np.nan
    known = gain[is_first & ~np.isnan(gain)]
    metered = len(known) > 1 and np.count_nonzero(np.diff(known)) > len(known) / 3
    lenses = [kit.lenses[state] for state in states if state]
    tells = _TELLS_METERED if metered else _TELLS_MANUAL
    return ShotSeries(times, light, tells, *_lens_terms(shots, states, lenses))


def _lens_terms(
    shots: Sequence[Shot], states: Set[str | None], lenses: Sequence[Lens]
) -> tuple[Mapping[str | None, Floats], float]:
    """What each shot says of its lens, by state, and what all say by states taken by chance."""
    by_key = {lens.key: lens for lens in lenses}
    terms = {state: np.zeros(len(shots)) for state in (*states, None)}
    keyed_in = _keyed_in(shots, lenses)
    by_chance = 0.0
    for start, end, weight in _runs(shots):
        for state, found in terms.items():
            term = _lens_term(shots[start].frame, state, by_key, keyed_in=keyed_in)
            found[start:end] = weight * term
        whole = [(end - start) * terms[state][start] for state in states]
        by_chance += float(np.logaddexp.reduce(whole)) - math.log(len(states))
    return terms, by_chance


def _state(setting: Setting | None) -> str | None:
    """What stood on the body: a lens's key, nothing adapted (""), or None where nothing is said."""
    return None if setting is None else setting.lens or ""


def _runs(shots: Sequence[Shot]) -> Iterator[tuple[int, int, float]]:
    """Shots in a row that say the same of their lens, and the weight of each.

    A long row tells no more than two bursts do, as one mistake may have made it.
    """
    start = 0
    for at in range(1, len(shots) + 1):
        if at == len(shots) or _says(shots[at].frame) != _says(shots[start].frame):
            times = [shot.at for shot in shots[start:at]]
            bursts = 1 + sum(later - one > _BURST for one, later in pairwise(times))
            yield start, at, min(bursts, 2) / (at - start)
            start = at


def _says(frame: Frame) -> tuple[object, ...]:
    data = frame.lens_data
    return data.lens, data.says_lens, data.registered_focal_length


def _keyed_in(shots: Sequence[Shot], lenses: Sequence[Lens]) -> bool:
    """Whether the focal length of each lens was registered: two at least were."""
    registered = {shot.frame.lens_data.registered_focal_length for shot in shots} - {None}
    return sum(any(has_focal(lens, one) for one in registered if one) for lens in lenses) > 1


def _lens_term(
    frame: Frame, state: str | None, lenses: Mapping[str, Lens], *, keyed_in: bool
) -> float:
    """The log likelihood of what a frame says of its lens, by what stood on the body."""
    data = frame.lens_data
    if data.says_lens:
        if not state:
            return _LOG_NATIVE["off" if state == "" else None]
        named = same_lens(lenses[state], data.lens, data.specification)
        return _LOG_NATIVE["same" if named else "other"]
    term = _LOG_BLANK["off" if state == "" else None if state is None else "lens"]
    registered = data.registered_focal_length
    if state and keyed_in and registered is not None:
        term += math.log(0.9 if has_focal(lenses[state], registered) else 0.1)
    return term


_LOG_NATIVE = {"same": -0.1, "other": -2.5, "off": -0.1, None: -0.5}
_LOG_BLANK = {"lens": -0.1, "off": -1.2, None: -1.2}
"""Log likelihoods (judgement) of a frame with a lens named, and of one without, under an adapted
lens, `off` and before any entry."""


def _stops(setting: Setting | None, body: Body | None, kit: Kit) -> float:
    """log2 N^2 as the sensor sees it; nan where the f-number isn't known."""
    known = hypothesis(0, setting, body, kit)
    return known.stops if known else math.nan
