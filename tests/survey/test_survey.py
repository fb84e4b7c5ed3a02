"""The survey: counts against ExifRead's and the made-up outing's truth, clusters, clocks."""

from __future__ import annotations

import json
import logging
import os
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import exifread
import piexif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.demo.outing import Outing
from flangeback.errors import InputError
from flangeback.frames import CameraTime, Frame, LensData, read_frame, scan
from flangeback.report.documents import survey_document
from flangeback.report.survey import survey_lines
from flangeback.survey import BodySurvey, Survey, survey_folder, survey_frames
from support.camera_files import (
    APERTURE_VALUE,
    BODY_SERIAL,
    DATE_TIME_ORIGINAL,
    F_NUMBER,
    FOCAL_LENGTH,
    FOCAL_LENGTH_35MM,
    LENS_MODEL,
    OFFSET,
    SPECIFICATION,
    put_frame,
)
from support.demo_truth import TRUTH
from support.plain_jpeg import APP1, EXIF, picture, segment, with_segments

logging.getLogger("exifread").setLevel(logging.CRITICAL)

MAX_APERTURE_VALUE = 0x9205
"""CIPA DC-008, 4.6.5."""
START = datetime(2026, 5, 17, 9, 0)


def seen(second: float, number: int = 1, **more: Any) -> Frame:
    """A frame of K7 so many seconds after nine."""
    name = f"K7_{number:04}.JPG"
    time = CameraTime(START + timedelta(seconds=second))
    found = Frame(name, Path(), make="Kestrin", model="Kestrin K7", time=time)
    return replace(found, **more)


def one_body(*frames: Frame) -> BodySurvey:
    (body,) = survey_frames(frames).bodies
    return body


FULL = {
    DATE_TIME_ORIGINAL: b"2026:05:17 09:12:44",
    OFFSET: b"+02:00",
    F_NUMBER: (28, 10),
    APERTURE_VALUE: (297, 100),
    MAX_APERTURE_VALUE: (2, 1),
    FOCAL_LENGTH: (58, 1),
    FOCAL_LENGTH_35MM: 58,
    SPECIFICATION: ((58, 1), (58, 1), (2, 1), (2, 1)),
    LENS_MODEL: b"Miran 58mm f/2",
    BODY_SERIAL: b"0071133",
}


def raw_file(corpus: Path, name: str) -> bytes:
    """A raw file's head; one is cut short, so that values of it would lie beyond its end."""
    return (corpus / name).read_bytes()[: 1 << 18].ljust(1 << 17, b"\0")


def test_a_raw_file_that_lost_its_content_is_known_by_its_fellows(
    corpus: Path, tmp_path: Path
) -> None:
    (tmp_path / "K7_0201.ARW").write_bytes(raw_file(corpus, "raw-000.arw"))
    (tmp_path / "K7_0202.ARW").write_bytes(bytes(4000))
    (tmp_path / "K7_0203.txt").write_bytes(bytes(4000))
    expected = [(frame.file, frame.damage is None) for frame in scan(tmp_path)]
    assert expected == [("K7_0201.ARW", True), ("K7_0202.ARW", False)]


def test_pairs_are_told_from_namesakes_as_scan_tells_them(corpus: Path, tmp_path: Path) -> None:
    raw = raw_file(corpus, "raw-000.arw")
    time = read_frame(corpus, "raw-000.arw").time
    assert time is not None
    stated = time.at.strftime("%Y:%m:%d %H:%M:%S").encode()
    for number, at in enumerate((stated, b"2026:05:17 09:12:44", b"")):
        (tmp_path / f"K7_020{number}.ARW").write_bytes(raw)
        put_frame(tmp_path, f"K7_020{number}.JPG", {DATE_TIME_ORIGINAL: at}, model=None)
    assert len(scan(tmp_path)) == 4


def blank(value: Any) -> bool:
    """Blank as DESIGN says it: absent, empty, only dashes, spaces or zeros, over 0."""
    if value is None:
        return True
    values = value.values
    if isinstance(values, str):
        return not values.strip(" -0.\0") or values in ("None", "0-0mm f/0-0")
    return all(not getattr(v, "num", v) or not getattr(v, "den", 1) for v in values)


def said(tags: dict[str, Any], name: str) -> Any:
    """A tag of the Exif directory, else of the main one, where some writers put it."""
    return tags.get(f"EXIF {name}") or tags.get(f"Image {name}")


