"""The made-up outing: what its frames say, read by an independent reader, is what was intended."""

from __future__ import annotations

import io
import math
import re
import struct
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import exifread
import pytest
from PIL import Image

from flangeback.demo import Outing, make_outing
from flangeback.errors import InputError
from flangeback.kit import read_kit
from support.demo_truth import TRUTH, Truth


def tags(outing: Outing, name: str) -> dict[str, Any]:
    data = (outing.frames / name).read_bytes()
    return exifread.process_file(io.BytesIO(data), details=True)


def truth(name: str) -> Truth:
    return next(truth for truth in TRUTH if truth.file == name)


def readable() -> list[Truth]:
    return [truth for truth in TRUTH if truth.outcome != "unreadable"]


def number(tag: Any) -> float:
    value = tag.values[0]
    return float(value.num) / float(value.den) if hasattr(value, "num") else float(value)


def test_the_truth_covers_every_frame_and_every_kind_of_outcome(outing: Outing) -> None:
    files = sorted(path.name for path in outing.frames.glob("*.JPG"))
    assert [truth.file for truth in TRUTH] == files
    assert 36 <= len(files) <= 44
    assert Counter(truth.outcome for truth in TRUTH) == {
        "fill": 26,
        "partial": 2,
        "agree": 1,
        "conflict": 1,
        "unsure": 2,
        "unlogged": 3,
        "native": 4,
        "unreadable": 1,
    }
    doubts = {doubt for truth in TRUTH for doubt in truth.doubts}
    assert doubts == {
        "near-change",
        "native-lens",
        "registered-focal",
        "light-step",
        "placed-in-gap",
    }


def test_nothing_but_frames_log_and_kit_is_made(outing: Outing) -> None:
    others = {path.name for path in outing.frames.iterdir() if path.suffix != ".JPG"}
    assert others == {"session.txt", "kit.toml"}
    assert outing.log == outing.frames / "session.txt"
    assert outing.kit == outing.frames / "kit.toml"


def test_the_values_are_in_the_kit_and_the_reducer_counts(outing: Outing) -> None:
    kit = read_kit(outing.kit)
    for frame in TRUTH:
        if frame.lens is None:
            continue
        assert frame.focal_length is not None
        lens = kit.lenses[frame.lens]
        factor = frame.focal_length / lens.focal[0]
        assert float(factor) in (1.0, 0.71)
        if frame.f_number is not None:
            assert lens.widest[0] <= frame.f_number / factor <= lens.limit
    assert str(truth("K7_0227.JPG").focal_length) == "19.88"
    assert str(truth("K7_0227.JPG").f_number) == "3.976"
    between = truth("N2_0405.JPG").f_number
    assert between is not None
    assert math.isclose(between, math.sqrt(4 * 5.6))


def test_bodies_times_and_clocks_read_as_intended(outing: Outing) -> None:
    kestrin = tags(outing, "K7_0203.JPG")
    assert str(kestrin["Image Make"]) == "Kestrin"
    assert str(kestrin["Image Model"]) == "Kestrin K7"
    assert str(kestrin["EXIF BodySerialNumber"]) == "0071133"
    # 09:14:05, on a clock that is 3 min 20 s fast.
    assert str(kestrin["EXIF DateTimeOriginal"]) == "2026:05:17 09:17:25"
    assert str(kestrin["EXIF OffsetTimeOriginal"]) == "+02:00"
    assert "EXIF SubSecTimeOriginal" not in kestrin
    norrvik = tags(outing, "N2_0401.JPG")
    assert str(norrvik["Image Model"]) == "Norrvik N2"
    # The clock in the picture shows 09:05:10.
    assert str(norrvik["EXIF DateTimeOriginal"]) == "2026:05:17 10:12:33"
    assert str(norrvik["EXIF SubSecTimeOriginal"]) == "17"
    assert "EXIF OffsetTimeOriginal" not in norrvik
    assert "EXIF BodySerialNumber" not in norrvik


