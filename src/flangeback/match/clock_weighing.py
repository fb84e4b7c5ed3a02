"""Whether each body's stated clock fits its frames, or another offset fits better.

Every offset within a day and two hours has its odds, by all that the frames tell (`offset_odds`)
and by how likely people are to be off by as much: the prior sums to 1, so that trying many offsets
finds nothing by chance. Nothing is corrected; what is found is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from flangeback.clock.model import SECOND, ClockSource, StatedClock
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.brightness import FrameLight, PictureReader, read_several
from flangeback.match.changes import BodyTimeline, Change
from flangeback.match.clock_fit import CONTRADICTED, UNRELATED, ClockFit
from flangeback.match.exposure import hypothesis
from flangeback.match.outcomes import FALSE_REGISTER
from flangeback.match.shots import Shot

if TYPE_CHECKING:
    from flangeback.match.offset_odds import Floats, NotedChange, ShotSeries

_DAY = 86400.0
_REACH = 26 * 3600.0
"""Seconds, either way: a day, a zone and summer time."""
_STEP, _FINE_STEP = 60.0, 1.0
"""Seconds from one offset to the next that are looked at everywhere, and near those that stand
out."""
_NEAR_STATED, _NEAR_BEST, _BEST, _LIT = 300.0, 60.0, 5, 300
"""Seconds around the stated clock, and around so many that stand out, that count as near; and shots
whose light is enough to find those."""
_APART = 20.0
"""Seconds around an offset that count as it."""
_LIKE_PLAIN = 60.0
"""Seconds within which a plain mistake is proposed instead, if it fits about as well."""
_ANY, _TELLS = 3600.0, math.log(10)
"""Frames tell something where the stated clock is likelier, by so much (log), than any other within
so many seconds on the average."""
_LATENESS = (60.0, 120.0, 180.0, 300.0)
"""Seconds that notes may be late at the most, some more, some less."""
_LATE_BY = 20.0, 240.0
"""Seconds, from and to, by which all may be late alike."""
_BURST = 60.0
"""Seconds between shots that tell the same of their lens."""


_RIGHT = {ClockSource.LOG: 0.9, ClockSource.GPS: 0.97, None: 0.6}
"""How likely a clock goes as stated, as the next five before any frame is seen (judgement)."""
_PRIORS: Sequence[tuple[float, float, float]] = (
    # Share of wrong clocks, offset and standard deviation in seconds.
    (0.30, 0, 60),
    (0.15, 0, 600),
    (0.13, 3600, 30), (0.13, -3600, 30),
    (0.03, 7200, 30), (0.03, -7200, 30),
    (0.05, 43200, 30), (0.05, -43200, 30),
    (0.05, 86400, 30), (0.05, -86400, 30),
)  # fmt: skip
_SIGN_SWAPPED, _OTHER_DAY, _ANYTHING = 0.10, 0.10, 0.02
"""The same of clocks whose `fast` should have been `slow`, of those that are off by the days that
lie between shots and entries, and of all other offsets."""
_TELLS_METERED, _TELLS_MANUAL = 0.99, 0.85
"""How likely light tells f-numbers, where exposures change from shot to shot and where they don't,
as with flash."""
_LATE = 0.1
"""How likely notes were made late throughout: half of them alike."""
_UNRELATED = 0.002
"""How likely the log is another outing's."""


def fit_clock(
    body: str | None, timeline: BodyTimeline, stated: StatedClock, kit: Kit, pictures: PictureReader
) -> ClockFit:
    """How the stated clock of one body fits its frames. `pictures` gives the light of a frame."""
    noted = [change for change in timeline.changes if change.window is not None]
    if not timeline.shots or not noted:
        return ClockFit(body, stated)
    import numpy as np

    from flangeback.match.offset_odds import NotedChange, lens_log_odds, log_odds

    gear = kit.bodies.get(body or "")
    origin = timeline.shots[0].at
    shots = _series(timeline.shots, noted, kit, pictures)
    changes, states = [], []
    for change in noted:
        assert change.window is not None
        start, end = (edge / SECOND - origin for edge in change.window)
        stops = _stops(change.setting, gear, kit)
        changes.append(NotedChange((start, end), change.kind, stops))
        states.append(((start + end) / 2, _state(change.setting)))

    def odds(offsets: Floats) -> Floats:
        found: Floats = log_odds(shots, changes, offsets) + lens_log_odds(shots, states, offsets)
        return found

    days = round(float(np.mean(shots.times) - np.mean([at for at, _ in states])) / _DAY) * _DAY
    tried = _tried(shots, changes, states, days)
    weighed = odds(tried)
    still = np.zeros(1)
    lens = lens_log_odds(shots, states, still)
    late = {one: float((log_odds(shots, changes, still, one) + lens)[0]) for one in _LATENESS}
    # A frame that names another lens is a matter of that frame: it doesn't make the log another's.
    unrelated = float(lens[0])
    prior = _prior(tried, stated, days)
    return _judged(ClockFit(body, stated), tried, weighed, prior, late, unrelated)