def test_counts_on_real_files_are_exifreads(corpus: Path) -> None:
    counts: dict[str | None, Counter[str]] = defaultdict(Counter)
    known = []
    for frame in scan(corpus):
        # Exif 3.0 has texts of type UTF-8, which ExifRead doesn't know.
        is_new = frame.lens_data.lens is not None and not frame.lens_data.lens.isascii()
        source = frame.source
        if frame.damage or source is None or source.code != "jpeg" or is_new:
            continue
        if source.packet or frame.sidecars:
            continue
        with frame.path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        if not tags:
            continue
        known.append(frame)
        model = tags.get("Image Model")
        name = str(model.values).strip() or None if model else None
        counts[name]["frames"] += 1
        apertures = [said(tags, tag) for tag in ("FNumber", "ApertureValue")]
        given = said(tags, "FNumber")
        nobodys = given is not None and "EXIF LensModel" not in tags and given.values[0] <= 1
        counts[name]["f_number"] += all(map(blank, apertures)) or nobodys
        counts[name]["focal_length"] += blank(said(tags, "FocalLength"))
        specification = said(tags, "LensSpecification")
        apertures_given = specification is not None and any(
            value.num and value.den for value in specification.values[2:4]
        )
        counts[name]["lens"] += blank(said(tags, "LensModel")) and not apertures_given
    ours: dict[str | None, Counter[str]] = defaultdict(Counter)
    for body in survey_frames(known).bodies:
        ours[body.name.model]["frames"] += body.frames
        ours[body.name.model]["f_number"] += body.lacks["f-number"]
        ours[body.name.model]["focal_length"] += body.lacks["focal length"]
        ours[body.name.model]["lens"] += body.lacks["lens"]
    assert len(known) > 50
    assert dict(ours) == dict(counts)


# The made-up outing ----------------------------------------------------------------------------


def test_the_outing_is_counted_as_it_was_made(outing: Outing) -> None:
    found = survey_folder(outing.frames)
    assert found.frames == len(TRUTH)
    assert [name for name, _ in found.damaged] == [
        truth.file for truth in TRUTH if truth.outcome == "unreadable"
    ]
    by_model = {body.name.model: body for body in found.bodies}
    for key, model in (("K7", "Kestrin K7"), ("N2", "Norrvik N2")):
        lacking = {"fill", "partial", "unsure", "unlogged"}
        expected = sum(t.outcome in lacking for t in TRUTH if t.file.startswith(key))
        assert by_model[model].lacks_any == expected
    k7 = by_model["Kestrin K7"]
    assert {found.focal_length: found.frames for found in k7.registered} == {20: 3, 50: 7, 58: 7}
    assert k7.natives == {
        "Kestrin 24-70mm F4": 3,
        "Miran 58mm f/2": 1,
    }
    assert k7.offsets == (timedelta(hours=2),)
    assert sum(cluster.frames for cluster in k7.clusters) == k7.frames == 31


def test_every_line_fits_the_terminal(outing: Outing, corpus: Path) -> None:
    for folder in (outing.frames, corpus):
        lines = list(survey_lines(survey_folder(folder), Path("frames")))
        narrow = list(survey_lines(survey_folder(folder), Path("frames"), width=60))
        assert " ".join(" ".join(narrow).split()) == " ".join(" ".join(lines).split())
        assert max(len(line) for line in narrow if "flangeback " not in line) <= 60
        assert all(len(line) <= 80 for line in lines), max(lines, key=len)
        assert any("flangeback draft" in line for line in lines)


def test_a_raw_file_and_its_jpeg_are_one_frame(corpus: Path, tmp_path: Path) -> None:
    raw = (corpus / "raw-000.arw").read_bytes()
    (tmp_path / "K7_0201.ARW").write_bytes(raw)
    (tmp_path / "K7_0202.ARW").write_bytes(raw)
    put_frame(tmp_path, "K7_0201.JPG", model=None)
    (tmp_path / "K7_0201.xmp").write_text("<x/>")
    assert [frame.file for frame in scan(tmp_path)] == ["K7_0201.JPG", "K7_0202.ARW"]


# Clusters --------------------------------------------------------------------------------------


def test_a_pause_is_three_times_the_usual_stride_and_two_minutes_at_least() -> None:
    strides = one_body(*(seen(100 * n, n) for n in range(8)), seen(1200, 8))
    assert strides.pause == 300
    assert [cluster.frames for cluster in strides.clusters] == [8, 1]
    quick = one_body(*(seen(20 * n, n) for n in range(8)), seen(259, 8), seen(379, 9))
    assert quick.pause == 120
    assert [cluster.frames for cluster in quick.clusters] == [9, 1]


