"""Frames as their files tell them: which files count, what is blank, when, by which body."""

from __future__ import annotations

import io
import os
import struct
import tracemalloc
from collections.abc import Callable
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import exifread
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flangeback.copies import other_files
from flangeback.demo import Outing
from flangeback.errors import InputError
from flangeback.frames import CameraTime, Frame, LensData, read_frame, scan
from flangeback.frames.model import is_blank, without_suffix
from flangeback.frames.reading import parse_date_time, parse_offset
from support.camera_files import (
    APERTURE_VALUE,
    BODY_SERIAL,
    DATE_TIME_DIGITIZED,
    DATE_TIME_ORIGINAL,
    F_NUMBER,
    FOCAL_LENGTH,
    FOCAL_LENGTH_35MM,
    LENS_MAKE,
    LENS_MODEL,
    LENS_SERIAL,
    OFFSET,
    SPECIFICATION,
    SUB_SEC,
    SUB_SEC_DIGITIZED,
    frame_bytes,
    put_frame,
)
from support.plain_jpeg import (
    APP1,
    APP2,
    XMP,
    picture,
    segment,
    small_block,
    with_block,
    with_segments,
)

TIME = {DATE_TIME_ORIGINAL: b"2026:05:17 09:12:44"}


def read(folder: Path, exif: dict[int, Any], **more: Any) -> Frame:
    put_frame(folder, "K7_0201.JPG", exif, **more)
    found = read_frame(folder, "K7_0201.JPG")
    assert found.damage is None
    return found


def lens_data(folder: Path, exif: dict[int, Any]) -> LensData:
    return read(folder, exif).lens_data


# Which files are frames ------------------------------------------------------------------------


def files(folder: Path) -> list[str]:
    return [frame.file for frame in scan(folder)]


def test_a_frame_is_known_by_its_content_whatever_its_suffix(tmp_path: Path) -> None:
    put_frame(tmp_path, "a.JPG")
    put_frame(tmp_path, "b.dat")
    put_frame(tmp_path, "c")
    (tmp_path / "session.txt").write_text("date 2026-05-17")
    (tmp_path / "d.gif").write_bytes(b"GIF89a" + bytes(20))
    (tmp_path / "short.dat").write_bytes(b"\xff\xd8")
    (tmp_path / "empty.dat").touch()
    assert files(tmp_path) == ["a.JPG", "b.dat", "c"]


@pytest.mark.parametrize("suffix", ["jpg", "JPEG", "jpe"])
@pytest.mark.parametrize("content", [b"", b"II*\0", b"not a picture", b"\xff\xd8"])
def test_a_jpeg_suffix_on_anything_else_is_damage(
    tmp_path: Path, suffix: str, content: bytes
) -> None:
    (tmp_path / f"a.{suffix}").write_bytes(content)
    (frame,) = scan(tmp_path)
    assert frame.damage
    assert (frame.model, frame.time, frame.lens_data) == (None, None, LensData())
    assert frame.size == len(content)


def test_frames_that_break_off_are_damaged_wherever_that_is(tmp_path: Path) -> None:
    whole = frame_bytes(TIME | {LENS_MODEL: b"Kestrin 24-70mm F4"})
    scan_at = whole.index(b"\xff\xda")
    for size in range(0, scan_at, 7):
        (tmp_path / "a.jpg").write_bytes(whole[:size])
        assert read_frame(tmp_path, "a.jpg").damage, size
    (tmp_path / "a.jpg").write_bytes(whole)
    assert read_frame(tmp_path, "a.jpg").damage is None


def test_folders_below_are_read_and_named_with_slashes(tmp_path: Path) -> None:
    put_frame(tmp_path, "101KESTR/K7_0001.JPG")
    put_frame(tmp_path, "100KESTR/sub/K7_9999.JPG")
    put_frame(tmp_path, "b.JPG")
    put_frame(tmp_path, "A.JPG")
    expected = ["100KESTR/sub/K7_9999.JPG", "101KESTR/K7_0001.JPG", "A.JPG", "b.JPG"]
    assert files(tmp_path) == expected
    assert [frame.stem for frame in scan(tmp_path)] == ["K7_9999", "K7_0001", "A", "b"]


