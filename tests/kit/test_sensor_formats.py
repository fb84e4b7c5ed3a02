"""Sensor formats. Sizes and crop factors: trade figures, common practice; full frame is
36 x 24 mm with a diagonal of 43.27 mm."""

from __future__ import annotations

import math

import pytest

from flangeback import profiles
from flangeback.kit.mounts import format_named

CROP_FACTORS = {
    "full frame": 1.00,
    "APS-C (1.5x)": 1.53,
    "APS-C (1.6x)": 1.61,
    "Four Thirds": 2.00,
    "1 inch": 2.73,
    "44 x 33": 0.79,
}


def test_each_format_has_the_crop_factor_the_trade_gives_it() -> None:
    rows = profiles.load("formats")["format"]
    assert {row["name"] for row in rows} == set(CROP_FACTORS)
    for row in rows:
        width, height = map(float, row["size"])
        crop = 43.27 / math.hypot(width, height)
        assert crop == pytest.approx(CROP_FACTORS[row["name"]], abs=0.006)


@pytest.mark.parametrize(
    ("sensor", "name"),
    [
        ((35.9, 23.9), "full frame"),
        ((36.0, 24.0), "full frame"),
        ((23.5, 15.6), "APS-C (1.5x)"),
        ((22.3, 14.9), "APS-C (1.6x)"),
        ((17.3, 13.0), "Four Thirds"),
        ((24.0, 36.0), None),
        ((30.0, 20.0), None),
        (None, None),
    ],
)
def test_a_sensor_is_of_the_format_it_measures(
    sensor: tuple[float, float] | None, name: str | None
) -> None:
    assert format_named(sensor) == name
