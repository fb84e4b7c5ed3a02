"""Whether each body's stated clock fits its frames, or another offset fits better.

Every offset within a day and two hours has its odds, by all that the frames tell (`offset_odds`)
and by how likely people are to be off by as much: the prior sums to 1, so that trying many offsets
finds nothing by chance. Nothing is corrected; what is found is told.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.clock.model import StatedClock
from flangeback.kit.model import Kit
from flangeback.match.brightness import Pictures
from flangeback.match.clock_fit import CARRIED, CONTRADICTED, SMALL, UNLIKELY, UNRELATED, ClockFit
from flangeback.match.clock_priors import REACH, OffsetPrior
from flangeback.match.clock_series import NOTED_WITHIN, BodySeries, body_series
from flangeback.match.index import BodyLog
from flangeback.match.note_lag import BesideNotes, beside_notes
from flangeback.match.offset_odds import AT_ONCE, ChangeOdds, Floats

_STEP, _FINE_STEP = 60.0, 2.0
"""Seconds from one offset to the next that are looked at everywhere, and near those that stand
out."""
_NEAR_STATED, _NEAR_BEST, _BEST = 300.0, 60.0, 5
"""Seconds around the stated clock, and around so many that stand out, that count as near."""
_APART = 60.0
"""Seconds around an offset that count as it."""
_LIKE_PLAIN = 60.0
"""Seconds within which a plain mistake is proposed instead, if it fits about as well."""
_PEAK = 20.0
"""Seconds around an offset that are summed up to see which is the likeliest."""
_ANY, _TELLS = 3600.0, math.log(10)
"""Frames tell something where the stated clock is likelier, by so much (log), than any other within
so many seconds on the average."""
_OF_NEAR = 0.5
"""How likely a note is off where notes look late, or the clock as fast."""
_BESIDE_IF_NEAR = 0.05
"""How likely a shot lies on the other side of a note, from where on it is doubted where notes look
late, or the clock as fast."""
_LATE_BY = 20.0, 240.0
"""Seconds, from and to, by which all notes may be late alike."""
_LAGS, _LAG_SHARES = (0.0, 30.0, 60.0), np.array((0.4, 0.3, 0.3))
"""Seconds by which notes follow the changes at the most (common practice), and how likely a
person's do."""
_LATENESS = np.array((120.0, 180.0, 300.0))
"""The same of notes that are late."""
_LATE = 0.1
"""How likely notes were made late throughout: half of them alike."""
_LATE_SHARE = _LATE / 2 / len(_LATENESS)
_MOST = 200.0
"""The most that a log likelihood ratio counts, so that it doesn't overflow."""
_UNRELATED = 0.012
"""How likely the log is another outing's."""
_LEAST_APART = -5.0
"""What it tells at the least (log) that entries lie apart from the frames, if it is another's."""
_NAMES_PHOTO = 5.0
"""What it tells against that (log) that the log names a photo of a clock among the frames."""
_FEWEST = 6
"""Bursts: fewer tell too little of a clock."""
_MINUTES = 1800.0
"""Seconds up to which a clock that nobody set by another may be off (common practice); what is off
by more is so by a zone or a date."""
_LIGHTEST = 1e-4
"""The least probability of an offset by which shots are looked at one by one."""
_COMMON = 0.5
"""The share of faults that are the log's and not one body's: all bodies are off alike."""
_BY_TURNS = 0.15
"""How likely bodies aren't used side by side, but each in its own part of the day."""


