"""By how much a person's notes follow the changes, which all changes of an outing tell."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from flangeback.match.clock_series import BodySeries
from flangeback.match.offset_odds import ChangeOdds, lens_log_odds

_LAGS = np.array((0.0, 10.0, 20.0, 30.0, 45.0, 60.0))
"""Seconds by which notes follow changes at the most (common practice)."""
_FOLLOWS = math.log(2)
"""How much likelier (log) that has to be than that all were made in the minute of their note."""


def note_lag(bodies: Sequence[tuple[BodySeries, ChangeOdds]]) -> float:
    """Seconds by which notes follow the changes at the most; 0 where nothing speaks for it.

    One person made the notes of all bodies.
    """
    none, told = np.zeros(len(_LAGS)), np.zeros(len(_LAGS))
    for series, odds in bodies:
        lens = lens_log_odds(series.shots, series.states, none, _LAGS)
        told += odds.by_lag(_LAGS) + lens - lens[0]
    best = int(np.argmax(told))
    return float(_LAGS[best]) if told[best] > _FOLLOWS else 0.0