def _tried(
    shots: ShotSeries,
    changes: Sequence[NotedChange],
    states: Sequence[tuple[float, str | None]],
    days: float,
) -> Floats:
    """The offsets to weigh: many around none and around those that stand out, some everywhere.

    Which stand out is seen by steps of a minute, each change having as much room, by the light of
    some of the shots; also about the whole days by which shots and entries lie apart.
    """
    import numpy as np

    from flangeback.match.offset_odds import lens_log_odds, log_odds

    reach = np.arange(-_REACH, _REACH + _STEP, _STEP)
    coarse = np.unique(np.concatenate([reach, reach + days]))
    lit = np.cumsum(~np.isnan(shots.light)) <= _LIT
    few = replace(shots, light=np.where(lit, shots.light, np.nan))
    room = _STEP / 2
    roomy = [replace(one, window=(one.window[0] - room, one.window[1] + room)) for one in changes]
    seen = log_odds(few, roomy, coarse) + lens_log_odds(shots, states, coarse)
    about = [(0.0, _NEAR_STATED), *((at, _NEAR_BEST) for at in coarse[np.argsort(seen)[-_BEST:]])]
    fine = [np.arange(at - near, at + near + _FINE_STEP, _FINE_STEP) for at, near in about]
    found: Floats = np.unique(np.concatenate([coarse[::10], *fine]))
    return found


def _judged(
    fit: ClockFit,
    tried: Floats,
    weighed: Floats,
    prior: Floats,
    late: Mapping[float, float],
    unrelated: float,
) -> ClockFit:
    """The fit by the odds of each offset that was tried."""
    import numpy as np

    right = _RIGHT[fit.stated.source]
    error = max(2.0, fit.stated.error)
    near = np.abs(tried) <= error
    as_stated = math.log(right) + float(np.log(np.mean(np.exp(weighed[near]))))
    width = np.minimum(np.gradient(tried), _STEP)
    # Notes that are all late by as much look like a clock that is slow.
    slow = (tried <= -_LATE_BY[0]) & (tried >= -_LATE_BY[1])
    by_lateness = np.where(slow, _LATE / 2 / (_LATE_BY[1] - _LATE_BY[0]), 0.0)
    prior = prior * (1 - right) + by_lateness
    posterior = np.where(near, -np.inf, weighed + np.log(prior * width))
    at = int(np.argmax(posterior))
    about = np.abs(tried - tried[at]) <= _LIKE_PLAIN
    alike = tried[about & (weighed > weighed[at] - 2)]
    best = _plainest(float(tried[at]), alike.tolist(), fit.stated)
    about = np.abs(tried - best) <= _APART
    other = float(np.logaddexp.reduce(posterior[about]))
    lateness = max(late, key=lambda one: late[one])
    as_late = late[lateness] + math.log(_LATE / 2 / len(late))
    against = max(other, as_late, unrelated + math.log(_UNRELATED))
    if against < as_stated:
        about = np.abs(tried) <= _ANY
        if as_stated - math.log(right) < np.log(np.mean(np.exp(weighed[about]))) + _TELLS:
            return fit
        return replace(fit, fits=fit.stated.ahead, odds=math.exp(min(50.0, as_stated - against)))
    odds = math.exp(min(50.0, against - as_stated))
    is_related = max(other, as_late) >= unrelated + math.log(_UNRELATED)
    return replace(
        fit,
        fits=fit.stated.ahead + best,
        odds=odds,
        agrees=odds < (CONTRADICTED if is_related else UNRELATED),
        late=lateness if as_late > other else _slack(best) if by_lateness[at] > 0 else None,
        is_related=is_related,
    )


def _plainest(offset: float, alike: Sequence[float], stated: StatedClock) -> float:
    """An offset, or a plain mistake that fits about as well: whole half hours, a swapped sign."""
    plain = [round(offset / 1800) * 1800.0, -2 * stated.ahead]
    return next((one for one in plain if one and any(abs(one - n) <= 1 for n in alike)), offset)