def test_bursts_say_nothing_of_the_stride() -> None:
    times = [second + 90 * view for view in range(4) for second in (0, 0.2, 0.4, 0.6)]
    assert one_body(*(seen(at, n) for n, at in enumerate(times))).pause == pytest.approx(268.2)


@given(st.lists(st.none() | st.integers(0, 10**6), min_size=1, max_size=60))
def test_clusters_hold_every_timed_frame_once_in_order(seconds: list[int | None]) -> None:
    frames = [seen(s or 0, n, **({} if s is not None else {"time": None}))
              for n, s in enumerate(seconds)]  # fmt: skip
    body = one_body(*frames)
    assert body.untimed == seconds.count(None)
    assert sum(cluster.frames for cluster in body.clusters) == len(seconds) - body.untimed
    ends = [at for cluster in body.clusters for at in (cluster.start, cluster.end)]
    assert ends == sorted(ends)


def test_registered_focal_lengths_come_with_when_they_stood() -> None:
    lengths = [58, 58, 50, 50, 58, None]
    data = [LensData(focal_length=Fraction(length) if length else None) for length in lengths]
    body = one_body(*(seen(60 * n, n, lens_data=its) for n, its in enumerate(data)))
    spread = {r.focal_length: [(s.frames, s.start.minute, s.end.minute) for s in r.stretches]
              for r in body.registered}  # fmt: skip
    assert spread == {50: [(2, 2, 3)], 58: [(2, 0, 1), (1, 4, 4)]}


# Clocks ----------------------------------------------------------------------------------------


def test_a_counter_that_goes_back_while_time_goes_on_is_told() -> None:
    body = one_body(seen(0, 201), seen(60, 203), seen(120, 202), seen(180, 204))
    assert [(d.earlier, d.later) for d in body.disorders] == [("K7_0203.JPG", "K7_0202.JPG")]


def test_a_counter_that_begins_anew_is_in_order() -> None:
    # DCF: 0001 follows 9999 (CIPA DC-009).
    body = one_body(seen(0, 9998), seen(60, 9999), seen(120, 1), seen(180, 2))
    assert body.disorders == ()


def test_folders_and_equal_seconds_are_no_disorder() -> None:
    body = one_body(
        seen(0, 5),
        seen(0, 4),
        seen(60, file="101KESTR/K7_0001.JPG"),
        seen(90, file="102KESTR/K7_0000.JPG"),
    )
    assert body.disorders == ()


def put_gps(folder: Path, file: str, local: str, utc: tuple[int, int, int], offset: bytes) -> None:
    exif = {DATE_TIME_ORIGINAL: f"2026:05:17 {local}".encode()}
    if offset:
        exif[OFFSET] = offset
    gps = {
        piexif.GPSIFD.GPSDateStamp: b"2026:05:17",
        piexif.GPSIFD.GPSTimeStamp: tuple((n, 1) for n in utc),
    }
    block = piexif.dump({"0th": {0x0110: b"Kestrin K7"}, "Exif": exif, "GPS": gps})
    path = folder / file
    path.write_bytes(with_segments(picture(), segment(APP1, EXIF + block[6:])))


@pytest.mark.parametrize(
    ("offset", "told"),
    [
        (b"+02:00", "Kestrin K7 is 3m20s ahead of GPS time (2 frames say so)"),
        (b"", "3m20s ahead of GPS time, or that and whole quarters of an hour"),
    ],
)
def test_gps_time_tells_how_far_a_clock_is_off(tmp_path: Path, offset: bytes, told: str) -> None:
    put_gps(tmp_path, "K7_0001.JPG", "09:03:20", (7, 0, 0), offset)
    put_gps(tmp_path, "K7_0002.JPG", "09:10:21", (7, 7, 0), offset)
    text = " ".join(" ".join(survey_lines(survey_folder(tmp_path), Path("frames"))).split())
    assert told in text


def test_gps_times_that_disagree_tell_nothing(tmp_path: Path) -> None:
    put_gps(tmp_path, "K7_0001.JPG", "09:03:20", (7, 0, 0), b"+02:00")
    put_gps(tmp_path, "K7_0002.JPG", "09:30:20", (7, 0, 0), b"+02:00")
    body = survey_folder(tmp_path).bodies[0]
    assert (body.gps_frames, body.gps_ahead) == (2, None)