def fit_clocks(
    logs: Mapping[str | None, BodyLog], kit: Kit, pictures: Pictures
) -> Mapping[str | None, ClockFit]:
    """How the stated clock of each body fits its frames. `pictures` gives the light of a frame."""
    series = {}
    for body, log in logs.items():
        found = body_series(log.timeline, kit.bodies.get(body or ""), kit, pictures)
        if found is not None and len(found.bursts) >= _FEWEST:
            series[body] = found, ChangeOdds.of(found.shots, found.changes)
    beside = dict(zip(series, beside_notes([odds for _, odds in series.values()]), strict=True))
    tried = _tried([*series.values()])
    weighed = {body: _Weighing.of(logs[body], *found, tried) for body, found in series.items()}
    fits = {}
    for body, log in logs.items():
        shares, lags = beside.get(body, BesideNotes())
        fits[body] = ClockFit(body, log.stated, beside=shares, lags=lags)
        if body in weighed:
            others = [one for other, one in weighed.items() if other != body]
            fits[body] = weighed[body].judged(fits[body], others)
    return fits


class _Weighing(NamedTuple):
    """The offsets that were tried for one body, with prior and log likelihood of each.

    The stated clock has the prior `right` and the log likelihood `likely`; the others' `prior` is
    that of a stretch around each. `by_lag` has the log likelihood of each offset with each of the
    usual lags, and the share of that, in rows. `late` has that of each lateness, `unrelated` that
    of a log that has nothing to do with the frames.
    """

    series: BodySeries
    tried: Floats
    right: float
    prior: Floats
    by_lag: Floats
    likely: float
    late: Floats
    unrelated: float
    odds: ChangeOdds

    @classmethod
    def of(cls, log: BodyLog, series: BodySeries, odds: ChangeOdds, tried: Floats) -> _Weighing:
        """All that the frames of one body tell."""
        stated = log.stated
        weighed = np.array([series.weighed(odds, tried, lag) for lag in _LAGS])
        weighed += np.log(_LAG_SHARES)[:, None]
        late = series.weighed(odds, np.zeros(len(_LATENESS)), _LATENESS)
        # Entries apart from the frames lie on another card as a rule: the log may still be theirs,
        # if it is of that day.
        least = 0.0 if series.is_of_another_day else _LEAST_APART
        apart = max(least, float(odds.outside(np.zeros(1))[0]))
        unrelated = series.shots.lens_by_chance + apart
        unrelated -= _NAMES_PHOTO * stated.by_photo
        prior = OffsetPrior.of(log, series.days_apart)
        weighed += prior.by_satellites(tried)
        # Late notes leave the clock where it is stated, and so does another outing's log.
        as_stated = float(prior.by_satellites(np.zeros(1))[0])
        late, unrelated = late + as_stated, unrelated + as_stated
        is_stated = np.abs(tried) <= max(2.0, stated.error)
        width = np.minimum(np.gradient(tried), _STEP)
        # Notes that are all late by as much look like a clock that is slow.
        alike = np.where(_looks_late(tried), _LATE / 2 / (_LATE_BY[1] - _LATE_BY[0]), 0.0)
        wrong = np.where(is_stated, 0.0, (prior.of_wrong(tried) + alike) * width)
        likely = _log_mean(np.logaddexp.reduce(weighed[:, is_stated]))
        return cls(series, tried, prior.right, wrong, weighed, likely, late, unrelated, odds)

    @property
    def weighed(self) -> Floats:
        """The log likelihood of each offset, with whatever lag."""
        found: Floats = np.logaddexp.reduce(self.by_lag)
        return found

    def judged(self, fit: ClockFit, others: Sequence[_Weighing]) -> ClockFit:
        """The fit by the odds of each offset, in the light of the other bodies'."""
        tried, as_stated = self.tried, math.log(self.right) + self.likely
        alike, late_alike, unrelated_alike = self._common(others)
        with np.errstate(divide="ignore"):
            offsets = self.weighed + np.log(self.prior * alike)
        late = self.late + np.log(_LATE_SHARE * late_alike)
        unrelated = self.unrelated + math.log(_UNRELATED * unrelated_alike[0])
        shares = np.exp(offsets - offsets.max())
        peak = tried[np.argmax(_around(tried, shares, _PEAK))]
        there = np.where(np.abs(tried - peak) <= _PEAK, shares, 0.0)
        at = int(np.argmin(np.abs(tried - np.average(tried, weights=there))))
        best = self._plainest(at, fit.stated)
        about = np.abs(tried - best) <= _APART
        other, as_late = (float(np.logaddexp.reduce(one)) for one in (offsets[about], late))
        against = float(np.logaddexp.reduce([*offsets, *late, unrelated]))
        is_related = max(other, as_late) >= unrelated
        whole = float(np.logaddexp(against, as_stated))
        (differs, far, by_minutes), at_most, carried = self._differs(
            offsets, late, unrelated, whole
        )
        beside = fit.beside
        fit = replace(
            fit,
            is_related=is_related,
            is_carried=max(carried, math.exp(other - against)) >= CARRIED,
            rival=self._plainest(at_most, fit.stated),
            differs=differs,
            far=far,
            by_minutes=by_minutes,
            unrelated=math.exp(unrelated - whole),
            entries=len(self.series.changes),
        )
        if against < as_stated:
            if self.likely < _log_mean(self.weighed[np.abs(tried) <= _ANY]) + _TELLS:
                return fit
            return replace(fit, fits=fit.stated.ahead, odds=_odds(as_stated - against))
        most = float(_LATENESS[int(np.argmax(late))])
        slack = most if as_late > other else _slack(best) if _looks_late(tried[at]) else None
        soon = best + NOTED_WITHIN if _looks_late(-tried[at]) else 0.0
        if slack or soon:
            beside = self._beside(slack or 0.0, soon)
        # Notes follow what was done: if no frame was made in between, they contradict nothing.
        is_usual = slack is not None and best >= -_LAGS[-1] - self.series.noted_within
        is_harmless = is_usual and max(differs) + fit.unrelated < UNLIKELY
        limit = math.log(CONTRADICTED if is_related else UNRELATED)
        return replace(
            fit,
            fits=fit.stated.ahead + best,
            odds=_odds(against - as_stated),
            agrees=is_harmless or against - as_stated < limit,
            late=slack,
            is_harmless=is_harmless,
            beside=beside,
        )

    def _beside(self, before: float, after: float) -> Mapping[int, float]:
        """The shots that may lie on the other side of a change than its note says."""
        shares = self.odds.beside_notes(before, after, _OF_NEAR)
        return {int(at): float(shares[at]) for at in np.flatnonzero(shares >= _BESIDE_IF_NEAR)}

    def _common(self, others: Sequence[_Weighing]) -> tuple[Floats, Floats, Floats]:
        """How many times likelier each offset is for what the others' frames have.

        The same of each lateness, and of another outing's log. Some faults are the log's, so that
        all bodies are off alike; of the rest the others may be off for themselves. A body that is
        off alone was mostly used in other stretches than theirs.
        """
        alike, alone = [np.zeros(len(self.tried)), np.zeros(len(_LATENESS)), np.zeros(1)], 1.0
        for one in others:
            logs = one.weighed, one.late, np.array([one.unrelated])
            offsets, late, unrelated = (np.minimum(log - one.likely, _MOST) for log in logs)
            alike = [a + b for a, b in zip(alike, (offsets, late, unrelated), strict=True)]
            by_itself = one.prior @ np.exp(offsets) + _LATE_SHARE * np.exp(late).sum()
            alone += by_itself * (1 - _COMMON) / one.right
        own = np.ones(len(self.tried))
        if others:
            beside = self.series.beside([one.series for one in others], self.tried)
            own = _BY_TURNS + (1 - _BY_TURNS) * beside
            own /= own[np.argmin(np.abs(self.tried))]
        offsets, late, unrelated = (_COMMON * np.exp(np.minimum(a, _MOST)) / alone for a in alike)
        rest = 1 - _COMMON
        return rest * own + offsets, rest + late, rest + unrelated

    def _plainest(self, at: int, stated: StatedClock) -> float:
        """An offset, or a plain mistake that fits about as well: half hours, a swapped sign."""
        offset = float(self.tried[at])
        is_alike = abs(self.tried - offset) <= _LIKE_PLAIN
        alike = self.tried[is_alike & (self.weighed > self.weighed[at] - 2)]
        plain = [round(offset / 1800) * 1800.0, -2 * stated.ahead]
        return next((one for one in plain if one and any(abs(alike - one) <= 1)), offset)

    def _differs(
        self, offsets: Floats, late: Floats, unrelated: float, whole: float
    ) -> tuple[Sequence[Sequence[float]], int, float]:
        """For each shot, how likely the log would have other values for it than by the stated.

        By all offsets, those of more than some minutes, and those of up to half an hour; the offset
        by which most are likeliest to, and what share of all it has. `whole` is the log of the sum
        over all that may be.
        """
        shares, matters = np.exp(offsets - whole), np.zeros(len(offsets))
        by_band = np.zeros((3, len(self.series.shots.times)))
        bands = np.searchsorted((SMALL / 2, _MINUTES), np.abs(self.tried))
        few = np.flatnonzero(shares > _LIGHTEST)
        by_lag = shares * np.exp(self.by_lag - self.weighed)
        for some in np.array_split(few, 1 + by_band[0].size * len(few) // AT_ONCE):
            differ = (self.series.differ(self.tried[some], lag) for lag in _LAGS)
            by_shot = sum(
                share[some][:, None] * one for share, one in zip(by_lag, differ, strict=True)
            )
            matters[some] = by_shot.sum(axis=1)
            np.add.at(by_band, bands[some], by_shot)
        for lag, share in zip(_LATENESS, np.exp(late - whole), strict=True):
            if share > _LIGHTEST:
                by_band[0] += share * self.series.differ(np.zeros(1), lag)[0]
        around = _around(self.tried, matters, _APART)
        rival, every = int(np.argmax(matters + around)), float(by_band.sum())
        every += math.exp(unrelated - whole) * by_band[0].size
        # An array takes an eighth of what a tuple of as many numbers does.
        found = by_band.sum(axis=0), by_band[1:].sum(axis=0), by_band[:2].sum(axis=0)
        return [array("d", one) for one in found], rival, float(around[rival]) / every


def _tried(bodies: Sequence[tuple[BodySeries, ChangeOdds]]) -> Floats:
    """The offsets to weigh: many around none and around those that stand out, some everywhere.

    Which do is seen by steps of a minute, each change having as much room; also about the whole
    days by which shots and entries lie apart.
    """
    reach = np.arange(-REACH, REACH + _STEP, _STEP)
    coarse = _rising([reach, *(reach + one.days_apart for one, _ in bodies)])
    about = [(0.0, _NEAR_STATED)]
    for series, odds in bodies:
        seen = series.weighed(odds, coarse, _STEP)
        about += [(at, _NEAR_BEST) for at in coarse[np.argsort(seen)[-_BEST:]]]
    fine = [np.arange(at - near, at + near + _FINE_STEP, _FINE_STEP) for at, near in about]
    return _rising([coarse[::10], *fine])


def _around(offsets: Floats, shares: Floats, seconds: float) -> Floats:
    """The sum of the shares of all offsets within so many seconds of each; they rise."""
    sums = np.append(0.0, np.cumsum(shares))
    last = sums[np.searchsorted(offsets, offsets + seconds, "right")]
    found: Floats = last - sums[np.searchsorted(offsets, offsets - seconds)]
    return found


def _rising(parts: Sequence[Floats]) -> Floats:
    """All values once, as numpy's `unique` has them, which loads a tenth of numpy more."""
    every = np.sort(np.concatenate(parts))
    found: Floats = every[np.append(True, np.diff(every) > 0)]
    return found


def _looks_late(offsets: Floats) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (offsets >= -_LATE_BY[1]) & (offsets <= -_LATE_BY[0])
    return found


def _log_mean(logs: Floats) -> float:
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def _odds(log: float) -> float:
    return math.exp(min(50.0, log))


def _slack(offset: float) -> float:
    """The slack (seconds, in whole minutes) for notes that are late by so much, more or less."""
    return 60.0 * math.ceil((abs(offset) + 30) / 60)