def test_each_body_counts_its_frames_in_the_order_of_time(outing: Outing) -> None:
    for body in ("K7", "N2"):
        names = [truth.file for truth in readable() if truth.file.startswith(body)]
        times = [str(tags(outing, name)["EXIF DateTimeOriginal"]) for name in names]
        assert times == sorted(set(times))


BLANK_MODELS = {"K7": {"----"}, "N2": {"0 mm f/0", "", None}}


def test_adapted_lenses_leave_the_frame_blank(outing: Outing) -> None:
    known = {"agree", "conflict", "native"}
    seen: dict[str, set[str | None]] = {"K7": set(), "N2": set()}
    for frame in readable():
        read = tags(outing, frame.file)
        if frame.outcome in known:
            assert number(read["EXIF FNumber"]) >= 1.8
            continue
        model = read.get("EXIF LensModel")
        seen[frame.file[:2]].add(None if model is None else str(model.values).strip("\0 "))
        if "EXIF FNumber" in read:
            assert read["EXIF FNumber"].values[0].num == 0
        if "EXIF LensSpecification" in read:
            assert {value.num for value in read["EXIF LensSpecification"].values} == {0}
        focal = read.get("EXIF FocalLength")
        if "registered-focal" in frame.doubts:
            assert focal is not None
            assert number(focal) == 50
        elif focal is not None and frame.focal_length is not None and number(focal):
            assert math.isclose(number(focal), frame.focal_length, rel_tol=0.05)
    assert seen == BLANK_MODELS


def test_lenses_that_make_themselves_known_are_named(outing: Outing) -> None:
    agreeing = tags(outing, "K7_0204.JPG")
    lens = read_kit(outing.kit).lenses["miran58"]
    assert str(agreeing["EXIF LensModel"]) == lens.name
    assert str(agreeing["EXIF LensMake"]) == lens.maker
    assert str(agreeing["EXIF LensSerialNumber"]) == lens.serial
    assert number(agreeing["EXIF FNumber"]) == 2.8
    assert number(agreeing["EXIF FocalLength"]) == 58
    native = tags(outing, "K7_0205.JPG")
    assert str(native["EXIF LensModel"]) == "Kestrin 24-70mm F4"
    assert number(native["EXIF FNumber"]) == 8
    assert number(tags(outing, "N2_0402.JPG")["EXIF FocalLengthIn35mmFilm"]) == 40


CLOUDED = {"K7_0211.JPG", "K7_0216.JPG"}
RING_UNKNOWN = {"K7_0229.JPG": 8.0 * 0.71}
RING_MOVED = {"K7_0220.JPG": 11.0, "K7_0221.JPG": 11.0}


def light(outing: Outing, name: str, f_number: float) -> float:
    """log2(N^2 / (t S/100)), plus how bright the picture came out."""
    read = tags(outing, name)
    with Image.open(outing.frames / name) as picture:
        counts = picture.convert("L").histogram()
    linear = [(v / 255 + 0.055) / 1.055 for v in range(256)]
    mean = sum(n * part**2.4 for n, part in zip(counts, linear, strict=True)) / sum(counts)
    time, speed = number(read["EXIF ExposureTime"]), number(read["EXIF ISOSpeedRatings"])
    return math.log2(f_number**2 / (time * speed / 100)) + math.log2(mean / 0.31)


def test_shutter_time_follows_the_ring_in_steady_light(outing: Outing) -> None:
    for frame in readable():
        if frame.file in CLOUDED or not (frame.f_number or frame.file in RING_UNKNOWN):
            continue
        really = (RING_MOVED | RING_UNKNOWN).get(frame.file) or float(frame.f_number or 0)
        assert light(outing, frame.file, really) == pytest.approx(13.0, abs=0.1), frame.file


