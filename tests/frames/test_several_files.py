"""Frames of several files, files whose suffix lies, raw structures that aren't edited.

What a file is, is told by its content. The files are made up; Exiv2 and ExifRead read the copies.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from flangeback.copies import FillOptions, fill, verify
from flangeback.frames import Frame, scan
from flangeback.log import parse_log
from flangeback.match import Outcome, match_frames
from flangeback.raw_mode import RawMode
from support.camera_files import DATE_TIME_ORIGINAL, F_NUMBER, FOCAL_LENGTH, LENS_MODEL, frame_bytes
from support.commands import run
from support.gear import all_filled
from support.heif_files import heif
from support.kits import WHOLE, whole_kit
from support.other_raws import EVERY, in_sections
from support.raw_files import EXIF, Item, bayer_dng, plain_raw, text
from support.readers import by_exiv2, xmp_by_exiv2

LOG = "date 2026-05-17\n09:12 k7 miran58 f/2.8\n"
KIT = whole_kit()
JPEG = frame_bytes({DATE_TIME_ORIGINAL: b"2026:05:17 09:13:00", FOCAL_LENGTH: (50, 1)})
RAW = plain_raw().data
LATER = plain_raw(taken="2026:05:17 09:14:00").data
OTHER = in_sections({"CAMMODEL": "Kestrin K7"})
"""A raw structure that isn't edited."""


def put(folder: Path, files: Mapping[str, bytes]) -> Path:
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def groups(folder: Path, files: Mapping[str, bytes]) -> list[list[str]]:
    return [[file.file for file in frame.files] for frame in scan(put(folder, files))]


def document(
    folder: Path, files: Mapping[str, bytes], *more: str
) -> dict[str, list[dict[str, object]]]:
    """`fill --json` of these files; everything is proved twice."""
    frames = put(folder / "frames", files)
    (frames / "session.txt").write_text(LOG, "utf-8")
    (frames / "kit.toml").write_text(WHOLE, "utf-8")
    found = run("fill", frames, "--into", folder / "out", "--json", *more)
    assert found.code in (0, 1), found.err
    assert not verify(folder / "out").failed
    parsed: dict[str, list[dict[str, object]]] = json.loads(found.out)
    return parsed


# One release of the shutter.


def test_one_stem_and_one_time_are_one_frame(tmp_path: Path) -> None:
    (row,) = document(tmp_path, {"a/K7_1.JPG": JPEG, "a/K7_1.DNG": RAW})["frames"]
    assert (row["file"], row["outcome"]) == ("a/K7_1.JPG", "fill")
    assert "pair-differs" not in str(row["doubts"])
    assert row["files"] == ["a/K7_1.JPG", "a/K7_1.DNG"]
    assert row["copies"] == ["a/K7_1.JPG", "a/K7_1.DNG", "a/K7_1.xmp"]
    out = tmp_path / "out/a"
    assert by_exiv2((out / "K7_1.JPG").read_bytes())["Exif.Photo.FNumber"] == "28/10"
    assert (out / "K7_1.DNG").read_bytes() == RAW
    assert xmp_by_exiv2((out / "K7_1.xmp").read_bytes())["Xmp.exif.FNumber"] == "28/10"


