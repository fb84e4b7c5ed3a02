"""Offsets that lead past the Exif block follow when it grows, or the file is refused by name.

Outside sources: Exiv2 for where real MakerNotes have their preview, Pillow for what is there,
pillow-heif and Exiv2 for HEIF and AVIF files whose places are in the base offset.
"""

from __future__ import annotations

import io
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from flangeback.copies import Filled, fill, verify
from flangeback.formats import Refused
from flangeback.match import Matches, Outcome
from flangeback.tags import Tag, decide
from support.camera_files import frame_bytes
from support.edits import edited
from support.gear import AT_2_8, all_filled
from support.plain_jpeg import picture
from support.readers import by_exiv2, xmp_by_exiv2

pyexiv2 = pytest.importorskip("pyexiv2")
VALUES = decide(AT_2_8)
NOTE_SIZE = 60


def with_preview(order: str, base: str, times: int = 1) -> bytes:
    """A frame whose MakerNote holds the offset of a JPEG behind the picture, so many times."""
    note = bytearray(b"KESTRIN\0" + bytes(range(100, 100 + NOTE_SIZE)))
    data = frame_bytes({0x927C: bytes(note)})
    start = data.index(b"Exif\0\0") + 6
    at = data.index(bytes(note))
    offset = len(data) - (start if base == "block" else at)
    for n in range(times):
        struct.pack_into(order + "I", note, 12 + 8 * n, offset)
    return data[:at] + bytes(note) + data[at + len(note) :] + picture((8, 8))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("base", ["block", "note"])
def test_a_preview_behind_the_picture_is_found_again(order: str, base: str) -> None:
    before = with_preview(order, base)
    after = edited(before, VALUES)
    assert len(after) > len(before)
    start = after.index(b"Exif\0\0") + 6 if base == "block" else after.index(b"KESTRIN")
    (offset,) = struct.unpack_from(order + "I", after, after.index(b"KESTRIN") + 12)
    assert after[start + offset :] == picture((8, 8))


def test_two_places_that_could_be_the_offset_are_refused() -> None:
    with pytest.raises(Refused, match="more than one offset"):
        edited(with_preview("<", "block", times=2), VALUES)


def test_beside_a_trailer_with_absolute_offsets_a_sidecar_takes_the_values(tmp_path: Path) -> None:
    data = frame_bytes({}) + b"AXS!\0\0\0\0\0\0\0\0"
    with pytest.raises(Refused, match="AFCP"):
        edited(data, VALUES)
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames/K7_0001.JPG").write_bytes(data)
    matches = all_filled(tmp_path / "frames", ["K7_0001.JPG"])
    (copy,) = fill(matches, tmp_path / "frames", tmp_path / "out").copies
    assert copy.copies == ("K7_0001.JPG", "K7_0001.xmp")
    assert "AFCP" in str(copy.match.reason)
    assert (tmp_path / "out/K7_0001.JPG").read_bytes() == data


def filled(folder: Path, corpus: Path, *names: str) -> tuple[Filled, Path]:
    """Copies of real files."""
    frames = folder / "frames"
    frames.mkdir()
    for name in names:
        (frames / name).write_bytes((corpus / "more" / name).read_bytes())
    found = fill(all_filled(frames, names), frames, folder / "out")
    assert not verify(folder / "out").failed
    return found, folder / "out"


def preview(data: bytes) -> bytes:
    """The preview's bytes, where Exiv2 finds the MakerNote's offset of it."""
    with pyexiv2.ImageData(data) as image:
        exif = image.read_exif()
    start = data.index(b"Exif\0\0") + 6
    told = {name.rpartition(".")[2]: text for name, text in exif.items() if "Preview" in name}
    if "PreviewImageInfo" in told:
        # The size and place are the third and sixth number.
        numbers = [int(word) for word in told["PreviewImageInfo"].split()]
        return data[start + numbers[5] :][: numbers[2]]
    at, size = told["PreviewImageStart"], told["PreviewImageLength"]
    # This maker's offsets count from its MakerNote, where Exiv2 says that that stands.
    note = start + int(exif["Exif.MakerNote.Offset"])
    return data[note + int(at) :][: int(size)]


@pytest.mark.parametrize("name", ["jpeg-102.jpg", "jpeg-103.jpg"])
def test_real_previews_are_found_again(tmp_path: Path, corpus: Path, name: str) -> None:
    found, out = filled(tmp_path, corpus, name)
    assert found.copies[0].match.outcome is Outcome.FILL
    before = preview((corpus / "more" / name).read_bytes())
    after = preview((out / name).read_bytes())
    assert before == after
    assert Image.open(io.BytesIO(after)).format == "JPEG"


def test_exif_behind_other_segments_is_filled_and_proved(tmp_path: Path, corpus: Path) -> None:
    """ExifRead doesn't find such a block by itself; Exiv2 does."""
    found, out = filled(tmp_path, corpus, "jpeg-123.jpg")
    assert found.copies[0].match.outcome is Outcome.FILL
    seen = by_exiv2((out / "jpeg-123.jpg").read_bytes())
    assert seen["Exif.Photo.LensModel"] == "Miran 58mm f/2"


@pytest.mark.parametrize("name", ["heif-102.heic", "heif-105.heic", "avif-101.avif"])
def test_a_place_in_the_base_offset_stays_there(tmp_path: Path, corpus: Path, name: str) -> None:
    _, out = filled(tmp_path, corpus, name)
    assert by_exiv2((out / name).read_bytes())["Exif.Photo.LensModel"] == "Miran 58mm f/2"


def test_a_makers_trailer_stays_at_the_end(tmp_path: Path, corpus: Path) -> None:
    before = (corpus / "more" / "heif-107.heic").read_bytes()
    trailer = before[before.rindex(b"sefd") - 4 :]
    _, out = filled(tmp_path, corpus, "heif-107.heic")
    after = (out / "heif-107.heic").read_bytes()
    assert after.endswith(trailer)
    assert by_exiv2(after)["Exif.Photo.LensModel"] == "Miran 58mm f/2"


@pytest.mark.parametrize("name", ["avif-106.avif", "avif-108.avif", "avif-111.avif"])
def test_xmp_items_are_brought_into_agreement(tmp_path: Path, corpus: Path, name: str) -> None:
    """In the place of another lens, as with --over."""
    (match,) = all_filled(corpus / "more", [name]).frames
    matches = Matches((replace(match, stale=frozenset([Tag.LENS_MODEL])),))
    assert not fill(matches, corpus / "more", tmp_path / "out").failed
    found = xmp_by_exiv2((tmp_path / "out" / name).read_bytes())
    assert found["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert "Xmp.exif.Lens" not in found


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("avif-102.avif", "mini box"),
        ("avif-105.avif", "Exif data of its own"),
        ("heif-109.heic", "cut short"),
    ],
)
def test_what_isnt_edited_is_named(tmp_path: Path, corpus: Path, name: str, reason: str) -> None:
    found, _ = filled(tmp_path, corpus, name)
    assert reason in str(found.copies[0].match.reason)