def bursts(model: str, starts: list[float]) -> Iterator[Frame]:
    for number, start in enumerate(starts):
        for frame in range(4):
            at = CameraTime(START + timedelta(seconds=start + frame * 0.3))
            name = f"{model}_{10 * number + frame:04}.JPG"
            yield Frame(name, Path(), model=model, time=at)


SCENES = [0.0, 217.0, 501.0, 1333.0, 2222.0, 3601.0]


def test_bursts_of_the_same_scenes_tell_two_clocks_apart() -> None:
    found = survey_frames([*bursts("K7", SCENES), *bursts("N2", [s + 3843 for s in SCENES])])
    (gap,) = found.gaps
    assert (gap.ahead.model, gap.other.model, gap.bursts) == ("N2", "K7", 6)
    assert abs(gap.by - timedelta(seconds=3843)) <= timedelta(seconds=1)


@pytest.mark.parametrize(
    "others",
    [
        SCENES,
        [s * 1.37 + 3843 for s in SCENES],
        [3843 + 600.0 * n for n in range(6)],
        [s + 3843 for s in SCENES[:3]],
    ],
    ids=["clocks agree", "other scenes", "a steady beat", "too few"],
)
def test_without_one_shift_that_stands_out_nothing_is_said(others: list[float]) -> None:
    mine = [600.0 * n for n in range(6)] if others[1] - others[0] == 600 else SCENES
    assert survey_frames([*bursts("K7", mine), *bursts("N2", others)]).gaps == ()


def test_bodies_in_different_zones_are_told() -> None:
    frames = [
        seen(0, time=CameraTime(START, offset=timedelta(hours=2))),
        seen(
            0,
            file="N2_0001.JPG",
            make=None,
            model="Norrvik N2",
            time=CameraTime(START, offset=timedelta(hours=-3, minutes=-30)),
        ),
    ]
    text = " ".join(" ".join(survey_lines(survey_frames(frames), Path("frames"))).split())
    assert "different offsets from UTC: Kestrin K7 +02:00, Norrvik N2 -03:30" in text


def test_what_to_do_next_names_a_kit_only_where_there_is_none() -> None:
    found = survey_frames([seen(0)])
    first, second = (
        list(survey_lines(found, Path("my frames"), has_kit=has)) for has in (True, False)
    )
    first, second = ([line.replace(os.sep, "/") for line in lines] for lines in (first, second))
    assert first[-2:] == [
        "next: a session log to fill in, from these pauses:",
        "  flangeback draft 'my frames' -o 'my frames/session.txt'",
    ]
    kit = "--kit 'my frames/kit.toml'"
    assert second[-5] == f"  flangeback kit add body 'my frames/{found.bodies[0].example}' {kit}"
    assert second[-3] == f"  flangeback kit add lens {kit}"
    logged = list(survey_lines(found, Path("frames"), has_log=True))
    assert logged[-1] == "  flangeback match frames"


# The command -----------------------------------------------------------------------------------


def test_json_on_stdout_holds_the_same(outing: Outing) -> None:
    result = CliRunner().invoke(app, ["survey", str(outing.frames), "--json"])
    assert result.exit_code == 1  # One of them can't be read.
    document = json.loads(result.stdout)
    assert document == survey_document(survey_folder(outing.frames))
    assert document["schema"] == "flangeback/survey-1"
    assert document["lacking"] == 33


@pytest.mark.parametrize("make", [None, "empty"])
def test_a_folder_that_is_not_there_or_holds_no_frames_is_wrong_input(
    tmp_path: Path, make: str | None
) -> None:
    folder = tmp_path / "none"
    if make:
        folder.mkdir()
        (folder / "notes.txt").write_text("no frames")
    result = CliRunner().invoke(app, ["survey", str(folder)])
    assert result.exit_code == 2
    assert "there is no such folder" in result.stderr or "there are no frames" in result.stderr
    with pytest.raises(InputError):
        survey_folder(folder)


def test_a_folder_with_nothing_to_fill_says_so(tmp_path: Path) -> None:
    put_frame(tmp_path, "K7_0201.JPG", FULL)
    found: Survey = survey_folder(tmp_path)
    assert found.lacking == 0
    assert "There is nothing to fill" in "\n".join(survey_lines(found, Path("frames")))
