"""Whether each body's stated clock fits its frames, or another offset fits better.

Every offset within a day and two hours has its odds, by all that the frames tell (`offset_odds`)
and by how likely people are to be off by as much: the prior sums to 1, so that trying many offsets
finds nothing by chance. Nothing is corrected; what is found is told.
"""

from __future__ import annotations

import math
from array import array
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.clock.model import ClockSource, StatedClock
from flangeback.kit.model import Kit
from flangeback.match.brightness import PictureReader
from flangeback.match.changes import BodyTimeline
from flangeback.match.clock_fit import CARRIED, CONTRADICTED, SMALL, UNLIKELY, UNRELATED, ClockFit
from flangeback.match.clock_series import NOTED_WITHIN, BodySeries, body_series
from flangeback.match.index import BodyLog
from flangeback.match.note_lag import note_lag
from flangeback.match.offset_odds import AT_ONCE, ChangeOdds, Floats, lens_log_odds

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
_SOON, _OF_NEAR = 0.4, 0.5
"""How likely notes were made once the change was; how likely one is off where they look late, or
the clock as fast."""
_DRIFTED = 10.0
"""Seconds by which a clock may be ahead unseen: it drifts, and was set with a finger."""
_BESIDE, _BESIDE_IF_NEAR = 0.4, 0.05
"""How likely a shot lies on the other side of a note, from where on it is doubted; the same where
notes look late, or the clock as fast."""
_USUALLY_WITHIN = 60.0
"""Seconds by which notes follow a change at the most, unless they are late (common practice)."""
_LATE_BY = 20.0, 240.0
"""Seconds, from and to, by which all notes may be late alike."""
_LATENESS = tuple((least, more) for least in (0.0, 30.0, 60.0, 120.0) for more in (60.0, 120.0))
_LATENESS += ((0.0, 180.0), (0.0, 300.0), (60.0, 180.0))
"""Seconds that notes may be late at the least, and by how many more at the most."""

_RIGHT = {ClockSource.LOG: 0.9, ClockSource.GPS: 0.97, None: 0.75}
"""How likely a clock goes as stated, as the next five before any frame is seen (judgement)."""
_PRIORS: Sequence[tuple[float, float, float]] = (
    # Share of wrong clocks, offset and standard deviation in seconds.
    (0.30, 0, 60),
    (0.30, 0, 900), (0.15, 0, 1800),
    (0.13, 3600, 30), (0.13, -3600, 30),
    (0.03, 7200, 30), (0.03, -7200, 30),
    (0.05, 43200, 30), (0.05, -43200, 30),
    (0.05, 86400, 30), (0.05, -86400, 30),
)  # fmt: skip
_SIGN_SWAPPED, _OTHER_DAY, _ANYTHING = 0.10, 0.10, 0.02
"""The same of clocks whose `fast` should have been `slow`, of those off by the days between shots
and entries, and of all other offsets."""
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
_SLIP, _SLIPS = 1.0, 0.25
"""Share of wrong clocks that are off by what the frames' own offset differs from the log's zone by,
and how likely such a clock isn't right for that."""
_BY_GPS = 0.5
"""Share of wrong clocks that go as satellites have it, where the log says otherwise."""
_GPS_LOCAL = 0.5
"""How likely a clock that is a zone off by satellites is right: some bodies write local time."""
_GPS_ERRORS = (0.8, 3.0), (0.1998, 30.0)
"""How satellites' time differs from the log's clock: shares, and standard deviations in seconds.
What the notes were timed by isn't always right to the second."""


def fit_clocks(
    logs: Mapping[str | None, BodyLog], kit: Kit, pictures: PictureReader
) -> Mapping[str | None, ClockFit]:
    """How the stated clock of each body fits its frames. `pictures` gives the light of a frame."""
    series = {}
    for body, log in logs.items():
        found = body_series(log.timeline, kit.bodies.get(body or ""), kit, pictures)
        if found is not None and len(found.bursts) >= _FEWEST:
            series[body] = found, ChangeOdds.of(found.shots, found.changes)
    tried = _tried(list(series.values()))
    weighed = {body: _Weighing.of(logs[body], *found, tried) for body, found in series.items()}
    lag, fits = note_lag(list(series.values())), {}
    for body, log in logs.items():
        fits[body] = ClockFit(body, log.stated)
        if body in weighed:
            others = [one for other, one in weighed.items() if other != body]
            fits[body] = replace(weighed[body].judged(fits[body], others), lag=lag)
    return fits


