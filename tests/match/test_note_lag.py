"""How late a person's notes are is learnt from all changes of an outing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flangeback.match import FrameMatch
from flangeback.match.changes import ChangeKind
from flangeback.match.offset_odds import ChangeOdds, NotedChange, ShotSeries
from support.shots import kinds, matched, shot

DENSE = range(-8, 72, 8)
"""Seconds about the minute of a note: no lens is changed between these frames."""
PAUSE = (*range(-32, 16, 8), 48, 56, 64)
"""The same with one pause that is long enough."""
LENSES = ("miran58", "brask135") * 5


def outing(minutes: Sequence[Sequence[int]]) -> tuple[list[FrameMatch], list[float]]:
    """Every ten minutes a lens is noted; frames are made about its minute, and later on."""
    frames, lines = [], ["clock k7 right sure"]
    for number, about in enumerate(minutes, start=1):
        start = 9 * 3600 + 600 * number
        lines.append(f"{start // 3600}:{start // 60 % 60:02} k7 {LENSES[number]} f/4")
        times = [start + second for second in (*about, 200, 204)]
        frames += [f"{at // 3600:02}:{at // 60 % 60:02}:{at % 60:02}" for at in times]
    shots = [shot(f"K7_{n:04}", time) for n, time in enumerate(frames)]
    found = matched(shots, "\n".join(lines) + "\n")
    return list(found.frames), [clock.lag for clock in found.clocks]


def lenses(found: Sequence[FrameMatch]) -> list[str | None]:
    return [one.fill.lens.key if one.fill else None for one in found]


def test_a_pause_in_the_noted_minute_tells_where_notes_are_made_in_time() -> None:
    found, lags = outing([PAUSE] * 8)
    assert lags == [0.0]
    placed = found[11:20]
    assert all("placed-in-gap" in kinds(one) for one in placed[4:8])
    assert lenses(placed) == [LENSES[1]] * 6 + [LENSES[2]] * 3


def test_it_tells_nothing_where_other_notes_follow_the_changes() -> None:
    """No lens can have been changed within four other minutes that were noted."""
    found, (lag,) = outing([PAUSE, DENSE, DENSE, PAUSE, DENSE, DENSE])
    assert lag > 0
    fourth = found[11 + 2 * 12 :][: len(PAUSE)]
    assert lenses(fourth[:6]) == [None] * 6
    # Where frames were made all through the minute, the pause before it tells.
    assert lenses(found[11:23]) == [LENSES[2]] * 12


def test_one_note_that_came_late_is_no_habit() -> None:
    times = np.arange(0.0, 6000, 10)
    shots = ShotSeries(np.delete(times, slice(98, 100)), np.full(598, np.nan), 0.9, {})
    first, late = (
        NotedChange((start, start + 60), ChangeKind.LENS, np.nan) for start in (-90.0, 1000.0)
    )
    found = ChangeOdds.of(shots, [first, late]).by_lag(np.array([0.0, 30.0, 60.0]))
    assert found.max() <= 0.7