def test_embedded_both_say_the_same(tmp_path: Path) -> None:
    document(tmp_path, {"K7_1.JPG": JPEG, "K7_1.DNG": RAW}, "--raw", "embed")
    for name in ("K7_1.JPG", "K7_1.DNG"):
        found = by_exiv2((tmp_path / "out" / name).read_bytes())
        assert (found["Exif.Photo.FNumber"], found["Exif.Photo.LensModel"]) == (
            "28/10",
            "Miran 58mm f/2",
        )
    assert not (tmp_path / "out/K7_1.xmp").exists()


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({"K7_1.JPG": JPEG, "K7_1.DNG": RAW}, [["K7_1.JPG", "K7_1.DNG"]]),
        ({"K7_1.jpg": JPEG, "k7_1.dng": RAW}, [["K7_1.jpg", "k7_1.dng"]]),
        ({"K7_1.HEIC": heif(plain_raw(mark=False).data), "K7_1.DNG": RAW},
         [["K7_1.HEIC", "K7_1.DNG"]]),
        ({"K7_1.JPG": JPEG, "K7_1.DNG": LATER}, [["K7_1.DNG"], ["K7_1.JPG"]]),
        ({"a/K7_1.JPG": JPEG, "b/K7_1.DNG": RAW}, [["a/K7_1.JPG"], ["b/K7_1.DNG"]]),
        ({"K7_1.JPG": JPEG, "K7_2.DNG": RAW}, [["K7_1.JPG"], ["K7_2.DNG"]]),
        ({"K7_1.JPG": JPEG, "K7_1.DNG": plain_raw(exif=None).data}, [["K7_1.JPG", "K7_1.DNG"]]),
        ({"K7_1.JPG": JPEG, "K7_1.XYZ": OTHER}, [["K7_1.JPG", "K7_1.XYZ"]]),
        ({"K7_1.JPG": JPEG, "K7_1.ARW": RAW, "K7_1.DNG": RAW},
         [["K7_1.JPG", "K7_1.ARW", "K7_1.DNG"]]),
        ({"K7_1.JPG": JPEG, "K7_1.JPEG": JPEG}, [["K7_1.JPEG"], ["K7_1.JPG"]]),
        ({"K7_1.ARW": RAW, "K7_1.DNG": RAW}, [["K7_1.ARW"], ["K7_1.DNG"]]),
        ({"K7_1.JPG": frame_bytes(model="Norrvik N2"), "K7_1.DNG": RAW},
         [["K7_1.DNG"], ["K7_1.JPG"]]),
    ],
    ids=[
        "a pair", "other case", "HEIF and raw", "two times", "two folders", "two stems",
        "raw without time", "raw of another structure", "two raws", "two pictures", "raws alone",
        "two bodies",
    ],
)  # fmt: skip
def test_what_is_one_frame(
    tmp_path: Path, files: dict[str, bytes], expected: list[list[str]]
) -> None:
    assert groups(tmp_path, files) == expected


def matched(folder: Path, files: Mapping[str, bytes]) -> list[tuple[str, str, list[str]]]:
    frames = scan(put(folder, files))
    found = match_frames(frames, [parse_log(LOG, KIT, "session.txt")], KIT)
    return [
        (match.frame.file, str(match.outcome), [str(doubt.kind) for doubt in match.doubts])
        for match in found.frames
    ]


def test_two_times_are_two_frames_with_a_doubt(tmp_path: Path) -> None:
    assert matched(tmp_path, {"K7_1.JPG": JPEG, "K7_1.DNG": LATER}) == [
        ("K7_1.DNG", "fill", ["registered-focal", "pair-differs"]),
        ("K7_1.JPG", "fill", ["registered-focal", "pair-differs"]),
    ]


def test_differing_lens_data_is_a_doubt(tmp_path: Path) -> None:
    """The JPEG says f/2.8 already, the raw file says nothing."""
    says = frame_bytes(
        {DATE_TIME_ORIGINAL: b"2026:05:17 09:13:00", F_NUMBER: (28, 10), FOCAL_LENGTH: (58, 1)}
    )
    ((file, outcome, doubts),) = matched(tmp_path, {"K7_1.JPG": says, "K7_1.DNG": RAW})
    assert (file, outcome) == ("K7_1.JPG", "fill")
    assert "pair-differs" in doubts


def test_a_raw_file_that_contradicts_the_log_makes_a_conflict(tmp_path: Path) -> None:
    exif = [e for e in EXIF if e.tag not in (F_NUMBER, LENS_MODEL)]
    exif += [Item(F_NUMBER, 5, (8, 1)), text(LENS_MODEL, "Brask Tele 135mm f/3.5")]
    raw = plain_raw(exif=sorted(exif, key=lambda e: e.tag)).data
    ((file, outcome, doubts),) = matched(tmp_path, {"K7_1.JPG": JPEG, "K7_1.DNG": raw})
    assert (file, outcome) == ("K7_1.JPG", "conflict")
    assert "pair-differs" in doubts


