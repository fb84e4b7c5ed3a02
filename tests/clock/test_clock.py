"""From a body's clock to the log's: offset, drift, zones, and how sure the answer is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import SECOND, BodyClock, Reference, TrueTime, instant, microseconds
from flangeback.frames import CameraTime
from support.examples import examples

HOUR, DAY = 3600 * SECOND, 86_400 * SECOND
STOCKHOLM = ZoneInfo("Europe/Stockholm")
CEST = timedelta(hours=2)
START = instant(datetime(2026, 5, 17, 9, 0))


def reference(camera: str, shows: str) -> Reference:
    """A photo of a clock, both readings in whole seconds: each is good to half a second."""
    at, true = (instant(datetime.fromisoformat(f"2026-05-17T{text}")) for text in (camera, shows))
    return Reference(at + SECOND / 2, true + SECOND / 2, SECOND)


def at(text: str, offset: timedelta | None = None, day: str = "2026-05-17") -> CameraTime:
    return CameraTime(datetime.fromisoformat(f"{day}T{text}"), offset=offset)


def seconds_sure(time: TrueTime) -> float:
    return (time.latest - time.earliest) / SECOND


# One reference ---------------------------------------------------------------------------------


def test_a_clock_that_is_right() -> None:
    time = BodyClock().true_time(at("09:12:44"), None)
    assert time.at == datetime(2026, 5, 17, 9, 12, 44)
    assert time.earliest == instant(datetime(2026, 5, 17, 9, 12, 44))
    assert time.latest - time.earliest == SECOND


def test_the_shown_time_of_a_fast_and_of_a_slow_clock() -> None:
    fast = BodyClock(ahead=200.0 * SECOND)
    assert fast.true_time(at("09:16:04"), None).at == datetime(2026, 5, 17, 9, 12, 44)
    slow = BodyClock(ahead=-200.0 * SECOND)
    assert slow.true_time(at("09:09:24"), None).at == datetime(2026, 5, 17, 9, 12, 44)


def test_sub_seconds_narrow_the_time() -> None:
    camera = CameraTime(datetime(2026, 5, 17, 9, 12, 44, 170_000), timedelta(milliseconds=10))
    time = BodyClock(ahead=60.0 * SECOND).true_time(camera, None)
    assert time.latest - time.earliest == 10_000
    assert time.at == datetime(2026, 5, 17, 9, 11, 44, 170_000)


def test_one_reference_is_an_offset() -> None:
    clock = fit_clock([reference("10:12:33", "09:05:10")])
    assert clock.unsure is None
    assert clock.drift == 0
    assert clock.ahead == timedelta(hours=1, minutes=7, seconds=23) / timedelta(microseconds=1)
    time = clock.true_time(at("10:12:33"), None)
    assert time.at == datetime(2026, 5, 17, 9, 5, 10)
    # Two readings in whole seconds: no better than a second either way.
    assert seconds_sure(time) == pytest.approx(3, abs=0.001)


def test_away_from_a_lone_reference_a_clock_may_drift() -> None:
    clock = fit_clock([reference("09:00:00", "09:00:00")])
    near, far = (seconds_sure(clock.true_time(at(text), None)) for text in ("09:00:00", "21:00:00"))
    # A quartz clock keeps within some seconds a day (common practice).
    assert near + 1 < far < near + 60


# Two references --------------------------------------------------------------------------------


def test_two_references_give_the_drift() -> None:
    clock = fit_clock([reference("09:00:10", "09:00:00"), reference("21:00:14", "21:00:00")])
    assert clock.unsure is None
    assert clock.drift == pytest.approx(4 / (12 * 3600 + 4))
    time = clock.true_time(at("15:00:12"), None)
    assert time.at == datetime(2026, 5, 17, 15, 0, 0)
    assert seconds_sure(time) <= 4


def test_the_order_of_references_does_not_matter() -> None:
    both = [reference("09:00:10", "09:00:00"), reference("12:00:11", "12:00:00")]
    assert fit_clock(both) == fit_clock(both[::-1])


def test_two_readings_of_one_instant_have_no_drift() -> None:
    clock = fit_clock([reference("09:00:10", "09:00:00"), reference("09:00:10", "09:00:01")])
    assert clock.drift == 0
    assert clock.unsure is None


def test_references_a_minute_apart_claim_no_drift_that_no_clock_has() -> None:
    # Each reading may be off by its second: taken for drift, that would be minutes by evening.
    clock = fit_clock([reference("09:00:00", "09:00:00"), reference("09:01:01", "09:01:00")])
    time = clock.true_time(at("18:00:00"), None)
    assert time.earliest <= instant(datetime(2026, 5, 17, 18, 0, 0)) < time.latest
    assert abs(time.at - datetime(2026, 5, 17, 18, 0, 0)) < timedelta(seconds=20)


def test_references_that_contradict_each_other_are_told() -> None:
    clock = fit_clock([reference("09:00:00", "09:00:00"), reference("10:02:00", "10:00:00")])
    assert clock.unsure is not None
    assert "differ by 2m:" in clock.unsure


def test_a_contradiction_between_any_two_neighbours_is_found() -> None:
    three = [reference("09:00:10", "09:00:00"), reference("10:00:10", "10:00:00")]
    assert fit_clock(three).unsure is None
    assert fit_clock([*three, reference("11:00:40", "11:00:00")]).unsure


def test_a_clock_half_a_day_off_is_told() -> None:
    clock = fit_clock([Reference(START + 13 * HOUR, START, SECOND)])
    assert clock.unsure is not None
    assert "12 hours" in clock.unsure


# Simulated clocks ------------------------------------------------------------------------------


def truncated(true: int, unit: int) -> int:
    return true - true % unit


OFFSETS = st.integers(-90 * 60 * SECOND, 90 * 60 * SECOND)
DRIFTS = st.floats(-5, 5).map(lambda seconds: seconds * SECOND / DAY)
MOMENTS = st.integers(START, START + 10 * HOUR)


@settings(deadline=None, max_examples=examples(300))
@given(
    ahead=OFFSETS,
    drift=DRIFTS,
    photos=st.lists(MOMENTS, min_size=1, max_size=4),
    moments=st.lists(MOMENTS, min_size=1, max_size=6),
)
@example(ahead=999_999, drift=0.0, photos=[START, START + 61 * SECOND], moments=[START + 9 * HOUR])
@example(
    ahead=900_000,
    drift=0.0,
    photos=[START, START + HOUR + 50_000, START + 2 * HOUR + 999_999],
    moments=[START + 2 * HOUR, START + 10 * HOUR],
)
def test_the_true_time_always_lies_inside(
    ahead: int, drift: float, photos: list[int], moments: list[int]
) -> None:
    def camera(true: int) -> int:
        """What the body's clock reads, whole seconds."""
        return truncated(true + ahead + round(drift * (true - START)), SECOND)

    references = [
        Reference(camera(true) + SECOND / 2, truncated(true, SECOND) + SECOND / 2, SECOND)
        for true in photos
    ]
    clock = fit_clock(references)
    assert clock.unsure is None
    for true in (*moments, *photos):
        reading = datetime(1970, 1, 1) + timedelta(microseconds=camera(true))
        found = clock.true_time(CameraTime(reading), None)
        # A microsecond for rounding.
        assert found.earliest - 1 <= true <= found.latest, (true, found)