def test_dot_names_are_passed_over(tmp_path: Path) -> None:
    put_frame(tmp_path, "a.JPG")
    put_frame(tmp_path, "._a.JPG")
    put_frame(tmp_path, ".trash/b.JPG")
    assert files(tmp_path) == ["a.JPG"]


def test_links_to_folders_are_not_followed_and_links_to_frames_are(tmp_path: Path) -> None:
    put_frame(tmp_path, "elsewhere/b.JPG")
    put_frame(tmp_path, "frames/a.JPG")
    (tmp_path / "frames" / "linked").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "frames" / "loop").symlink_to(tmp_path / "frames")
    (tmp_path / "frames" / "c.JPG").symlink_to(tmp_path / "elsewhere" / "b.JPG")
    assert files(tmp_path / "frames") == ["a.JPG", "c.JPG"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_no_frame_and_does_not_hold_the_scan_up(tmp_path: Path) -> None:
    put_frame(tmp_path, "a.JPG")
    os.mkfifo(tmp_path / "b.JPG")
    os.mkfifo(tmp_path / "c.dat")
    assert files(tmp_path) == ["a.JPG"]


def test_a_folder_without_frames_or_no_folder_at_all(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("")
    for folder, text in (
        (tmp_path, "there are no frames in it"),
        (tmp_path / "none", "there is no such folder"),
        (tmp_path / "notes.txt", "there is no such folder"),
    ):
        with pytest.raises(InputError) as caught:
            scan(folder)
        (problem,) = caught.value.problems
        assert problem.file == str(folder)
        assert problem.text == text
        assert problem.expected


def test_progress_counts_the_frames(tmp_path: Path) -> None:
    for number in range(3):
        put_frame(tmp_path, f"{number}.JPG")
    counted: list[int] = []
    scan(tmp_path, counted.append)
    assert counted == [1, 2, 3]


# The body --------------------------------------------------------------------------------------


def test_make_model_and_serial(tmp_path: Path) -> None:
    frame = read(tmp_path, {BODY_SERIAL: b"0071133"})
    assert (frame.make, frame.model, frame.serial) == ("Kestrin", "Kestrin K7", "0071133")


def test_padding_and_spaces_are_no_part_of_a_name(tmp_path: Path) -> None:
    frame = read(tmp_path, {BODY_SERIAL: b"0071133 \0\0\0"}, model="  Kestrin K7  ")
    assert (frame.model, frame.serial) == ("Kestrin K7", "0071133")


def test_a_blank_serial_is_none(tmp_path: Path) -> None:
    for blank in (b"", b"    ", b"0000000", b"-"):
        assert read(tmp_path, {BODY_SERIAL: blank}).serial is None


def test_a_frame_without_exif_says_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(picture())
    frame = read_frame(tmp_path, "a.jpg")
    assert (frame.damage, frame.model, frame.time) == (None, None, None)
    assert frame.lens_data == LensData()


# Blank -----------------------------------------------------------------------------------------

BLANKS = ["", "-", "----", "–", "—", "   ", "0", "000", "0.0", "0 mm f/0", "0.0 mm f/0.0", "- -"]
BLANKS += ["0 MM F/0", "0mm f0", "0-0mm f/0-0"]
BLANKS += ["None", "N/A", "n/a", "NO-LENS", "Unknown", "Manual Lens", "-- mm f/--", "--mm f/--"]
NOT_BLANK = [
    "58",
    "0 mm f/2",
    "58 mm f/0",
    "E 20mm F2",
    "-1-",
    "a",
    "0.5",
    "No",
    "o",
    "58-0mm f/0-0",
]


@pytest.mark.parametrize("text", BLANKS)
def test_texts_that_say_nothing(text: str) -> None:
    assert is_blank(text)


@pytest.mark.parametrize("text", NOT_BLANK)
def test_texts_that_say_something(text: str) -> None:
    assert not is_blank(text)


def test_an_absent_text_is_blank() -> None:
    assert is_blank(None)


@given(st.text("-‐‑‒–—― 0\t"))
def test_dashes_spaces_and_zeros_alone_are_blank(text: str) -> None:
    assert is_blank(text)


@given(st.text("- 0"), st.characters(categories=["Lu", "Ll"]), st.text("- 0"))
def test_a_letter_among_them_is_not(before: str, letter: str, after: str) -> None:
    assert not is_blank(before + letter + after)


@given(st.text("- 0"), st.sampled_from("123456789"), st.text("- 0"))
def test_a_digit_among_them_is_not(before: str, digit: str, after: str) -> None:
    assert not is_blank(before + digit + after)


@pytest.mark.parametrize("text", [text for text in BLANKS if text.isascii()])
def test_blank_lens_names_of_a_file(tmp_path: Path, text: str) -> None:
    tags = {LENS_MODEL: text.encode(), LENS_MAKE: text.encode(), LENS_SERIAL: text.encode()}
    assert lens_data(tmp_path, tags) == LensData()


@pytest.mark.parametrize("pair", [(0, 0), (0, 1), (0, 10), (28, 0)])
def test_blank_rationals_of_a_file(tmp_path: Path, pair: tuple[int, int]) -> None:
    tags = {F_NUMBER: pair, APERTURE_VALUE: pair, FOCAL_LENGTH: pair, SPECIFICATION: (pair,) * 4}
    data = lens_data(tmp_path, tags | {FOCAL_LENGTH_35MM: 0})
    assert data == LensData()
    assert not data.says_lens


def test_a_blank_apex_value_does_not_hide_the_f_number(tmp_path: Path) -> None:
    data = lens_data(tmp_path, {F_NUMBER: (28, 10), APERTURE_VALUE: (0, 0)})
    assert data.f_number == Fraction(28, 10)


# What isn't blank ------------------------------------------------------------------------------


def test_lens_data_as_written(tmp_path: Path) -> None:
    data = lens_data(
        tmp_path,
        {
            F_NUMBER: (28, 10),
            FOCAL_LENGTH: (58, 1),
            FOCAL_LENGTH_35MM: 58,
            SPECIFICATION: ((58, 1), (58, 1), (2, 1), (0, 0)),
            LENS_MAKE: b"Ostrava Optik",
            LENS_MODEL: b"Miran 58mm f/2",
            LENS_SERIAL: b"6612345",
        },
    )
    assert data == LensData(
        "Miran 58mm f/2",
        Fraction(28, 10),
        Fraction(58),
        58,
        "Ostrava Optik",
        "6612345",
        (Fraction(58), Fraction(58), Fraction(2), None),
    )
    assert data.says_lens
    assert data.registered_focal_length is None


# Av = 2 log2 N (CIPA DC-008, annex on APEX units), so N = 2^(Av/2).
@pytest.mark.parametrize(("av", "n"), [((3, 1), 2.83), ((6, 1), 8), ((29709, 10000), 2.8)])
def test_the_f_number_from_apex_alone(tmp_path: Path, av: tuple[int, int], n: float) -> None:
    data = lens_data(tmp_path, {APERTURE_VALUE: av})
    assert data.f_number is not None
    assert float(data.f_number) == pytest.approx(n, abs=0.01)


def test_a_folder_that_cant_be_listed_is_named_and_the_others_are_scanned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in ("day1", "day2"):
        (tmp_path / day).mkdir()
        (tmp_path / day / "K7_0201.JPG").write_bytes(frame_bytes())
    real = os.scandir

    def scandir(place: Any) -> Any:
        if str(place).endswith(("day2", "nowhere")):
            raise OSError(5, "Input/output error", str(place))
        return real(place)

    monkeypatch.setattr(os, "scandir", scandir)
    found = scan(tmp_path)
    assert [frame.file for frame in found] == ["day1/K7_0201.JPG"]
    assert other_files(tmp_path, found).left.keys() == {"day2"}
    (tmp_path / "nowhere").mkdir()
    with pytest.raises(InputError, match="Input/output error"):
        scan(tmp_path / "nowhere")


def test_an_apex_value_beyond_reason_is_none(tmp_path: Path) -> None:
    assert lens_data(tmp_path, {APERTURE_VALUE: (4_000_000_000, 1)}).f_number is None


def test_a_focal_length_alone_was_registered_for_the_stabiliser(tmp_path: Path) -> None:
    # A body without lens contact stabilises by the focal length keyed in (common practice).
    data = lens_data(tmp_path, {FOCAL_LENGTH: (50, 1), LENS_MODEL: b"----"})
    assert not data.says_lens
    assert data.registered_focal_length == 50
    with_f_number = lens_data(tmp_path, {FOCAL_LENGTH: (50, 1), F_NUMBER: (2, 1)})
    assert with_f_number.registered_focal_length is None


def test_a_specification_with_an_aperture_names_a_lens(tmp_path: Path) -> None:
    named = {SPECIFICATION: ((24, 1), (70, 1), (4, 1), (4, 1))}
    assert lens_data(tmp_path, named).says_lens
    # Focal lengths alone are what was registered.
    registered = {SPECIFICATION: ((50, 1), (50, 1), (0, 0), (0, 0))}
    assert not lens_data(tmp_path, registered).says_lens


# When ------------------------------------------------------------------------------------------


def camera_time(folder: Path, exif: dict[int, Any]) -> CameraTime | None:
    return read(folder, exif).time


def test_whole_seconds(tmp_path: Path) -> None:
    time = camera_time(tmp_path, TIME)
    assert time == CameraTime(datetime(2026, 5, 17, 9, 12, 44), timedelta(seconds=1), None)


@pytest.mark.parametrize(
    ("digits", "microseconds", "resolution"),
    [
        (b"5", 500_000, 100_000),
        (b"05", 50_000, 10_000),
        (b"170", 170_000, 1_000),
        (b"000123", 123, 1),
        (b"1234567", 123_456, 1),
        (b"42  ", 420_000, 10_000),
        (b"", 0, 1_000_000),
        (b"  ", 0, 1_000_000),
        (b"ab", 0, 1_000_000),
    ],
)
def test_sub_seconds_are_the_digits_behind_the_point(
    tmp_path: Path, digits: bytes, microseconds: int, resolution: int
) -> None:
    # CIPA DC-008: SubSecTimeOriginal holds fractions of seconds, of any number of digits.
    time = camera_time(tmp_path, TIME | {SUB_SEC: digits})
    assert time is not None
    assert time.at.microsecond == microseconds
    assert time.resolution == timedelta(microseconds=resolution)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [(b"+02:00", 120), (b"-03:30", -210), (b"+00:00", 0), (b"+14:00", 840), (b"+0200", 120)],
)
def test_offsets(tmp_path: Path, text: bytes, minutes: int) -> None:
    time = camera_time(tmp_path, TIME | {OFFSET: text})
    assert time is not None
    assert time.offset == timedelta(minutes=minutes)


@pytest.mark.parametrize("text", [b"", b"   :  ", b"Z", b"+25:00", b"+02:75", b"02:00"])
def test_offsets_that_are_none(tmp_path: Path, text: bytes) -> None:
    time = camera_time(tmp_path, TIME | {OFFSET: text})
    assert time is not None
    assert time.offset is None


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"    :  :     :  :  ",
        b"0000:00:00 00:00:00",
        b"2026:02:30 09:12:44",
        b"2026:13:01 09:12:44",
        b"2026:05:17 24:00:00",
        b"2026:05:17 09:60:00",
        b"17.05.2026 09:12",
        b"0001:01:01 00:00:00",
        b"9999:12:31 23:59:59",
    ],
)
def test_dates_that_are_blank_or_impossible(tmp_path: Path, text: bytes) -> None:
    # CIPA DC-008: spaces stand for what isn't known.
    assert camera_time(tmp_path, {DATE_TIME_ORIGINAL: text}) is None


