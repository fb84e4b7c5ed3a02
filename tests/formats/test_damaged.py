"""Damage that real files have and that keeps nobody from reading them: filled, and proved.

What is there before and after is read by ExifRead and by the Exiv2 library.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies import fill, verify
from flangeback.formats import Damaged
from flangeback.frames import read_frame
from flangeback.tags import decide
from support.camera_files import frame_bytes
from support.edits import edited
from support.gear import AT_2_8, all_filled
from support.readers import by_exifread, by_exiv2

TIME = {0x9003: b"2026:05:17 09:13:00"}


def patched(
    entry: int, kind: int, count: int, tags: dict[int, Any], place: int | None = None
) -> bytes:
    """A frame with another type, count and place in the entry of this tag (TIFF 6.0, section 2)."""
    data = bytearray(frame_bytes(tags))
    at = data.index(struct.pack(">H", entry), data.index(b"MM\0*"))
    struct.pack_into(">HI", data, at + 2, kind, count)
    if place is not None:
        struct.pack_into(">I", data, at + 8, place)
    return bytes(data)


def copy_of(folder: Path, data: bytes) -> bytes:
    """The proved copy of a frame with this content."""
    frames, out = folder / "frames", folder / "out"
    frames.mkdir()
    (frames / "K7_0001.JPG").write_bytes(data)
    done = fill(all_filled(frames, ["K7_0001.JPG"]), frames, out)
    assert [one.failure for one in done.copies] == [None]
    assert [one.match.reason for one in done.copies] == [None]
    assert not verify(out).failed
    return (out / "K7_0001.JPG").read_bytes()


def test_an_exif_directory_kept_as_a_text_is_read_and_led_to_again(tmp_path: Path) -> None:
    """A common writer does so (as seen); strict readers find nothing of it, its bytes stand."""
    before = patched(0x8769, 2, 18, TIME)
    assert "Exif.Photo.DateTimeOriginal" not in by_exiv2(before)
    after = copy_of(tmp_path, before)
    assert by_exifread(after)["EXIF DateTimeOriginal"] == (2, "2026:05:17 09:13:00")
    seen = by_exiv2(after)
    assert seen["Exif.Photo.DateTimeOriginal"] == "2026:05:17 09:13:00"
    assert seen["Exif.Photo.LensModel"] == "Miran 58mm f/2"
    frame = read_frame(tmp_path / "frames", "K7_0001.JPG")
    assert frame.time is not None
    assert frame.time.at.isoformat() == "2026-05-17T09:13:00"


def test_a_text_that_is_no_directory_is_refused() -> None:
    with pytest.raises(Damaged):
        edited(patched(0x8769, 2, 1 << 20, TIME), decide(AT_2_8))


@pytest.mark.parametrize("count", [0x0002_0001, 0xFFFF_FFFF])
def test_a_value_of_absurd_length_over_the_directories_keeps_nothing_from_being_filled(
    tmp_path: Path, count: int
) -> None:
    """Its own tag says nothing to any reader, and all others read as before."""
    before = patched(0xA002, 3, count, TIME | {0xA002: 4000}, place=16)
    after = copy_of(tmp_path, before)
    old, new = by_exiv2(before), by_exiv2(after)
    assert {name for name in old if new.get(name) != old[name]} == {"Exif.Image.ExifTag"}
    assert new["Exif.Photo.FNumber"] == "28/10"