@settings(deadline=None)
@given(ahead=OFFSETS, drift=DRIFTS, moment=MOMENTS)
def test_two_references_at_the_ends_stay_within_seconds(
    ahead: int, drift: float, moment: int
) -> None:
    ends = [(true, true + ahead + drift * (true - START)) for true in (START, START + 10 * HOUR)]
    clock = fit_clock([Reference(camera, true, SECOND) for true, camera in ends])
    reading = moment + ahead + drift * (moment - START)
    assert moment + clock.ahead_at(reading) == pytest.approx(reading, abs=1000)
    assert clock.error_at(reading) <= 2 * SECOND


# Zones and daylight saving ---------------------------------------------------------------------


def utc(text: str) -> int:
    return instant(datetime.fromisoformat(text).replace(tzinfo=UTC))


def test_with_a_zone_times_are_instants() -> None:
    time = BodyClock().true_time(at("09:12:44"), STOCKHOLM)
    assert time.earliest == utc("2026-05-17T07:12:44")
    assert time.at.isoformat() == "2026-05-17T09:12:44+02:00"


def test_a_frames_own_offset_counts_before_the_logs_zone() -> None:
    in_utc = BodyClock().true_time(at("07:12:44", timedelta(0)), STOCKHOLM)
    assert in_utc.earliest == utc("2026-05-17T07:12:44")
    assert in_utc.at.isoformat() == "2026-05-17T09:12:44+02:00"