def test_the_digitized_time_stands_in(tmp_path: Path) -> None:
    exif = {DATE_TIME_ORIGINAL: b"0000:00:00 00:00:00", SUB_SEC: b"99"}
    exif |= {DATE_TIME_DIGITIZED: b"2026:05:17 09:12:44", SUB_SEC_DIGITIZED: b"25"}
    time = camera_time(tmp_path, exif)
    assert time is not None
    assert time.at == datetime(2026, 5, 17, 9, 12, 44, 250_000)


@given(st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31)))
def test_every_date_and_time_reads_back(at: datetime) -> None:
    whole = at.replace(microsecond=0)
    assert parse_date_time(f"{whole.year:04}:{whole:%m:%d %H:%M:%S}") == whole


@given(st.text())
def test_any_text_is_a_time_or_none(text: str) -> None:
    parse_date_time(text)
    parse_offset(text)


# Reading no more than the head -----------------------------------------------------------------


@pytest.fixture
def bytes_read(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    count = 0
    pread = os.pread

    def counting(descriptor: int, size: int, offset: int) -> bytes:
        nonlocal count
        found = pread(descriptor, size, offset)
        count += len(found)
        return found

    monkeypatch.setattr(os, "pread", counting)
    return lambda: count


def test_a_scan_reads_no_more_than_the_head(tmp_path: Path, bytes_read: Callable[[], int]) -> None:
    for number in range(5):
        path = put_frame(tmp_path, f"K7_000{number}.JPG", TIME)
        with path.open("ab") as file:
            file.write(bytes(3_000_000))
    assert len(scan(tmp_path)) == 5
    assert 0 < bytes_read() <= 5 * 65_536


def test_a_frame_keeps_nothing_of_its_file_in_memory(outing: Outing) -> None:
    """An outing may have tens of thousands of frames."""
    (first, *_) = scan(outing.frames)
    source = first.source
    assert source is not None
    with source as picture:
        assert picture.exif is not None
        assert len(vars(picture)) > 1
    assert not source.reader.is_open
    assert first.source is not source


def test_long_segments_are_leapt_over(tmp_path: Path, bytes_read: Callable[[], int]) -> None:
    long = [segment(APP2, b"ICC_PROFILE\0" + bytes(65_000)) for _ in range(40)]
    plain = frame_bytes(TIME)
    (tmp_path / "a.jpg").write_bytes(with_segments(plain, *long))
    (frame,) = scan(tmp_path)
    assert frame.time is not None
    assert bytes_read() < 65_536 + 10_000


def test_scanned_frames_keep_places_and_no_bytes(tmp_path: Path) -> None:
    """Of tens of thousands of frames, heads and packets would fill the memory."""
    lengthy = XMP + b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>" + b" " * 50_000 + b"</x:xmpmeta>"
    block = small_block(padding=15_000)
    for number in range(40):
        data = with_segments(with_block(block), segment(APP1, lengthy))
        (tmp_path / f"K7_{number:04}.JPG").write_bytes(data)
    scan(tmp_path)
    tracemalloc.start()
    try:
        frames = scan(tmp_path)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(frames) == 40
    assert kept < 40 * 8_000


def test_reading_never_opens_for_writing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put_frame(tmp_path, "a.jpg", TIME)
    flags: list[int] = []
    opened = os.open

    def watched(path: Any, how: int, *more: Any, **named: Any) -> int:
        flags.append(how)
        return opened(path, how, *more, **named)

    monkeypatch.setattr(os, "open", watched)
    scan(tmp_path)
    assert flags
    assert all(how & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC) == 0 for how in flags)


