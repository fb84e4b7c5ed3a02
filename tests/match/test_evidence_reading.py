"""What a frame tells of its exposure, its sensor and the satellites' time."""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from typing import Any

import piexif
import pytest
from piexif import GPSIFD, ExifIFD
from PIL import Image

from flangeback.frames import Exposure, FocalPlane, Frame, read_frame

Tags = dict[int, Any]


def frame(folder: Path, exif: Tags | None = None, gps: Tags | None = None) -> Frame:
    out = BytesIO()
    data = piexif.dump({"Exif": exif or {}, "GPS": gps or {}})
    Image.new("RGB", (16, 8), (118, 118, 118)).save(out, "JPEG", exif=data)
    (folder / "K7_0001.JPG").write_bytes(out.getvalue())
    return read_frame(folder, "K7_0001.JPG")


def test_time_and_sensitivity(tmp_path: Path) -> None:
    found = frame(tmp_path, {ExifIFD.ExposureTime: (1, 250), ExifIFD.ISOSpeedRatings: 400})
    assert found.exposure == Exposure(Fraction(1, 250), 400)


def test_a_frame_that_says_neither(tmp_path: Path) -> None:
    assert frame(tmp_path).exposure == Exposure()


def test_rationals_over_zero_say_nothing(tmp_path: Path) -> None:
    found = frame(tmp_path, {ExifIFD.ExposureTime: (0, 0), ExifIFD.ISOSpeedRatings: 0})
    assert found.exposure == Exposure()


def test_shutter_speed_value_stands_in(tmp_path: Path) -> None:
    # APEX, CIPA DC-008: Tv = -log2 t; 7 is 1/128 s.
    found = frame(tmp_path, {ExifIFD.ShutterSpeedValue: (7, 1)})
    assert found.exposure.time == Fraction(1, 128)


def test_a_sensitivity_beyond_16_bits(tmp_path: Path) -> None:
    # CIPA DC-008: PhotographicSensitivity is 65535 where the value is greater.
    tags = {ExifIFD.ISOSpeedRatings: 65535, ExifIFD.RecommendedExposureIndex: 102400}
    assert frame(tmp_path, tags).exposure.iso == 102400


@pytest.mark.parametrize(("unit", "per_unit"), [(2, 25.4), (3, 10), (None, 25.4)])
def test_focal_plane(tmp_path: Path, unit: int | None, per_unit: float) -> None:
    tags: Tags = {
        ExifIFD.PixelXDimension: 6000,
        ExifIFD.PixelYDimension: 4000,
        ExifIFD.FocalPlaneXResolution: (4234, 1),
        ExifIFD.FocalPlaneYResolution: (4234, 1),
    }
    if unit is not None:
        tags[ExifIFD.FocalPlaneResolutionUnit] = unit
    found = frame(tmp_path, tags).focal_plane
    assert isinstance(found, FocalPlane)
    assert (found.width, found.height) == (6000, 4000)
    assert float(found.x_resolution) == pytest.approx(4234 / per_unit)


GPS: Tags = {
    GPSIFD.GPSDateStamp: "2026:05:17",
    GPSIFD.GPSTimeStamp: ((7, 1), (12, 1), (445, 10)),
}


def test_gps_time_is_utc(tmp_path: Path) -> None:
    found = frame(tmp_path, gps=GPS).gps_time
    assert found == datetime(2026, 5, 17, 7, 12, 44, 500_000, tzinfo=UTC)


@pytest.mark.parametrize(
    "broken",
    [
        {GPSIFD.GPSDateStamp: "2026:13:17"},
        {GPSIFD.GPSDateStamp: ""},
        {GPSIFD.GPSTimeStamp: ((7, 1), (0, 0), (0, 1))},
        {GPSIFD.GPSTimeStamp: ((24, 1), (0, 1), (0, 1))},
        {GPSIFD.GPSTimeStamp: ((7, 1), (12, 1))},
    ],
)
def test_broken_gps_time_is_none(tmp_path: Path, broken: Tags) -> None:
    assert frame(tmp_path, gps=GPS | broken).gps_time is None