def test_frames_with_and_without_offsets_lie_on_one_line() -> None:
    clock = BodyClock(ahead=60.0 * SECOND)
    mixed = [at("09:13:44"), at("09:13:44", CEST), at("16:13:44", timedelta(hours=9))]
    assert len({clock.true_time(camera, STOCKHOLM) for camera in mixed}) == 1


def test_without_a_zone_camera_time_counts_as_it_stands() -> None:
    plain = BodyClock().true_time(at("09:12:44"), None)
    stated = BodyClock().true_time(at("09:12:44", CEST), None)
    assert plain.earliest == stated.earliest
    assert plain.at.tzinfo is None
    assert stated.at.isoformat() == "2026-05-17T09:12:44+02:00"


# Europe/Stockholm goes forward on 2026-03-29 at 02:00 (01:00 UTC) and back on 2026-10-25 at 03:00
# (01:00 UTC): directive 2000/84/EC, last Sundays of March and October.
CHANGES = [
    ("2026-03-29", "01:59:59", "2026-03-29T00:59:59"),
    ("2026-03-29", "03:00:00", "2026-03-29T01:00:00"),
    ("2026-03-29", "04:30:00", "2026-03-29T02:30:00"),
    ("2026-10-25", "01:59:59", "2026-10-24T23:59:59"),
    ("2026-10-25", "03:00:00", "2026-10-25T02:00:00"),
]


@pytest.mark.parametrize(("day", "reading", "true"), CHANGES)
def test_readings_around_both_changes(day: str, reading: str, true: str) -> None:
    time = BodyClock().true_time(at(reading, day=day), STOCKHOLM)
    assert time.earliest == utc(true)
    assert time.latest - time.earliest == SECOND


def test_offsets_tell_the_two_hours_of_the_change_back_apart() -> None:
    for hours, true in ((2, "2026-10-25T00:30:00"), (1, "2026-10-25T01:30:00")):
        camera = at("02:30:00", timedelta(hours=hours), "2026-10-25")
        time = BodyClock().true_time(camera, STOCKHOLM)
        assert (time.earliest, time.latest) == (utc(true), utc(true) + SECOND)
        assert time.at.utcoffset() == timedelta(hours=hours)


def test_without_an_offset_a_reading_that_occurs_twice_may_be_either() -> None:
    time = BodyClock().true_time(at("02:30:00", day="2026-10-25"), STOCKHOLM)
    assert time.earliest == utc("2026-10-25T00:30:00")
    assert time.latest == utc("2026-10-25T01:30:00") + SECOND


def test_a_reading_the_clocks_leapt_over_may_be_either() -> None:
    # The body's clock was moved later, or had been moved already.
    time = BodyClock().true_time(at("02:30:00", day="2026-03-29"), STOCKHOLM)
    assert time.earliest <= utc("2026-03-29T00:30:00")
    assert time.latest > utc("2026-03-29T01:30:00")


def test_instants_count_from_1970() -> None:
    assert instant(datetime(1970, 1, 1)) == 0
    assert instant(datetime(1970, 1, 1, 2, tzinfo=timezone(CEST))) == 0
    assert instant(datetime(1969, 12, 31, 23, 59, 59)) == -SECOND
    assert microseconds(timedelta(seconds=-1.5)) == -1_500_000