# Blocks that lie -------------------------------------------------------------------------------


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_mangled_block_is_read_or_damaged(tmp_path: Path, data: st.DataObject) -> None:
    block = bytearray(frame_bytes(TIME | {F_NUMBER: (28, 10), LENS_MODEL: b"x" * 20}))
    start = block.index(b"Exif\0\0") + 6
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(start, start + 200))
        block[place] = data.draw(st.integers(0, 255))
    (tmp_path / "a.jpg").write_bytes(block)
    frame = read_frame(tmp_path, "a.jpg")
    assert frame.damage is None or frame.damage.strip()


@pytest.mark.parametrize(
    "block", [b"", b"II", b"II*\0\x08\0\0\0", b"XX*\0\x08\0\0\0\0\0", bytes(64)]
)
def test_blocks_that_are_no_tiff(tmp_path: Path, block: bytes) -> None:
    (tmp_path / "a.jpg").write_bytes(with_block(block))
    frame = read_frame(tmp_path, "a.jpg")
    assert frame.damage
    assert frame.time is None


def test_a_directory_that_points_to_itself_ends(tmp_path: Path) -> None:
    entry = struct.pack("<HHII", 0x8769, 4, 1, 8)
    block = b"II*\0" + struct.pack("<IH", 8, 1) + entry + struct.pack("<I", 8)
    (tmp_path / "a.jpg").write_bytes(with_block(block))
    assert read_frame(tmp_path, "a.jpg").time is None


