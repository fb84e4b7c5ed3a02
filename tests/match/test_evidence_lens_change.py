"""A step that comes with an entry is no step: another lens sees another scene."""

from __future__ import annotations

import io
from pathlib import Path

import piexif
from PIL import Image

from flangeback.frames import scan
from flangeback.kit import read_kit
from flangeback.log import parse_log
from flangeback.match import DoubtKind, match_frames
from flangeback.profiles import folder

LOG = """date 2026-05-17
09:12 k7 miran58 f/2.8
09:40 k7 f/5.6
10:05-10:30 k7 brask135 f/4
10:50 k7 off
"""
TIMES = (
    *("09:05:00", "09:13:30", "09:15:00", "09:20:00", "09:25:00", "09:30:00", "09:35:00"),
    *("09:40:20", "09:40:50", "09:42:00", "09:45:00", "09:48:00", "09:52:00", "09:55:00"),
    *("10:10:00", "10:12:00", "10:14:00", "10:20:00", "10:30:30", "10:40:00"),
)


def put(path: Path, time: str) -> None:
    """A frame of one grey, exposed as all others, whatever the log says of the f-number."""
    exif = {
        "0th": {piexif.ImageIFD.Model: b"Kestrin K7"},
        "Exif": {
            piexif.ExifIFD.DateTimeOriginal: f"2026:05:17 {time}".encode(),
            piexif.ExifIFD.ExposureTime: (1, 250),
            piexif.ExifIFD.ISOSpeedRatings: 200,
        },
    }
    picture = io.BytesIO()
    Image.new("RGB", (96, 64), (120, 130, 140)).save(picture, "JPEG", exif=piexif.dump(exif))
    path.write_bytes(picture.getvalue())


def test_a_lens_change_with_its_entry_is_no_light_step(tmp_path: Path) -> None:
    for number, time in enumerate(TIMES, 1):
        put(tmp_path / f"K7_{number:04}.JPG", time)
    kit = read_kit(folder() / "kit.toml")
    found = match_frames(scan(tmp_path), [parse_log(LOG, kit)], kit)
    assert len(found.frames) == len(TIMES)
    doubts = [doubt.kind for frame in found.frames for doubt in frame.doubts]
    assert DoubtKind.LIGHT_STEP not in doubts
