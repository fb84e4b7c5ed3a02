"""Raw of other structures than TIFF's: what they say of time, body and lens; a sidecar for values.

Outside sources: Exiv2, ExifRead and rawpy on real files, hand-made files for the rest.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import exifread
import piexif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flangeback.copies import fill, verify
from flangeback.formats import Damaged, recognised
from flangeback.frames import read_frame
from flangeback.match import Outcome
from support.camera_files import DATE_TIME_ORIGINAL, F_NUMBER, LENS_MODEL, frame_bytes
from support.edits import file_with
from support.gear import all_filled
from support.other_raws import (
    EVERY,
    PROPERTIES,
    behind_jpeg,
    in_block,
    in_boxes,
    in_heap,
    in_sections,
)
from support.readers import by_exiv2

AT = datetime(2026, 5, 17, 9, 13)
EXIF = {DATE_TIME_ORIGINAL: b"2026:05:17 09:13:00", F_NUMBER: (8, 1), LENS_MODEL: b"Brask 135mm"}


def block(directory: str, tags: Mapping[int, object]) -> bytes:
    """A TIFF block with these tags in its main directory, or in its Exif directory."""
    made: bytes = piexif.dump({directory: dict(tags)})[6:]
    return made


MAIN = {0x010F: b"Kestrin", 0x0110: b"Kestrin K7"}
WHOLE: bytes = piexif.dump({"0th": MAIN, "Exif": EXIF})[6:]


def exif_alone() -> bytes:
    """The Exif directory's entries in the main directory of a block of its own."""
    dumped = block("Exif", EXIF)
    at = int.from_bytes(dumped[18:22], "big")
    return dumped[:4] + at.to_bytes(4, "big") + dumped[8:]


@pytest.mark.parametrize(
    ("name", "data", "lens"),
    [
        ("K7_1.CR3", in_boxes(block("0th", MAIN), exif_alone()), "Brask 135mm"),
        ("K7_1.RAF", behind_jpeg(frame_bytes(EXIF)), "Brask 135mm"),
        ("K7_1.MRW", in_block(WHOLE), "Brask 135mm"),
        ("K7_1.X3F", in_sections(PROPERTIES), None),
        ("K7_1.CRW", in_heap(b"Kestrin\0Kestrin K7\0", 1779009180, 6.0, 30), None),
    ],
)
def test_time_body_and_lens_data_are_read(
    tmp_path: Path, name: str, data: bytes, lens: str | None
) -> None:
    (tmp_path / name).write_bytes(data)
    frame = read_frame(tmp_path, name)
    assert (frame.damage, frame.make, frame.model) == (None, "Kestrin", "Kestrin K7")
    assert frame.time is not None
    assert frame.time.at == AT
    assert frame.lens_data.lens == lens
    assert frame.lens_data.f_number == 8
    assert frame.format.is_raw


@pytest.mark.parametrize("name", ["raw-101.cr3", "raw-102.cr3"])
def test_real_boxes_say_what_exifread_reads_in_them(corpus: Path, name: str) -> None:
    data = (corpus / "more" / name).read_bytes()
    # ExifRead takes the Exif directory, a block of its own, for a main directory.
    tags = exifread.process_file(io.BytesIO(data[data.index(b"CMT2") + 4 :]), details=False)
    frame = read_frame(corpus / "more", name)
    assert frame.lens_data.lens == str(tags["Image LensModel"].values)
    (f_number,) = tags["Image FNumber"].values
    assert frame.lens_data.f_number == Fraction(f_number.num, f_number.den)


@pytest.mark.parametrize("name", ["raw-104.raf", "raw-105.mrw"])
def test_real_files_say_what_exiv2_reads(corpus: Path, name: str) -> None:
    path = corpus / "more" / name
    frame, seen = read_frame(path.parent, name), by_exiv2(path.read_bytes())
    assert frame.model == seen["Exif.Image.Model"].strip()
    assert frame.lens_data.f_number == Fraction(seen["Exif.Photo.FNumber"])
    assert frame.lens_data.focal_length == Fraction(seen["Exif.Photo.FocalLength"])
    assert frame.lens_data.lens == seen.get("Exif.Photo.LensModel")


def test_real_sections_and_heap(corpus: Path) -> None:
    """Exiv2 reads the heap; the sections' properties stand in the file as text."""
    sections = read_frame(corpus / "more", "raw-106.x3f")
    assert sections.lens_data.f_number == 8
    assert sections.lens_data.focal_length == 30
    seen = by_exiv2((corpus / "more" / "raw-107.crw").read_bytes())
    found = read_frame(corpus / "more", "raw-107.crw")
    assert found.model == seen["Exif.Image.Model"]
    focal_length = next(text for name, text in seen.items() if name.endswith(".FocalLength"))
    assert found.lens_data.focal_length == int(focal_length.split()[1])
    assert found.lens_data.f_number is not None
    f_number = Fraction(seen["Exif.Photo.FNumber"])
    assert abs(found.lens_data.f_number - f_number) < Fraction(2, 100)


def test_a_structure_without_its_metadata_is_named(corpus: Path) -> None:
    assert read_frame(corpus / "more", "raw-103.cr3").damage == "there are no metadata boxes"


@pytest.mark.parametrize("name", EVERY)
def test_a_sidecar_takes_the_values(tmp_path: Path, name: str) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "K7_1.RAW").write_bytes(EVERY[name])
    (copy,) = fill(all_filled(frames, ["K7_1.RAW"]), frames, tmp_path / "out").copies
    assert copy.match.outcome is Outcome.FILL
    assert (tmp_path / "out/K7_1.RAW").read_bytes() == EVERY[name]
    assert b"Miran 58mm" in (tmp_path / "out/K7_1.xmp").read_bytes()
    assert not verify(tmp_path / "out").failed


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    name=st.sampled_from(sorted(EVERY)),
    changes=st.lists(st.tuples(st.integers(0, 1200), st.integers(0, 255)), max_size=5),
    end=st.none() | st.integers(16, 1200),
)
def test_damage_is_named_never_an_error(
    name: str, changes: list[tuple[int, int]], end: int | None
) -> None:
    data = bytearray(EVERY[name])
    for at, value in changes:
        data[at % len(data)] = value
    with file_with(bytes(data[:end])) as reader:
        file = recognised(reader)
        if file is None:
            return
        with suppress(Damaged):
            file.metadata()
            _ = file.packet
            file.preview(1 << 20)


def test_properties_that_break_off_are_damaged(tmp_path: Path) -> None:
    """Their section is shorter than its own count has it."""
    whole = in_sections(PROPERTIES)
    at = whole.index(b"SECp") + 8
    (tmp_path / "K7_1.X3F").write_bytes(whole[:at] + b"\xff\3\0\0" + whole[at + 4 :])
    assert read_frame(tmp_path, "K7_1.X3F").damage == "the file breaks off in its properties"
