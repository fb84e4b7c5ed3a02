"""What is wrong with a clock is found and said: outliers, clocks set along the way, missing lines;
and satellites' time stands in where the log says nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import SECOND, Reference
from flangeback.frames import Frame
from support.shots import kinds, matched, short, shot

HOUR = 3600 * SECOND
LOG = "9:00 k7 miran58 f/2.8\n9:40 k7 f/5.6\n"


def seen(hours: float, ahead: float, name: str = "") -> Reference:
    """A photo of a clock after some hours, the body so many seconds ahead."""
    return Reference(hours * HOUR + ahead * SECOND, hours * HOUR, SECOND, name)


# Photos of a clock -----------------------------------------------------------------------------


def test_an_outlier_is_named_and_left_out() -> None:
    good = [seen(0, 10), seen(1, 10), seen(3, 11)]
    clock = fit_clock([*good, seen(2, 70, "K7_0250")])
    assert clock.unsure is not None
    assert "K7_0250" in clock.unsure
    assert "59s more fast" in clock.unsure or "1m more fast" in clock.unsure
    plain = fit_clock(good)
    assert replace(clock, unsure=None) == plain


def test_of_two_that_disagree_neither_is_an_outlier() -> None:
    clock = fit_clock([seen(0, 10, "K7_0201"), seen(2, 70, "K7_0250")])
    assert clock.unsure is not None
    assert "(K7_0201 and K7_0250) differ by 1m:" in clock.unsure


def test_a_clock_set_between_photos_is_no_outlier() -> None:
    clock = fit_clock([seen(0, 10), seen(1, 10), seen(2, 70), seen(3, 70)])
    assert clock.unsure is not None
    assert "set between them" in clock.unsure


def test_the_residual_is_how_far_the_worst_lies_off() -> None:
    assert fit_clock([seen(0, 10), seen(2, 11)]).residual == pytest.approx(0, abs=1)
    # Least squares through 10, 11, 10 at even distances is 10.33: the middle lies 0.67 off.
    found = fit_clock([seen(0, 10), seen(1, 11), seen(2, 10)]).residual / SECOND
    assert found == pytest.approx(2 / 3, abs=0.01)


# Clocks set along the way ----------------------------------------------------------------------


def test_a_reading_that_goes_back_while_the_count_goes_on() -> None:
    frames = [shot("K7_0201", "09:10:00"), shot("K7_0202", "09:50:00"), shot("K7_0203", "09:15:00")]
    found = matched(frames, LOG).frames
    assert [kinds(one) for one in found] == [["clock-unsure"]] * 3
    assert "K7_0203 follows K7_0202" in found[0].doubts[0].text
    assert "35m earlier" in found[0].doubts[0].text


@pytest.mark.parametrize(
    "frames",
    [
        # The count begins anew at 9999, or on an empty card.
        [shot("K7_9998", "09:10:00"), shot("K7_9999", "09:11:00"), shot("K7_0001", "09:12:00")],
        [shot("K7_0900", "09:10:00"), shot("K7_0901", "09:11:00"), shot("K7_0003", "09:12:00")],
        # Another folder, another count; a burst written late.
        [shot("a/K7_0001", "09:30:00"), shot("b/K7_0002", "09:10:00")],
        [shot("K7_0201", "09:10:02"), shot("K7_0202", "09:10:01")],
    ],
)
def test_counts_that_prove_nothing(frames: list[Frame]) -> None:
    assert all(kinds(one) == [] for one in matched(frames, LOG).frames)


# Satellites ------------------------------------------------------------------------------------

ZONED = "zone Europe/Stockholm\n9:00 k7 miran58 f/2.8\n9:40 k7 f/5.6\n"


def fixed(file: str, time: str, true: str) -> Frame:
    """A frame with the satellites' time; `true` is the wall clock's, two hours ahead of UTC."""
    at = datetime.fromisoformat(f"2026-05-17T{true}").replace(tzinfo=UTC) - timedelta(hours=2)
    return replace(shot(file, time), gps_time=at)


def outing() -> list[Frame]:
    """A body 20 minutes fast."""
    pairs = [("09:30:00", "09:10:00"), ("09:45:00", "09:25:00"), ("10:10:00", "09:50:00")]
    return [fixed(f"K7_{n:04}", *pair) for n, pair in enumerate(pairs, start=201)]


def test_gps_time_is_a_reference_where_the_log_gives_none() -> None:
    found = matched(outing(), ZONED).frames
    assert [f"{one.time:%H:%M:%S}" for one in found if one.time] == [
        "09:10:00",
        "09:25:00",
        "09:50:00",
    ]
    assert [short(one) for one in found] == [
        "fill miran58 f/2.8 58mm",
        "fill miran58 f/2.8 58mm",
        "fill miran58 f/5.6 58mm",
    ]


def test_without_a_zone_the_frames_own_offset_ties_satellites_to_the_wall_clock() -> None:
    frames = [
        replace(one, time=one.time and replace(one.time, offset=timedelta(hours=2)))
        for one in outing()
    ]
    found = matched(frames, ZONED.split("\n", 1)[1]).frames
    assert [one.time.minute for one in found if one.time] == [10, 25, 50]


def test_the_logs_word_stands_above_satellites() -> None:
    text = ZONED.replace("9:00", "clock k7 fast 0\n9:00", 1)
    assert [one.time.minute for one in matched(outing(), text).frames if one.time] == [30, 45, 10]


def test_an_old_fix_counts_for_nothing() -> None:
    frames = [*outing(), fixed("K7_0204", "10:20:00", "09:31:00")]
    assert [one.time.minute for one in matched(frames, ZONED).frames if one.time] == [10, 25, 50, 0]


def test_fixes_that_do_not_agree_count_for_nothing() -> None:
    frames = [
        fixed("K7_0201", "09:30:00", "09:10:00"),
        fixed("K7_0202", "09:45:00", "09:20:00"),
        fixed("K7_0203", "10:10:00", "09:40:00"),
    ]
    assert [one.time.minute for one in matched(frames, ZONED).frames if one.time] == [30, 45, 10]


# Logs that miss --------------------------------------------------------------------------------


def test_a_log_that_misses_all_frames_says_by_how_much() -> None:
    frames = [shot("K7_0201", "07:05:00"), shot("K7_0202", "07:50:00")]
    (doubt,) = matched(frames, LOG).frames[0].doubts
    assert doubt.kind == "clock-unsure"
    assert "1h10m or more before the first entry" in doubt.text
    assert "`clock k7 slow 1h55m`" in doubt.text
    assert "`zone`" in doubt.text


def test_frames_of_another_day_are_doubted() -> None:
    frames = [shot("K7_0201", "09:05:00", day="2026-05-19")]
    (doubt,) = matched(frames, LOG).frames[0].doubts
    assert "47h24m or more after the last entry" in doubt.text


def test_frames_that_begin_after_several_entries_are_doubted() -> None:
    entries = "9:00 k7 miran58 f/2.8\n9:10 k7 brask135 f/4\n"
    frames = [shot("K7_0201", "11:20:00"), shot("K7_0202", "11:21:00")]
    assert [kinds(found) for found in matched(frames, entries).frames] == [[], []]
    found = matched(frames, f"{entries}9:20 k7 f/8\n")
    assert [kinds(one) for one in found.frames] == [["clock-unsure"], ["clock-unsure"]]
    assert found.needs_person


def test_a_log_of_one_entry_holds_for_all_that_follows() -> None:
    (found,) = matched([shot("K7_0201", "18:05:00")], "9:00 k7 miran58 f/2.8\n").frames
    assert kinds(found) == []


@pytest.mark.parametrize(("day", "asks"), [("2000-01-01", True), ("2000-06-20", False)])
def test_an_amount_over_a_change_of_summer_time_is_asked_about(day: str, *, asks: bool) -> None:
    """A body whose battery was out; summer time lies an hour ahead of winter's (2000/84/EC)."""
    apart = datetime(2026, 6, 20, 9, 30) - datetime.fromisoformat(f"{day}T00:02:10")
    minutes, seconds = divmod(apart.seconds, 60)
    amount = f"{apart.days}d{minutes // 60}h{minutes % 60}m{seconds}s"
    log = f"date 2026-06-20\nzone Europe/Stockholm\nclock k7 slow {amount}\n09:00 k7 miran58 f/8\n"
    (one,) = matched([shot("K7_0201", "00:02:10", day=day)], log).frames
    assert one.time is not None
    assert one.time.hour == (10 if asks else 9)
    told = " ".join(doubt.text for doubt in one.doubts)
    assert ("clock k7 K7_0201 shows 09:30:00" in told) == asks