def _slack(offset: float) -> float:
    """The slack (seconds, in whole minutes) for notes that are late by so much, more or less."""
    return 60.0 * math.ceil((abs(offset) + 30) / 60)


def _prior(offsets: Floats, stated: StatedClock, days: float) -> Floats:
    """How likely a wrong clock is off by each of these, per second: it sums to 1.

    `days` are the whole days (seconds) by which shots and entries lie apart.
    """
    import numpy as np

    peaks = [*_PRIORS, (_OTHER_DAY, days, 30), (_OTHER_DAY / 4, days - 3600, 30)]
    peaks += [(_OTHER_DAY / 4, days + 3600, 30), (_SIGN_SWAPPED, -2 * stated.ahead, 5)]
    total = _ANYTHING + sum(share for share, *_ in peaks)
    found = np.full(len(offsets), _ANYTHING / (4 * _REACH))
    for share, at, deviation in peaks:
        found += share * np.exp(-(((offsets - at) / deviation) ** 2) / 2) / deviation / 2.5066
    normalised: Floats = found / total
    return normalised


def _series(
    shots: Sequence[Shot], changes: Sequence[Change], kit: Kit, pictures: PictureReader
) -> ShotSeries:
    """The shots as numbers; the light of the first one of each burst stands for all."""
    import numpy as np

    from flangeback.match.offset_odds import ShotSeries

    times = np.array([shot.at for shot in shots]) - shots[0].at
    first = np.concatenate([[True], np.diff(times) > 3])
    light, gain = np.full(len(shots), np.nan), np.full(len(shots), np.nan)
    wanted = [
        at
        for at, shot in enumerate(shots)
        if first[at] and FrameLight.of(shot.frame, None).gain is not None
    ]
    read = read_several([shots[at].frame for at in wanted], pictures)
    for at, picture in zip(wanted, read, strict=True):
        seen = FrameLight.of(shots[at].frame, picture)
        light[at], gain[at] = np.nan if seen.through is None else seen.through, seen.gain
    known = gain[~np.isnan(gain)]
    metered = len(known) > 1 and np.count_nonzero(np.diff(known)) > len(known) / 3
    states = {_state(change.setting) for change in changes} | {None}
    terms = {state: np.zeros(len(shots)) for state in states}
    keyed_in = _keyed_in(shots, [kit.lenses[state] for state in states if state])
    for start, end, weight in _runs(shots):
        for state in states:
            term = _lens_term(shots[start].frame, state, kit, keyed_in=keyed_in)
            terms[state][start:end] = weight * term
    return ShotSeries(times, light, _TELLS_METERED if metered else _TELLS_MANUAL, terms)


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
    return sum(any(_is_of(lens, one) for one in registered if one) for lens in lenses) > 1


def _is_of(lens: Lens, registered: Fraction) -> bool:
    low, high = (Fraction(end) for end in lens.focal)
    return low * (1 - FALSE_REGISTER) <= registered <= high * (1 + FALSE_REGISTER)


def _lens_term(frame: Frame, state: str | None, kit: Kit, *, keyed_in: bool) -> float:
    """The log likelihood of what a frame says of its lens, by what stood on the body."""
    data = frame.lens_data
    if data.says_lens:
        if not state:
            return _LOG_NATIVE["off" if state == "" else None]
        named = same_lens(kit.lenses[state], data.lens, data.specification)
        return _LOG_NATIVE["same" if named else "other"]
    term = _LOG_BLANK["off" if state == "" else None if state is None else "lens"]
    registered = data.registered_focal_length
    if state and keyed_in and registered is not None:
        term += math.log(0.9 if _is_of(kit.lenses[state], registered) else 0.1)
    return term


_LOG_NATIVE = {"same": -0.1, "other": -4.6, "off": -0.1, None: -0.5}
_LOG_BLANK = {"lens": -0.1, "off": -1.2, None: -1.2}
"""Log likelihoods (judgement) of a frame with a lens named, and of one without, under an adapted
lens, `off` and before any entry."""


def _stops(setting: Setting | None, body: Body | None, kit: Kit) -> float:
    """log2 N^2 as the sensor sees it; nan where the f-number isn't known."""
    known = hypothesis(0, setting, body, kit)
    return known.stops if known else math.nan