# Suffixes.


@pytest.mark.parametrize(
    ("name", "data", "code"),
    [
        ("K7_1.ARW", JPEG, "jpeg"),
        ("K7_1.JPG", RAW, "raw-tiff"),
        ("K7_1.TIF", RAW, "raw-tiff"),
        ("K7_1.jpg", bayer_dng().data, "raw-tiff"),
        ("K7_1.HEIC", JPEG, "jpeg"),
        ("K7_1.dng", heif(RAW), "heif"),
        ("K7_1", JPEG, "jpeg"),
    ],
)
def test_a_suffix_that_lies(tmp_path: Path, name: str, data: bytes, code: str) -> None:
    """It is filled as what it is: a raw file named like a picture gets a sidecar."""
    put(tmp_path / "frames", {name: data})
    (frame,) = scan(tmp_path / "frames")
    assert (frame.file, frame.format.code, frame.damage) == (name, code, None)
    frames = tmp_path / "frames"
    (copy,) = fill(all_filled(frames, [name]), frames, tmp_path / "out").copies
    assert (copy.match.outcome, copy.failure) == (Outcome.FILL, None)
    same = (tmp_path / "out" / name).read_bytes() == data
    assert same == (code == "raw-tiff")
    assert (len(copy.copies) == 2) == (code == "raw-tiff")


def test_a_damaged_raw_file_is_known_by_its_fellows(tmp_path: Path) -> None:
    files = {"K7_1.ARW": RAW, "K7_2.ARW": b"\0" * 500, "K7_3.ARW": b"", "notes.txt": b"quay"}
    frames = {frame.file: frame for frame in scan(put(tmp_path, files))}
    assert set(frames) == {"K7_1.ARW", "K7_2.ARW", "K7_3.ARW"}
    assert frames["K7_2.ARW"].damage == "the content isn't TIFF-structured raw"
    assert frames["K7_3.ARW"].damage == "the file is empty"


def test_a_damaged_raw_file_is_no_companion(tmp_path: Path) -> None:
    files = {"K7_1.JPG": JPEG, "K7_1.DNG": RAW[:40]}
    found: list[Frame] = list(scan(put(tmp_path, files)))
    assert [(f.file, f.damage is None) for f in found] == [("K7_1.DNG", False), ("K7_1.JPG", True)]


# Structures that aren't edited.


@pytest.mark.parametrize("data", EVERY.values(), ids=EVERY)
def test_other_raw_gets_a_sidecar_either_way(tmp_path: Path, data: bytes) -> None:
    frames = put(tmp_path / "frames", {"K7_1.XYZ": data})
    (frame,) = scan(frames)
    assert frame.format.is_raw
    matches = all_filled(frames, ["K7_1.XYZ"])
    (copy,) = fill(matches, frames, tmp_path / "sidecar").copies
    assert copy.match.outcome is Outcome.FILL
    assert copy.copies == ("K7_1.XYZ", "K7_1.xmp")
    found = xmp_by_exiv2((tmp_path / "sidecar/K7_1.xmp").read_bytes())
    assert found["Xmp.aux.Lens"] == "Miran 58mm f/2"
    (copy,) = fill(matches, frames, tmp_path / "embed", FillOptions(RawMode.EMBED)).copies
    assert copy.match.outcome is Outcome.FILL
    assert "a sidecar takes the values: raw of this structure" in str(copy.match.reason)
    assert copy.copies == ("K7_1.XYZ", "K7_1.xmp")
    for out in ("sidecar", "embed"):
        assert (tmp_path / out / "K7_1.XYZ").read_bytes() == data
        assert not verify(tmp_path / out).failed
