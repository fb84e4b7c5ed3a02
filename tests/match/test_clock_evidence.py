"""What tells of a clock besides the changes: other bodies, satellites, the frames' own offset."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import numpy as np
import pytest

import flangeback
from flangeback.demo import Outing
from flangeback.frames import Exposure, Frame
from flangeback.match import Matches
from flangeback.match.brightness import PictureLight
from flangeback.match.clock_fit import ClockFit, clock_words
from flangeback.match.clock_series import BodySeries, body_series
from flangeback.match.index import index_logs
from flangeback.match.offset_odds import ShotSeries
from match.test_clock_doubts import FOUR, bursts
from support.shots import KIT, kinds, log, matched, shot

STARTS = ("10:02:10", "10:22:10", "10:42:10", "11:02:10")
ZONE = "zone Europe/Stockholm\n"


def of_n2(frames: Sequence[Frame], later: float) -> list[Frame]:
    """The same frames by the other body, whose clock reads so many seconds more."""
    return [
        replace(
            one,
            file=one.file.replace("K7", "N2"),
            model="Norrvik N2",
            time=one.time and replace(one.time, at=one.time.at + timedelta(seconds=later)),
        )
        for one in frames
    ]


def both(log: str) -> str:
    """The entries of k7, and the same for n2."""
    return "".join(f"{line}\n{line.replace('k7', 'n2')}\n" for line in log.splitlines())


def clock_of(found: Matches, body: str) -> ClockFit:
    return next(clock for clock in found.clocks if clock.body == body)


def odds_against(found: Matches, body: str) -> float:
    """The odds of other clocks against the one that is stated."""
    clock = clock_of(found, body)
    return (clock.odds or 1.0) if clock.offset else 1 / (clock.odds or 1.0)


def test_bodies_that_are_off_alike_bear_each_other_out() -> None:
    frames = bursts([f"{int(start[:2]) + 1}{start[2:]}" for start in STARTS], 6, 50)
    alone = matched(frames, FOUR)
    together = matched([*frames, *of_n2(frames, 7)], both(FOUR))
    assert clock_of(together, "k7").offset == clock_of(alone, "k7").offset == 3600
    assert odds_against(together, "k7") > 2 * odds_against(alone, "k7")


def test_the_share_of_bursts_while_another_body_was_in_use() -> None:
    def series(begins: float, *times: float) -> BodySeries:
        at = np.array(times)
        return BodySeries(
            begins, ShotSeries(at, np.full(len(at), np.nan), 0.9, {}), [], [], [None], []
        )

    # The other is used from 1,000 to 1,400 s and from 9,000 s on, ten minutes more on each side.
    other = series(1000.0, 0, 1, 400, 8000)
    one = series(900.0, 0, 1, 2, 600, 1200, 4200)
    # By hand: four bursts at 900, 1,500, 2,100 and 5,100 s; an offset takes them to earlier times.
    found = one.beside([other], np.array([0.0, -3600.0, 3600.0]))
    assert list(found) == [2 / 4, 1 / 4, 1 / 4]


def with_gps(frames: Sequence[Frame], ahead: float) -> list[Frame]:
    """The same with satellites' times, by which the body's clock is ahead by so many seconds.

    The wall clock is two hours ahead of UTC.
    """
    found = []
    for one in frames:
        assert one.time
        true = one.time.at - timedelta(seconds=ahead)
        found.append(replace(one, gps_time=true.replace(tzinfo=UTC) - timedelta(hours=2)))
    return found


@pytest.mark.parametrize("ahead", [0, 1500])
def test_satellites_that_contradict_the_log_speak_against_it(ahead: float) -> None:
    """The body is ahead by as much, and the log says that it is right."""
    starts = [
        f"{datetime.fromisoformat(f'2026-05-17T{start}') + timedelta(seconds=ahead):%H:%M:%S}"
        for start in STARTS
    ]
    frames, log = bursts(starts, 6, 50), f"{ZONE}clock k7 right\n{FOUR}"
    found = matched(with_gps(frames, ahead), log)
    without = odds_against(matched(frames, log), "k7")
    assert odds_against(found, "k7") > 100 * without if ahead else without <= 1
    assert clock_of(found, "k7").offset == pytest.approx(ahead, abs=5)
    assert all(kinds(one) == ["clock-unsure"] * bool(ahead) for one in found.frames)


def test_a_clock_line_that_satellites_contradict_is_told_in_their_words() -> None:
    """One entry before all frames: nothing else tells anything of the clock."""
    frames = with_gps(bursts(["09:20:00"], 10, 60), 200)
    (clock,) = matched(frames, f"{ZONE}clock k7 fast 1m\n09:05 k7 miran58 f/4\n").clocks
    assert not clock.is_borne_out
    assert "3m20s fast, as GPS has it" in clock_words(clock)
    assert "write `clock k7 fast 3m20s` instead of line 3" in clock_words(clock)


def test_a_lone_fix_counts_to_the_minute() -> None:
    frames = bursts(["09:20:00"], 10, 60)
    found = matched([*with_gps(frames[:1], 200), *frames[1:]], f"{ZONE}09:05 k7 miran58 f/4\n")
    stated = clock_of(found, "k7").stated
    assert (stated.ahead, stated.source) == (200, "gps")
    assert stated.error == pytest.approx(61.5, abs=1)


def test_satellites_that_give_the_bodys_own_time_are_doubted() -> None:
    """Some bodies write their own time where UTC is due: two hours off, as the zone is."""
    local = with_gps(bursts(STARTS, 6, 50), -7200)
    found = matched(local, ZONE + FOUR)
    assert all("clock-unsure" in kinds(one) for one in found.frames)
    assert "add `clock k7 right`" in found.frames[-1].doubts[-1].text
    settled = matched(local, f"{ZONE}clock k7 right\n{FOUR}")
    assert not any(one.doubts for one in settled.frames)


def test_an_old_fix_of_the_satellites_is_no_evidence() -> None:
    frames = bursts(STARTS, 6, 50)
    stale = [
        replace(one, gps_time=datetime(2026, 5, 17, 8, 0, n, tzinfo=UTC))
        for n, one in enumerate(frames)
    ]
    found = matched(stale, f"{ZONE}clock k7 right\n{FOUR}")
    assert not any(one.doubts for one in found.frames)


def test_an_offset_that_is_not_the_zones_makes_that_hour_likelier() -> None:
    """The body was left on winter time by its own offset: 10:02 +01:00 is 11:02 of the zone."""
    frames = bursts(STARTS, 6, 50)
    slipped = [
        replace(one, time=one.time and replace(one.time, offset=timedelta(hours=1)))
        for one in frames
    ]
    plain = matched(bursts([f"{int(start[:2]) + 1}{start[2:]}" for start in STARTS], 6, 50), FOUR)
    found = matched(slipped, ZONE + FOUR)
    assert clock_of(found, "k7").offset == clock_of(plain, "k7").offset == 3600
    assert odds_against(found, "k7") > 3 * odds_against(plain, "k7")
    assert all("clock k7 fast 1h" in one.doubts[0].text for one in found.frames)


def test_covered_lenses_are_no_step_of_the_light() -> None:
    """A hand before the lens takes five stops or more (common practice)."""
    seconds = {4: Fraction(1), 6: Fraction(1, 25)}
    frames = [
        replace(
            shot(f"K7_{n:04}", f"10:{n:02}:00"),
            exposure=Exposure(seconds.get(n, Fraction(1, 100)), 100),
        )
        for n in range(9)
    ]
    timeline = index_logs(frames, [log("10:00 k7 miran58 f/4\n")], KIT).by_body["k7"].timeline
    series = body_series(
        timeline, KIT.bodies["k7"], KIT, lambda frames: [PictureLight(-2.5, 0.2)] * len(frames)
    )
    assert series is not None
    assert list(np.flatnonzero(np.isnan(series.shots.light))) == [4]


@pytest.mark.parametrize(
    ("written", "instead"),
    [
        ("clock k7 fast 3m20s", "clock k7 right"),
        ("clock k7 fast 3m20s", "clock k7 slow 3m20s"),
        ("clock k7 fast 3m20s", "clock k7 fast 1h3m20s"),
        ("clock k7 fast 3m20s", ""),
        ("date 2026-", "date 2024-"),
        ("Europe/Stockholm", "Europe/London"),
    ],
)
def test_a_wrong_line_on_the_clock_fills_nothing_else_than_the_right_one(
    outing: Outing, written: str, instead: str
) -> None:
    """The demo, whose log as it stands is the truth."""
    session = flangeback.read_session(outing.frames)
    text = outing.log.read_text("utf-8")
    assert written in text
    filled = []
    for words in (text, text.replace(written, instead)):
        read = [flangeback.parse_log(words, session.kit)]
        found = flangeback.match_frames(session.frames, read, session.kit)
        assert found.needs_person
        filled.append({one.frame.file: one.fill for one in found.frames if one.outcome.is_filled})
    right, wrong = filled
    known = [(right[file], fill) for file, fill in wrong.items() if file in right]
    assert known
    assert all(one and other and one.lens == other.lens for one, other in known)
    pairs = [(one.f_number, other.f_number) for one, other in known if one and other]
    assert all(one == other for one, other in pairs if None not in (one, other))
