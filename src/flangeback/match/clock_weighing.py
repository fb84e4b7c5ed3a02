"""Whether each body's stated clock fits its frames, or another offset fits better.

Every offset within a day and two hours has its odds, by all that the frames tell (`offset_odds`)
and by how likely people are to be off by as much: the prior sums to 1, so that trying many offsets
finds nothing by chance. Nothing is corrected; what is found is told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from flangeback.clock.model import ClockSource, StatedClock
from flangeback.kit.model import Kit
from flangeback.match.brightness import PictureReader
from flangeback.match.clock_fit import CONTRADICTED, UNRELATED, ClockFit
from flangeback.match.index import BodyLog

if TYPE_CHECKING:
    from flangeback.match.clock_series import BodySeries
    from flangeback.match.offset_odds import ChangeOdds, Floats

_DAY = 86400.0
_REACH = 26 * 3600.0
"""Seconds, either way: a day, a zone and summer time."""
_STEP, _FINE_STEP = 60.0, 1.0
"""Seconds from one offset to the next that are looked at everywhere, and near those that stand
out."""
_NEAR_STATED, _NEAR_BEST, _BEST = 300.0, 60.0, 5
"""Seconds around the stated clock, and around so many that stand out, that count as near."""
_APART = 60.0
"""Seconds around an offset that count as it."""
_LIKE_PLAIN = 60.0
"""Seconds within which a plain mistake is proposed instead, if it fits about as well."""
_ANY, _TELLS = 3600.0, math.log(10)
"""Frames tell something where the stated clock is likelier, by so much (log), than any other within
so many seconds on the average."""
_LATE_BY = 20.0, 240.0
"""Seconds, from and to, by which all notes may be late alike."""
_LATENESS = tuple((least, more) for least in (0.0, 30.0, 60.0, 120.0) for more in (60.0, 120.0))
_LATENESS += ((0.0, 180.0), (0.0, 300.0), (60.0, 180.0))
"""Seconds that notes may be late at the least, and by how many more at the most."""

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
_LATE = 0.1
"""How likely notes were made late throughout: half of them alike."""
_UNRELATED = 0.002
"""How likely the log is another outing's."""
_FEWEST = 6
"""Bursts: fewer tell too little of a clock."""
_LIGHTEST = 1e-4
"""The least probability of an offset by which shots are looked at one by one."""


def fit_clocks(
    logs: Mapping[str | None, BodyLog], kit: Kit, pictures: PictureReader
) -> Mapping[str | None, ClockFit]:
    """How the stated clock of each body fits its frames. `pictures` gives the light of a frame."""
    from flangeback.match.clock_series import body_series

    fits = {}
    for body, log in logs.items():
        series = body_series(log.timeline, kit.bodies.get(body or ""), kit, pictures)
        fits[body] = ClockFit(body, log.stated)
        if series is not None and series.bursts >= _FEWEST:
            fits[body] = _Weighing.of(series).judged(fits[body])
    return fits