def test_a_cloud_makes_the_two_uncertain_frames_ambiguous(outing: Outing) -> None:
    before, after = (light(outing, "K7_0211.JPG", stop) - 13 for stop in (5.6, 8))
    assert before == pytest.approx(-0.5, abs=0.1)
    assert after == pytest.approx(0.5, abs=0.1)
    assert light(outing, "K7_0216.JPG", 8) - 13 == pytest.approx(0.5, abs=0.1)


def test_maker_notes_count_from_the_start_of_the_block(outing: Outing) -> None:
    for name in ("K7_0203.JPG", "N2_0405.JPG"):
        data = (outing.frames / name).read_bytes()
        block = data[data.index(b"Exif\0\0") + 6 :]
        note = bytes(tags(outing, name)["EXIF MakerNote"].values)
        assert len(note) == 404
        at = block.index(note)
        (count,) = struct.unpack_from(">H", note)
        pointed = [struct.unpack_from(">HHII", note, 2 + 12 * n) for n in range(count)]
        for tag, kind, amount, offset in pointed[1:]:
            size = amount * {2: 1, 4: 4, 7: 1}[kind]
            assert at < offset < offset + size <= at + len(note), tag
        firmware = block[pointed[1][3] : pointed[1][3] + pointed[1][2]]
        assert firmware.rstrip(b"\0").endswith(b"fw 1.04")


def test_pictures_open_but_for_the_damaged_one(outing: Outing) -> None:
    for frame in TRUTH:
        path = outing.frames / frame.file
        if frame.outcome == "unreadable":
            with pytest.raises(OSError, match="Truncated"):
                Image.open(path)
            continue
        assert 30_000 < path.stat().st_size < 260_000
        with Image.open(path) as picture:
            picture.load()
            assert sorted(picture.size) == [640, 960]
        thumbnail = tags(outing, frame.file)["JPEGThumbnail"]
        assert Image.open(io.BytesIO(thumbnail)).size == (160, 107)


def test_one_picture_was_taken_upright(outing: Outing) -> None:
    turned = [
        frame.file
        for frame in readable()
        if tags(outing, frame.file)["Image Orientation"].values == [6]
    ]
    assert turned == ["K7_0217.JPG"]


def test_the_log_says_what_the_truth_needs(outing: Outing) -> None:
    log = outing.log.read_text("utf-8")
    entries = [re.sub(r"\s+#.*", "", line) for line in log.splitlines()]
    for line in (
        "date 2026-05-17",
        "zone Europe/Stockholm",
        "clock k7 fast 3m20s",
        "clock n2 N2_0401 shows 09:05:10",
        "9.31    n2 tolvan28 open via f-mft",
        "09:44   n2 f/4-5.6",
        "K7_0213..K7_0214   k7 miran58 f/4",
        '10:05-10:25   k7 brask135 f/5.6 "cranes, from the tripod"',
        "10:45   k7 tolvan28 f/5.6 via f-e-reducer",
        "10:52   k7 f/?",
        "11:00   k7 off",
    ):
        assert line in entries
    assert not re.search(r"^(first|then|slate)\b", log, re.MULTILINE)


def test_two_runs_make_the_same_bytes(outing: Outing, tmp_path: Path) -> None:
    again = make_outing(tmp_path)
    for path in outing.frames.iterdir():
        assert (again.frames / path.name).read_bytes() == path.read_bytes(), path.name


def test_a_folder_that_holds_anything_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="isn't an empty folder"):
        make_outing(tmp_path)
    with pytest.raises(InputError, match="isn't an empty folder"):
        make_outing(tmp_path / "mine.txt")
    with pytest.raises(InputError, match="can't be made"):
        make_outing(tmp_path / "mine.txt" / "below")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_importing_costs_no_pillow() -> None:
    code = (
        "import sys, flangeback.demo.outing;"
        "sys.exit(any(name in sys.modules for name in ('PIL', 'piexif')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
