"""The numbers of the timeline."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.report.lanes import ROW, Rows, hours_of, rows_of
from flangeback.report.timeline import (
    CUT_WIDTH,
    LONGEST_PAUSE,
    Point,
    axis_of,
    exposure_value,
    f_number_steps,
    lens_bands,
    light_paths,
    rows_of_marks,
    scale_of,
    stops,
)

TIMES = st.lists(st.floats(0, 10**6), min_size=1, max_size=40)


@given(TIMES)
def test_later_times_stand_further_right_inside_the_drawing(times: list[float]) -> None:
    axis = axis_of(times, 1000, 10)
    places = [axis.x(at) for at in sorted(times)]
    assert all(a <= b + 1e-6 for a, b in pairwise(places))
    assert places[0] >= 10
    assert places[-1] <= axis.width + 1e-6


def test_a_long_pause_is_cut_and_a_short_one_is_not() -> None:
    axis = axis_of([0, 600, 600 + LONGEST_PAUSE - 1], 1000)
    assert axis.cuts == ()
    axis = axis_of([0, 600, 600 + LONGEST_PAUSE + 1, 2000], 1000)
    (cut,) = axis.cuts
    assert cut.right - cut.left == pytest.approx(CUT_WIDTH)
    assert (cut.start, cut.end) == (600, 600 + LONGEST_PAUSE + 1)


def test_time_runs_evenly_within_a_stretch() -> None:
    axis = axis_of([0, 900], 900)
    assert axis.x(450) == pytest.approx(450)
    assert axis.x(-10) == axis.x(0)
    assert axis.x(10**6) == axis.x(900)


def test_marks_are_full_minutes_of_the_zone_s_clock() -> None:
    # 1970-01-01 00:10 to 01:10 UTC at an offset of half an hour: quarters at :40, :55 and so on.
    axis = axis_of([600, 1200, 1800, 2400, 3000, 3600, 4200], 700)
    marks = list(axis.marks(1800))
    assert marks
    assert all((at + 1800) % 600 == 0 for at in marks)
    assert all(axis.x(b) - axis.x(a) >= 60 for a, b in pairwise(marks))


def test_exposure_values_are_those_of_the_standard() -> None:
    # ISO 2720: EV 15 at ISO 100 is 1/125 s at f/16 (marked values, so within a tenth).
    assert exposure_value(16, 1 / 125, 100) == pytest.approx(15, abs=0.1)
    assert exposure_value(16, 1 / 500, 400) == pytest.approx(15, abs=0.1)


def test_wide_open_is_up_and_two_marks_are_two_stops() -> None:
    assert stops(2.8) > stops(5.6)
    assert stops(2.0) - stops(4.0) == pytest.approx(2)


def test_a_band_for_each_lens_in_a_row() -> None:
    points = [Point(at, lens) for at, lens in ((0, "a"), (60, "a"), (120, "b"), (180, None))]
    axis = axis_of([one.at for one in points], 180)
    bands = lens_bands(points, axis)
    assert [band.lens for band in bands] == ["a", "b"]
    assert bands[0].right == pytest.approx(90)
    assert bands[1].left == pytest.approx(90)


def test_a_band_ends_at_a_cut() -> None:
    points = [Point(0, "a"), Point(5000, "a")]
    axis = axis_of([0, 5000], 500)
    assert len(lens_bands(points, axis)) == 2


def test_the_f_number_steps_where_the_ring_was_turned_and_stops_where_it_is_not_known() -> None:
    numbers = (2.8, 2.8, 5.6, None)
    points = [Point(60.0 * n, "a", number) for n, number in enumerate(numbers)]
    axis = axis_of([one.at for one in points], 180)
    scale = scale_of([stops(2.8), stops(5.6)], 0, 30)
    steps = f_number_steps(points, axis, scale)
    assert [step.f_number for step in steps] == [2.8, 5.6]
    assert steps[0].right == steps[1].left
    assert steps[0].y < steps[1].y


def test_light_is_one_line_for_each_stretch_in_which_it_is_known() -> None:
    points = [Point(0, light=12.0), Point(60, light=13.0), Point(9000, light=12.0)]
    points += [Point(9060), Point(9120, light=12.0), Point(9180, light=12.0)]
    axis = axis_of([one.at for one in points], 500)
    scale = scale_of([12.0, 13.0], 0, 30)
    paths = light_paths(points, axis, scale)
    assert [len(path.split()) for path in paths] == [2, 2, 2]
    alone = paths[1].split()
    assert alone[0] == alone[1]
    assert scale.y(13.0) < scale.y(12.0)


def test_a_scale_has_some_stops_whatever_stands_on_it() -> None:
    scale = scale_of([10.0], 0, 30)
    assert scale.y(10.0) == pytest.approx(15)
    assert scale.high - scale.low == pytest.approx(3)


@given(st.lists(st.floats(0, 1000), max_size=60).map(sorted))
def test_marks_of_one_row_do_not_touch_unless_all_rows_are_full(places: list[float]) -> None:
    rows = rows_of_marks(places, 9, most=4)
    for row in range(3):
        alike = [x for x, r in zip(places, rows, strict=True) if r == row]
        assert all(b - a >= 9 for a, b in pairwise(alike))


@given(TIMES)
def test_no_mark_of_the_axis_covers_another(times: list[float]) -> None:
    axis = axis_of(times, 1000)
    hours = list(hours_of(axis, timedelta(hours=2)))
    assert hours
    assert all(b.x - a.x > 6 * len(a.text) for a, b in pairwise(hours))


@given(
    *(st.integers(0, 2), st.integers(1, 4)),
    *(st.booleans(), st.booleans(), st.booleans(), st.booleans()),
)
def test_a_lane_is_as_high_as_what_is_in_it(
    entries: int, marks: int, bands: bool, stops: bool, clocks: bool, light: bool
) -> None:
    def rows(*, entries: int, bands: bool = bands, light: bool = light, marks: int = marks) -> Rows:
        return rows_of(
            entries=entries, marks=marks, bands=bands, stops=stops, clocks=clocks, light=light
        )

    found = rows(entries=entries)
    places = [found.bands, *found.stops, found.marks, found.clocks, *found.light]
    assert places == sorted(places) or not (stops and light)
    assert found.marks + marks * ROW <= found.height
    assert found.stops[1] < found.marks or not stops
    assert found.light[1] < found.height or not light
    fullest = rows(entries=2, bands=True, light=True, marks=4)
    assert found.height <= fullest.height
    assert (found.height == fullest.height) == (entries == 2 and bands and light and marks == 4)