@dataclass(frozen=True, slots=True)
class _Weighing:
    """The offsets that were tried and the log likelihood of each.

    `near` are those that count as the stated one. `late` has the likelihood of each lateness,
    `unrelated` that of a log that has nothing to do with the frames. `days` are the whole days
    (seconds) by which shots and entries lie apart.
    """

    series: BodySeries
    tried: Floats
    weighed: Floats
    late: Floats
    unrelated: float
    days: float

    @classmethod
    def of(cls, series: BodySeries) -> _Weighing:
        """All that the frames of one body tell."""
        import numpy as np

        from flangeback.match.offset_odds import ChangeOdds, lens_log_odds

        odds = ChangeOdds.of(series.shots, series.changes)
        noted = float(np.mean([at for at, _ in series.states]))
        days = round((float(np.mean(series.shots.times)) - noted) / _DAY) * _DAY
        tried = _tried(series, odds, days)
        lens = lens_log_odds(series.shots, series.states, tried)
        least = np.array([-least for least, _ in _LATENESS])
        late = np.array(
            [odds.at(least[at : at + 1], more)[0] for at, (_, more) in enumerate(_LATENESS)]
        )
        late += lens_log_odds(series.shots, series.states, least)
        # A frame that names another lens is a matter of that frame: the log may still be theirs.
        unrelated = float(lens[np.argmin(np.abs(tried))])
        return cls(series, tried, odds.at(tried) + lens, late, unrelated, days)

    def judged(self, fit: ClockFit) -> ClockFit:
        """The fit by the odds of each offset that was tried."""
        import numpy as np

        tried, right = self.tried, _RIGHT[fit.stated.source]
        near = np.abs(tried) <= max(2.0, fit.stated.error)
        likely = _log_mean(self.weighed[near])
        as_stated = math.log(right) + likely
        # Notes that are all late by as much look like a clock that is slow.
        slow = (tried <= -_LATE_BY[0]) & (tried >= -_LATE_BY[1])
        alike = np.where(slow, _LATE / 2 / (_LATE_BY[1] - _LATE_BY[0]), 0.0)
        prior = _prior(tried, fit.stated, self.days) * (1 - right) + alike
        width = np.minimum(np.gradient(tried), _STEP)
        offsets = np.where(near, -np.inf, self.weighed + np.log(prior * width))
        late = self.late + math.log(_LATE / 2 / len(_LATENESS))
        unrelated = self.unrelated + math.log(_UNRELATED)
        at = int(np.argmax(offsets))
        best = self._plainest(at, fit.stated)
        about = np.abs(tried - best) <= _APART
        other, as_late = (float(np.logaddexp.reduce(one)) for one in (offsets[about], late))
        against = float(np.logaddexp.reduce([*offsets, *late, unrelated]))
        fit = replace(fit, rival=best, differs=self._differs(as_stated, offsets, late, unrelated))
        if against < as_stated:
            if likely < _log_mean(self.weighed[np.abs(tried) <= _ANY]) + _TELLS:
                return fit
            return replace(fit, fits=fit.stated.ahead, odds=_odds(as_stated - against))
        is_related = max(other, as_late) >= unrelated
        slack = sum(_LATENESS[int(np.argmax(late))])
        return replace(
            fit,
            fits=fit.stated.ahead + best,
            odds=_odds(against - as_stated),
            agrees=against - as_stated < math.log(CONTRADICTED if is_related else UNRELATED),
            late=slack if as_late > other else _slack(best) if alike[at] > 0 else None,
            is_related=is_related,
        )

    def _plainest(self, at: int, stated: StatedClock) -> float:
        """An offset, or a plain mistake that fits about as well: half hours, a swapped sign."""
        offset = float(self.tried[at])
        is_alike = abs(self.tried - offset) <= _LIKE_PLAIN
        alike = self.tried[is_alike & (self.weighed > self.weighed[at] - 2)]
        plain = [round(offset / 1800) * 1800.0, -2 * stated.ahead]
        return next((one for one in plain if one and any(abs(alike - one) <= 1)), offset)

    def _differs(
        self, as_stated: float, offsets: Floats, late: Floats, unrelated: float
    ) -> tuple[float, ...]:
        """For each shot, how likely the log would have other values for it than by the stated."""
        import numpy as np

        whole = np.logaddexp.reduce([as_stated, *offsets, *late, unrelated])
        shares = np.exp(offsets - whole)
        few = np.flatnonzero(shares > _LIGHTEST)
        found = np.full(len(self.series.shots.times), math.exp(unrelated - whole))
        for at in few:
            found += shares[at] * self.series.differ(float(self.tried[at]))
        for (least, more), share in zip(_LATENESS, np.exp(late - whole), strict=True):
            if share > _LIGHTEST:
                found += share * self.series.differ(-least, more)
        return tuple(found.tolist())


def _tried(series: BodySeries, odds: ChangeOdds, days: float) -> Floats:
    """The offsets to weigh: many around none and around those that stand out, some everywhere.

    Which stand out is seen by steps of a minute, each change having as much room; also about the
    whole days by which shots and entries lie apart.
    """
    import numpy as np

    from flangeback.match.offset_odds import lens_log_odds

    reach = np.arange(-_REACH, _REACH + _STEP, _STEP)
    coarse = np.unique(np.concatenate([reach, reach + days]))
    seen = odds.at(coarse, _STEP) + lens_log_odds(series.shots, series.states, coarse)
    about = [(0.0, _NEAR_STATED), *((at, _NEAR_BEST) for at in coarse[np.argsort(seen)[-_BEST:]])]
    fine = [np.arange(at - near, at + near + _FINE_STEP, _FINE_STEP) for at, near in about]
    found: Floats = np.unique(np.concatenate([coarse[::10], *fine]))
    return found


def _log_mean(logs: Floats) -> float:
    import numpy as np

    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def _odds(log: float) -> float:
    return math.exp(min(50.0, log))


def _slack(offset: float) -> float:
    """The slack (seconds, in whole minutes) for notes that are late by so much, more or less."""
    return 60.0 * math.ceil((abs(offset) + 30) / 60)


def _prior(offsets: Floats, stated: StatedClock, days: float) -> Floats:
    """How likely a wrong clock is off by each of these, per second: it sums to 1."""
    import numpy as np

    peaks = [*_PRIORS, (_OTHER_DAY, days, 30), (_OTHER_DAY / 4, days - 3600, 30)]
    peaks += [(_OTHER_DAY / 4, days + 3600, 30), (_SIGN_SWAPPED, -2 * stated.ahead, 5)]
    total = _ANYTHING + sum(share for share, *_ in peaks)
    found = np.full(len(offsets), _ANYTHING / (4 * _REACH))
    for share, at, deviation in peaks:
        found += share * np.exp(-(((offsets - at) / deviation) ** 2) / 2) / deviation / 2.5066
    normalised: Floats = found / total
    return normalised
