"""How late a person's notes are is learnt from all changes of an outing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flangeback.match import FrameMatch
from flangeback.match.changes import ChangeKind
from flangeback.match.note_lag import BesideNotes, beside_notes
from flangeback.match.offset_odds import ChangeOdds, Floats, NotedChange, ShotSeries
from support.shots import kinds, matched, shot

DENSE = range(-8, 72, 8)
"""Seconds about the minute of a note: no lens is changed between these frames."""
PAUSE = (*range(-32, 16, 8), 48, 56, 64)
"""The same with one pause that is long enough."""
LENSES = ("miran58", "brask135") * 5


def outing(minutes: Sequence[Sequence[int]]) -> tuple[list[FrameMatch], set[int]]:
    """Every ten minutes a lens is noted; frames are made about its minute, and later on."""
    frames, lines = [], ["clock k7 right sure"]
    for number, about in enumerate(minutes, start=1):
        start = 9 * 3600 + 600 * number
        lines.append(f"{start // 3600}:{start // 60 % 60:02} k7 {LENSES[number]} f/4")
        times = [start + second for second in (*about, 200, 204)]
        frames += [f"{at // 3600:02}:{at // 60 % 60:02}:{at % 60:02}" for at in times]
    shots = [shot(f"K7_{n:04}", time) for n, time in enumerate(frames)]
    found = matched(shots, "\n".join(lines) + "\n")
    return list(found.frames), {number for clock in found.clocks for number in clock.lags}


def lenses(found: Sequence[FrameMatch]) -> list[str | None]:
    return [one.fill.lens.key if one.fill else None for one in found]


def test_a_pause_in_the_noted_minute_tells_where_notes_are_made_in_time() -> None:
    found, lags = outing([PAUSE] * 8)
    assert not lags
    placed = found[11:20]
    assert all("placed-in-gap" in kinds(one) for one in placed[4:8])
    assert lenses(placed) == [LENSES[1]] * 6 + [LENSES[2]] * 3


def test_it_tells_nothing_where_other_notes_follow_the_changes() -> None:
    """No lens can have been changed within four other minutes that were noted."""
    found, lags = outing([PAUSE, DENSE, DENSE, PAUSE, DENSE, DENSE])
    assert lags
    fourth = found[11 + 2 * 12 :][: len(PAUSE)]
    assert lenses(fourth[:6]) == [None] * 6
    # Where frames were made all through the minute, the pause before it tells.
    assert lenses(found[11:23]) == [LENSES[2]] * 12


def beside(minutes: Sequence[float], gaps: Sequence[range]) -> tuple[Floats, BesideNotes]:
    """Shots every ten seconds but in some gaps, and lenses changed in minutes that begin so."""
    missing = [at for gap in gaps for at in gap]
    times = np.delete(np.arange(0.0, 6000, 10), [at // 10 for at in missing])
    shots = ShotSeries(times, np.full(len(times), np.nan), 0.9, {})
    changes = [NotedChange((at, at + 60), ChangeKind.LENS, np.nan) for at in minutes]
    (found,) = beside_notes([ChangeOdds.of(shots, changes)])
    return times, found


def test_one_note_that_came_late_is_no_habit_and_several_are() -> None:
    """Of minutes in which no lens can have been changed; a pause ends 20 s before each."""
    pauses = [range(at, at + 70, 10) for at in range(110, 6000, 200)]
    times, found = beside([-90.0, 1000.0], pauses)
    assert not found.lags
    assert {980.0, 990.0} <= set(times[[*found.shares]])
    _, again = beside([1000.0, 2000.0, 3000.0, 4000.0], pauses)
    assert set(again.lags) == {0, 1, 2, 3}


def test_a_shot_between_two_pauses_is_doubted_and_one_well_before_the_note_is_not() -> None:
    """Of a minute whose first half is a pause; another ends ten seconds before it."""
    times, found = beside([-90.0, 1020.0], [range(950, 1010, 10), range(1020, 1060, 10)])
    assert set(times[[*found.shares]]) == {1010.0}
    assert not found.lags


def test_notes_to_the_second_are_made_at_once() -> None:
    times = np.delete(np.arange(0.0, 6000, 10), slice(98, 100))
    shots = ShotSeries(times, np.full(len(times), np.nan), 0.9, {})
    noted = NotedChange((1030.0, 1031.0), ChangeKind.LENS, np.nan)
    assert beside_notes([ChangeOdds.of(shots, [noted])]) == [BesideNotes()]