class _Weighing(NamedTuple):
    """The offsets that were tried for one body, with prior and log likelihood of each.

    The stated clock has the prior `right` and the log likelihood `likely`; the others' `prior` is
    that of a stretch around each. `late` has the log likelihood of each lateness, `unrelated` that
    of a log that has nothing to do with the frames.
    """

    series: BodySeries
    tried: Floats
    right: float
    prior: Floats
    weighed: Floats
    likely: float
    late: Floats
    unrelated: float
    odds: ChangeOdds

    @classmethod
    def of(cls, log: BodyLog, series: BodySeries, odds: ChangeOdds, tried: Floats) -> _Weighing:
        """All that the frames of one body tell."""
        stated = log.stated
        lens = lens_log_odds(series.shots, series.states, tried)
        weighed = odds.at(tried) + lens
        least, more = np.array(_LATENESS).T
        late = odds.at(-least, more) + lens_log_odds(series.shots, series.states, -least)
        # Entries apart from the frames lie on another card as a rule: the log may still be theirs,
        # if it is of that day.
        least = 0.0 if series.is_of_another_day else _LEAST_APART
        apart = max(least, float(odds.outside(np.zeros(1))[0]))
        unrelated = series.shots.lens_by_chance + apart
        unrelated -= _NAMES_PHOTO * stated.by_photo
        peaks = _peaks(stated, series.days_apart)
        right, slip = _RIGHT[stated.source], slip_of(log.timeline)
        if slip:
            right *= 1 - _SLIPS
            peaks.append((_SLIP, slip, 5.0))
        if stated.source is ClockSource.GPS and _is_zone(stated.ahead):
            right *= 1 - _GPS_LOCAL
            peaks.append((_GPS_LOCAL, -stated.ahead, 5.0))
        if stated.by_gps is not None and not _is_zone(stated.by_gps - stated.ahead):
            off = stated.by_gps - stated.ahead
            peaks.append((_BY_GPS, off, 5.0))
            weighed += _gps_log_odds(tried - off)
            # Late notes leave the clock where it is stated, and so does another outing's log.
            as_stated = float(_gps_log_odds(np.array([off]))[0])
            late, unrelated = late + as_stated, unrelated + as_stated
        is_stated = np.abs(tried) <= max(2.0, stated.error)
        width = np.minimum(np.gradient(tried), _STEP)
        # Notes that are all late by as much look like a clock that is slow.
        alike = np.where(_looks_late(tried), _LATE / 2 / (_LATE_BY[1] - _LATE_BY[0]), 0.0)
        prior = np.where(is_stated, 0.0, (_prior(tried, peaks) * (1 - right) + alike) * width)
        likely = _log_mean(weighed[is_stated])
        within = series.noted_within
        soon = odds.at(np.zeros(1), within) - odds.at(np.zeros(1))
        likely += float(np.logaddexp(math.log(1 - _SOON), math.log(_SOON) + soon[0]))
        return cls(series, tried, right, prior, weighed, likely, late, unrelated, odds)

    def judged(self, fit: ClockFit, others: Sequence[_Weighing]) -> ClockFit:
        """The fit by the odds of each offset, in the light of the other bodies'."""
        tried, as_stated = self.tried, math.log(self.right) + self.likely
        alike, late_alike, unrelated_alike = self._common(others)
        with np.errstate(divide="ignore"):
            offsets = self.weighed + np.log(self.prior * alike)
        late = self.late + np.log(_LATE_SHARE * late_alike)
        unrelated = self.unrelated + math.log(_UNRELATED * unrelated_alike[0])
        at = int(np.argmax(offsets))
        best = self._plainest(at, fit.stated)
        about = np.abs(tried - best) <= _APART
        other, as_late = (float(np.logaddexp.reduce(one)) for one in (offsets[about], late))
        against = float(np.logaddexp.reduce([*offsets, *late, unrelated]))
        is_related = max(other, as_late) >= unrelated
        whole = float(np.logaddexp(against, as_stated))
        (differs, far, by_minutes), at_most = self._differs(offsets, late, whole)
        beside = self._beside(self.series.noted_within, _DRIFTED, _SOON, _BESIDE)
        fit = replace(
            fit,
            is_related=is_related,
            is_carried=other - against >= math.log(CARRIED),
            rival=self._plainest(at_most, fit.stated),
            differs=differs,
            far=far,
            by_minutes=by_minutes,
            unrelated=math.exp(unrelated - whole),
            entries=len(self.series.changes),
            beside=beside,
        )
        if against < as_stated:
            if self.likely < _log_mean(self.weighed[np.abs(tried) <= _ANY]) + _TELLS:
                return fit
            return replace(fit, fits=fit.stated.ahead, odds=_odds(as_stated - against))
        most = sum(_LATENESS[int(np.argmax(late))])
        slack = most if as_late > other else _slack(best) if _looks_late(tried[at]) else None
        soon = best + NOTED_WITHIN if _looks_late(-tried[at]) else 0.0
        if slack or soon:
            beside = self._beside(slack or 0.0, soon, _OF_NEAR, _BESIDE_IF_NEAR)
        # Notes follow what was done: if no frame was made in between, they contradict nothing.
        is_usual = slack is not None and best >= -_USUALLY_WITHIN
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

    def _beside(
        self, before: float, after: float, usual: float, least: float
    ) -> Mapping[int, float]:
        """The shots that lie on the other side of a change than its note says, if so likely."""
        shares = self.odds.beside_notes(before, after, usual)
        return {int(at): float(shares[at]) for at in np.flatnonzero(shares >= least)}

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
        self, offsets: Floats, late: Floats, whole: float
    ) -> tuple[Sequence[Sequence[float]], int]:
        """For each shot, how likely the log would have other values for it than by the stated.

        By all offsets, those of more than some minutes, and those of up to half an hour; and the
        offset by which most are likeliest to. `whole` is the log of the sum over all that may be.
        """
        shares, matters = np.exp(offsets - whole), np.zeros(len(offsets))
        by_band = np.zeros((3, len(self.series.shots.times)))
        bands = np.searchsorted((SMALL / 2, _MINUTES), np.abs(self.tried))
        few = np.flatnonzero(shares > _LIGHTEST)
        for some in np.array_split(few, 1 + by_band[0].size * len(few) // AT_ONCE):
            by_shot = shares[some][:, None] * self.series.differ(self.tried[some])
            matters[some] = by_shot.sum(axis=1)
            np.add.at(by_band, bands[some], by_shot)
        for (least, more), share in zip(_LATENESS, np.exp(late - whole), strict=True):
            if share > _LIGHTEST:
                by_band[0] += share * self.series.differ(np.array([-least]), more)[0]
        sums = np.append(0.0, np.cumsum(matters))
        first = np.searchsorted(self.tried, self.tried - _APART)
        last = np.searchsorted(self.tried, self.tried + _APART, "right")
        rival = int(np.argmax(matters + sums[last] - sums[first]))
        # An array takes an eighth of what a tuple of as many numbers does.
        found = by_band.sum(axis=0), by_band[1:].sum(axis=0), by_band[:2].sum(axis=0)
        return [array("d", one) for one in found], rival


def _tried(bodies: Sequence[tuple[BodySeries, ChangeOdds]]) -> Floats:
    """The offsets to weigh: many around none and around those that stand out, some everywhere.

    Which do is seen by steps of a minute, each change having as much room; also about the whole
    days by which shots and entries lie apart.
    """
    reach = np.arange(-_REACH, _REACH + _STEP, _STEP)
    coarse = _rising([reach, *(reach + one.days_apart for one, _ in bodies)])
    about = [(0.0, _NEAR_STATED)]
    for series, odds in bodies:
        seen = odds.at(coarse, _STEP) + lens_log_odds(series.shots, series.states, coarse)
        about += [(at, _NEAR_BEST) for at in coarse[np.argsort(seen)[-_BEST:]]]
    fine = [np.arange(at - near, at + near + _FINE_STEP, _FINE_STEP) for at, near in about]
    return _rising([coarse[::10], *fine])


def _rising(parts: Sequence[Floats]) -> Floats:
    """All values once, as numpy's `unique` has them, which loads a tenth of numpy more."""
    every = np.sort(np.concatenate(parts))
    found: Floats = every[np.append(True, np.diff(every) > 0)]
    return found


def slip_of(timeline: BodyTimeline) -> float:
    """Seconds by which most frames' own offset from UTC differs from the log's zone; 0 for none.

    A body left on winter time shows it there, if somebody set its clock and not its offset.
    """
    zone, times = timeline.clock.zone, [shot.frame.time for shot in timeline.shots]
    if zone is None:
        return 0.0
    found = Counter(
        (zone.utcoffset(time.at) or timedelta(0)) - time.offset
        for time in times
        if time and time.offset is not None
    )
    slip, count = found.most_common(1)[0] if found else (timedelta(0), 0)
    return slip.total_seconds() if 2 * count > len(times) else 0.0


def _is_zone(seconds: float) -> bool:
    """Whether as much may be a zone's difference: quarters of an hour, from half an hour on."""
    return abs(seconds) >= 1770 and abs(seconds - round(seconds / 900) * 900) <= 30


def _gps_log_odds(off: Floats) -> Floats:
    """The log likelihood of satellites' times that lie so many seconds off."""
    found = np.full(len(off), 1 - sum(share for share, _ in _GPS_ERRORS))
    for share, error in _GPS_ERRORS:
        found += share * np.exp(-((off / error) ** 2) / 2)
    logs: Floats = np.log(found)
    return logs


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


def _peaks(stated: StatedClock, days: float) -> list[tuple[float, float, float]]:
    """By what wrong clocks are off: share, offset and standard deviation."""
    peaks = [*_PRIORS, (_OTHER_DAY, days, 30), (_OTHER_DAY / 4, days - 3600, 30)]
    return [*peaks, (_OTHER_DAY / 4, days + 3600, 30), (_SIGN_SWAPPED, -2 * stated.ahead, 5)]


def _prior(offsets: Floats, peaks: Sequence[tuple[float, float, float]]) -> Floats:
    """How likely a wrong clock is off by each of these, per second: it sums to 1."""
    total = _ANYTHING + sum(share for share, *_ in peaks)
    found = np.full(len(offsets), _ANYTHING / (4 * _REACH))
    for share, at, deviation in peaks:
        found += share * np.exp(-(((offsets - at) / deviation) ** 2) / 2) / deviation / 2.5066
    normalised: Floats = found / total
    return normalised
