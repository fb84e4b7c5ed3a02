"""Thin-lens values worked by hand, the marked stops, and what has to hold for any lens."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.kit import optics, stops
from flangeback.tags.decide import aperture_value

FOCALS = st.floats(8, 1000)
F_NUMBERS = st.floats(0.7, 64)
DISTANCES = st.floats(2_000, 1e7)


# Source: the thin lens, 1/f = 1/object + 1/image, with the image at f + d: f + f^2/d.
@pytest.mark.parametrize(
    ("focal", "extension", "metres"),
    [
        (28, 0.05, 15.708),  # 28 + 784/0.05 = 15 708 mm
        (50, 0.05, 50.05),  # 50 + 2500/0.05
        (58, 0.10, 33.698),  # 58 + 3364/0.1
        (135, 0.02, 911.385),  # 135 + 18225/0.02
        (50, 50, 0.1),  # 1:1, twice the focal length
    ],
)
def test_distance_on_a_lens_that_stands_too_far_out(
    focal: float, extension: float, metres: float
) -> None:
    assert optics.extended_distance(focal, extension) / 1000 == pytest.approx(metres, rel=1e-6)


def test_no_extension_is_infinity() -> None:
    assert optics.extended_distance(50, 0) == math.inf


@given(FOCALS, st.floats(0.01, 100))
def test_the_distance_obeys_the_thin_lens(focal: float, extension: float) -> None:
    distance = optics.extended_distance(focal, extension)
    assert 1 / distance + 1 / (focal + extension) == pytest.approx(1 / focal, rel=1e-9)


# Source: 2 atan(side / 2f), the thin lens focused at infinity. 50 mm on 43.27 mm: atan(0.4327)
# is 23.40 degrees. 18 mm on a side of 36 mm: atan(1) is 45 degrees.
@pytest.mark.parametrize(
    ("focal", "side", "degrees"), [(50, 43.27, 46.80), (18, 36, 90), (135, 36, 15.19)]
)
def test_angle_of_view(focal: float, side: float, degrees: float) -> None:
    assert optics.angle_of_view(focal, side) == pytest.approx(degrees, abs=0.01)


def test_circle_of_confusion_goes_with_the_format() -> None:
    # Source: common practice, 0.030 mm on 36 x 24 mm; half of it on half the diagonal.
    assert optics.circle_of_confusion(43.27) == pytest.approx(0.030)
    assert optics.circle_of_confusion(43.27 / 2) == pytest.approx(0.015)
    assert optics.circle_of_confusion(None) == pytest.approx(0.030)


def test_hyperfocal_distance_and_far_limit_by_hand() -> None:
    # Source: common practice, H = f + f^2/(N c). 50 mm, f/8, 0.030 mm: 50 + 2500/0.24 = 10 466.7.
    assert optics.far_limit(50, 8, 0.030, 10_466.67) == math.inf
    assert optics.far_limit(50, 8, 0.030, math.inf) == math.inf
    assert math.isfinite(optics.far_limit(50, 8, 0.030, 10_466.66))
    # At 3 m: 3000 x 10416.67 / (10466.67 - 3000).
    assert optics.far_limit(50, 8, 0.030, 3_000) == pytest.approx(4_185.3, abs=0.1)


@given(FOCALS, F_NUMBERS, DISTANCES)
def test_the_blur_at_the_far_limit_is_the_circle(
    focal: float, f_number: float, distance: float
) -> None:
    circle = 0.030
    far = optics.far_limit(focal, f_number, circle, distance)
    sensor = 1 / (1 / focal - 1 / distance)
    assert distance <= far
    if math.isfinite(far):
        image = 1 / (1 / focal - 1 / far)
        blur = (focal / f_number) * abs(image - sensor) / image
        assert blur == pytest.approx(circle, rel=1e-3, abs=1e-6)


@given(FOCALS, F_NUMBERS, st.floats(0.001, 0.5))
def test_an_error_shows_just_when_depth_of_field_misses_infinity(
    focal: float, f_number: float, error: float
) -> None:
    # Source: similar triangles; the cone of light is f/N wide at the lens and ends f behind it.
    blur = error / f_number
    if abs(blur / 0.030 - 1) > 1e-6:
        far = optics.far_limit(focal, f_number, 0.030, optics.extended_distance(focal, error))
        assert math.isinf(far) == (blur <= 0.030)


# The marked series -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["full", "half", "third"])
def test_marks_are_near_the_exact_values(name: str) -> None:
    # Source: APEX, N = 2^(Av/2) (CIPA DC-008). A mark is off by less than a sixth of a stop.
    for stop in stops.series(name):
        assert abs(2 * math.log2(float(stop.mark) / stop.exact)) < 1 / 6, stop
    exact = [stop.exact for stop in stops.series(name)]
    assert exact == sorted(exact)


@pytest.mark.parametrize(
    ("av", "mark"),
    # Source: ISO 517 (marks) and CIPA DC-008, annex on APEX units (Av).
    list(enumerate(("1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32"))),
)
def test_full_stops_are_whole_apex_values(av: int, mark: str) -> None:
    (stop,) = (stop for stop in stops.series("full") if stop.mark == Decimal(mark))
    assert 2 * math.log2(stop.exact) == pytest.approx(av)
    assert round(aperture_value(stop.mark)) == av


@pytest.mark.parametrize(("name", "per_stop"), [("half", 2), ("third", 3)])
def test_finer_series_hold_the_full_stops(name: str, per_stop: int) -> None:
    full = [stop.mark for stop in stops.series("full") if 1 <= stop.mark <= 32]
    assert [stop.mark for stop in stops.series(name)][::per_stop] == full


def test_first_mark_from_an_f_number() -> None:
    assert stops.first_from(3.33) == 4
    assert stops.first_from(5.65) == Decimal("5.6")  # the mark stands for 5.657
    assert stops.first_from(5.66) == 8
    assert stops.first_from(1000) is None


def test_there_is_no_other_series() -> None:
    with pytest.raises(KeyError):
        stops.series("quarter")