# Real camera files against an independent reader -----------------------------------------------


def rational(tags: dict[str, Any], name: str) -> Fraction | None:
    values = tags[name].values if name in tags else []
    if not values or not hasattr(values[0], "num"):
        return None
    top, below = values[0].num, values[0].den
    return Fraction(top, below) if top > 0 and below > 0 else None


def text(tags: dict[str, Any], name: str) -> str:
    return str(tags.get(name, "")).split("\0")[0].strip()


def test_real_frames_say_what_exifread_reads_in_them(corpus: Path) -> None:
    paths = sorted(corpus.glob("camera-*.jpg"))
    compared = 0
    for path in paths:
        frame = read_frame(corpus, path.name)
        tags = exifread.process_file(io.BytesIO(path.read_bytes()), details=False)
        if frame.damage is not None or not tags:
            continue
        compared += 1
        assert (frame.model or "") == text(tags, "Image Model"), path.name
        written = text(tags, "EXIF DateTimeOriginal")
        if frame.time is not None and written:
            at = parse_date_time(written)
            assert at is None or frame.time.at.replace(microsecond=0) == at, path.name
        assert frame.lens_data.focal_length == rational(tags, "EXIF FocalLength"), path.name
        f_number = rational(tags, "EXIF FNumber")
        if f_number is not None or "EXIF ApertureValue" not in tags:
            # Nothing wider than f/1 comes from a lens that isn't named.
            told = None if f_number and f_number <= 1 else f_number
            assert frame.lens_data.f_number == told, path.name
    assert compared > 0.9 * len(paths)


def test_broken_files_are_read_or_damaged_never_an_error(corpus: Path) -> None:
    for path in sorted(corpus.glob("broken-*.jpg")):
        frame = read_frame(corpus, path.name)
        assert frame.damage is None or frame.damage.strip()


@pytest.mark.parametrize(
    ("file", "rest"),
    [
        ("K7_0001.JPG", "K7_0001"),
        ("card/K7_0001.JPG", "card/K7_0001"),
        ("card.1/K7_0001", "card.1/K7_0001"),
        ("K7_0001.edit.JPG", "K7_0001.edit"),
        ("K7_0001", "K7_0001"),
    ],
)
def test_a_suffix_is_the_name_s_and_not_a_folder_s(file: str, rest: str) -> None:
    assert without_suffix(file) == rest
