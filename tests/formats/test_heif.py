"""HEIF and AVIF written into: the Exif item anew at the end, its location turned, nothing moved.

Outside sources: pillow-heif and Pillow for pixels and tags, ExifRead and Exiv2 for the block, the
test's own walk through the item tables (ISO/IEC 14496-12, 8.11.3).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import piexif
import pytest
from PIL import Image, features

from flangeback.copies import FrameCopy, fill, verify
from flangeback.formats import Damaged, Refused, Splice
from flangeback.formats.heif import Heif
from flangeback.formats.reader import FileReader
from flangeback.frames import read_frame
from flangeback.match import Outcome
from flangeback.tags import decide
from support.edits import applied, file_with
from support.gear import AT_2_8, IN_EXIF, TAG_NUMBERS, all_filled
from support.heif_files import CODED, Shape, box, boxes, exif_block, heif, items
from support.raw_files import plain_raw
from support.readers import by_exifread, by_exiv2, differing, exifread_text, xmp_by_exiv2

VALUES = decide(AT_2_8)
BLOCK = plain_raw(mark=False).data
WRITTEN = {f"EXIF {name}" for name in IN_EXIF} | {"Image ExifOffset"}


def splices_of(data: bytes, values: Sequence[Any] = VALUES) -> tuple[Splice, ...]:
    with file_with(data) as reader:
        return Heif(reader).edit(values)


def run(folder: Path, data: bytes, name: str = "K7_0001.HEIC") -> tuple[FrameCopy, bytes]:
    frames = folder / "frames"
    frames.mkdir(parents=True)
    (frames / name).write_bytes(data)
    filled = fill(all_filled(frames, [name]), frames, folder / "out")
    (copy,) = filled.copies
    assert copy.failure is None
    assert not verify(folder / "out").failed
    return copy, (folder / "out" / name).read_bytes()


def assert_clean(before: bytes, after: bytes) -> None:
    """Nothing but the end and the item's location changed; the block says ours and all else."""
    was, now = items(before), items(after)
    assert {n: found for n, found in was.items() if found[0] != b"Exif"} == {
        n: found for n, found in now.items() if found[0] != b"Exif"
    }
    changed = {n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b}
    place = location_table(before)
    assert changed <= set(range(*place))
    old, new = exif_block(before), exif_block(after)
    assert not differing(by_exifread(old), by_exifread(new)) - WRITTEN
    assert exifread_text(by_exifread(new), "LensModel") == "Miran 58mm f/2"
    assert exifread_text(by_exifread(new), "FNumber") == "14/5"


def location_table(data: bytes) -> tuple[int, int]:
    meta = next((s, e) for kind, s, e in boxes(data, 0, len(data)) if kind == b"meta")
    inner = boxes(data, meta[0] + 4, meta[1])
    return next((start, end) for kind, start, end in inner if kind == b"iloc")


# Laid out by hand.

WIDTHS = [(o, n, b) for o in (0, 4, 8) for n in (0, 4, 8) for b in (0, 4, 8)]


@pytest.mark.parametrize("version", [0, 1, 2])
@pytest.mark.parametrize(("offset", "length", "base"), WIDTHS)
def test_every_width_of_every_field(version: int, offset: int, length: int, base: int) -> None:
    """Right, or refused by name where there is no field to say it in."""
    shape = Shape(version, offset, length, base, index=4 * (version > 0))
    before = heif(BLOCK, shape)
    if not length or not (offset or base):
        # Without a length the item runs to the file's end; without an offset it starts there.
        with pytest.raises((Refused, Damaged), match=r"Exif item|byte order mark"):
            splices_of(before)
        return
    assert exif_block(before) == BLOCK
    assert_clean(before, applied(before, splices_of(before)))


@pytest.mark.parametrize(
    "shape",
    [
        Shape(method=1),
        Shape(version=2, method=1, offset=8, length=8, base=8),
        Shape(wide=True),
        Shape(ends="open mdat"),
        Shape(ends="open mdat", meta_last=False, method=1),
        Shape(lead=0),
        Shape(lead=6),
        Shape(brand=b"avif"),
        Shape(brand=b"mif1", meta_last=True),
    ],
    ids=repr,
)
def test_other_layouts_come_out_clean(tmp_path: Path, shape: Shape) -> None:
    before = heif(BLOCK, shape)
    assert exif_block(before) == BLOCK
    copy, after = run(tmp_path, before)
    assert (copy.match.outcome, copy.match.reason) == (Outcome.FILL, None)
    assert_clean(before, after)
    assert after.count(CODED) == 1
    assert after.index(CODED) == before.index(CODED)


@pytest.mark.parametrize(
    ("shape", "reason"),
    [
        (Shape(method=2), "construction method 2"),
        (Shape(elsewhere=1), "another file"),
        (Shape(version=3), "version 3"),
        (Shape(offset=2), "no standard width"),
    ],
    ids=repr,
)
def test_what_cant_be_read_is_named(tmp_path: Path, shape: Shape, reason: str) -> None:
    before = heif(BLOCK, shape)
    copy, after = run(tmp_path, before)
    assert copy.match.outcome is Outcome.UNREADABLE
    assert reason in str(copy.match.reason)
    assert after == before


@pytest.mark.parametrize(
    ("shape", "reason"),
    [
        (Shape(extents=3), "3 extents"),
        (Shape(ends="open free"), "open-ended"),
        (Shape(ends="junk"), "doesn't end with a whole box"),
    ],
    ids=repr,
)
def test_what_cant_be_turned_gets_a_sidecar(tmp_path: Path, shape: Shape, reason: str) -> None:
    before = heif(BLOCK, shape)
    copy, after = run(tmp_path, before)
    assert (copy.match.outcome, copy.copies[1]) == (Outcome.FILL, "K7_0001.xmp")
    assert reason in str(copy.match.reason)
    assert after == before


def test_several_extents_are_read(tmp_path: Path) -> None:
    (tmp_path / "a.heic").write_bytes(heif(BLOCK, Shape(extents=3)))
    frame = read_frame(tmp_path, "a.heic")
    assert (frame.format.code, frame.model) == ("heif", "Kestrin K7")


def test_a_block_of_several_megabytes_has_room() -> None:
    """No limit of 64 KiB as in a JPEG."""
    before = heif(BLOCK + b"\x55" * 3_000_000)
    assert_clean(before, applied(before, splices_of(before)))


def test_just_under_4_gib_an_offset_of_32_bits_has_no_room() -> None:
    data = heif(BLOCK)
    for width, refused in ((4, True), (8, False)):
        data = heif(BLOCK, Shape(offset=width, ends="open mdat"))
        with file_with(data, 2**32 + 10) as reader:
            if refused:
                with pytest.raises(Refused, match="no room"):
                    Heif(reader).edit(VALUES)
            else:
                assert Heif(reader).edit(VALUES)


def test_without_an_exif_item_a_sidecar_is_made(tmp_path: Path) -> None:
    before = heif(BLOCK, Shape(exif=False))
    copy, after = run(tmp_path, before)
    assert copy.match.outcome is Outcome.FILL
    assert copy.copies == ("K7_0001.HEIC", "K7_0001.xmp")
    assert after == before
    found = xmp_by_exiv2((tmp_path / "out/K7_0001.xmp").read_bytes())
    assert found["Xmp.aux.Lens"] == "Miran 58mm f/2"


# Files made to do harm.


def meta(*inner: bytes) -> bytes:
    return box(b"ftyp", b"heic" + bytes(4) + b"mif1") + box(b"meta", bytes(4) + b"".join(inner))


INFO = box(
    b"iinf",
    bytes(4)
    + struct.pack(">H", 1)
    + box(b"infe", b"\2\0\0\0" + struct.pack(">HH", 7, 0) + b"Exif"),
)
MANY = struct.pack(">HHH", 9, 0, 0xFFFF)


@pytest.mark.parametrize(
    "data",
    [
        meta(box(b"iinf", b""), box(b"iloc", b"")),
        meta(box(b"iinf", bytes(6) + box(b"infe", b"")), box(b"iloc", b"")),
        meta(INFO, box(b"iloc", b"")),
        meta(INFO, box(b"iloc", b"\0\0\0\0\x44")),
        meta(INFO, box(b"iloc", b"\0\0\0\0\0\0" + struct.pack(">H", 0xFFFF) + MANY * 0xFFFF)),
        meta(INFO, box(b"iloc", b"\2\0\0\0\0\0" + struct.pack(">I", 2**32 - 1) + MANY * 9)),
        meta(INFO, box(b"iloc", b"\0\0\0\0\x44\0" + struct.pack(">HHHH", 1, 7, 0, 0))),
        meta(box(b"free", b"") * 300_000, INFO),
        meta(INFO) + box(b"free", b"") * 300_000,
        box(b"ftyp", b"heic" + bytes(8)) + box(b"free", b"") * 300_000,
        box(b"ftyp", b"heic" + bytes(8)) + struct.pack(">I4sQ", 1, b"meta", 2**63),
        box(b"ftyp", b"heic" + bytes(8)) + struct.pack(">I4sQ", 1, b"meta", 0),
        box(b"ftyp", b"heic" + bytes(8)) + struct.pack(">I4s", 4, b"meta"),
        box(b"ftyp", b"heic" + bytes(8)) + box(b"meta", b""),
        heif(b"II*\0" + b"\xff" * 20),
        heif(b""),
        heif(BLOCK, Shape(lead=0))[:-1],
    ],
    ids=[
        "empty iinf", "empty infe", "empty iloc", "short iloc", "extents of no bytes",
        "items without end", "no extents", "a meta of boxes", "boxes behind", "no meta", "too long",
        "too short", "size of four", "empty meta", "wild block", "no block", "cut",
    ],
)  # fmt: skip
def test_any_tables_are_read_or_damaged_in_few_reads(
    tmp_path: Path, data: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads = []
    read = FileReader.read

    def counted(reader: FileReader, start: int, end: int) -> bytes:
        reads.append(start)
        return read(reader, start, end)

    monkeypatch.setattr(FileReader, "read", counted)
    copy, after = run(tmp_path, data)
    if copy.match.outcome is Outcome.UNREADABLE:
        assert copy.match.reason
        assert after == data
    else:
        assert copy.copies == ("K7_0001.HEIC", "K7_0001.xmp")
    # Counts are 16 bits wide (ISO/IEC 14496-12, 8.11): each entry is read once at the most, when
    # the frame is read, planned and edited.
    assert len(reads) < 3 * 0xFFFF + 300


def test_extents_that_add_up_to_gigabytes_are_damaged() -> None:
    pieces = struct.pack(">II", 0, 500_000) * 60_000
    location = struct.pack(">HHHH", 1, 7, 0, 60_000) + pieces
    data = meta(INFO, box(b"iloc", b"\0\0\0\0\x44\0" + location))
    with file_with(data) as reader, pytest.raises(Damaged, match="absurdly long"):
        _ = Heif(reader).exif


# Made by libraries.

EXIF = piexif.dump(
    {
        "0th": {0x010F: b"Kestrin", 0x0110: b"Kestrin K7"},
        "Exif": {0x9003: b"2026:05:17 09:13:00", 0x927C: bytes(range(200)), 0x829A: (1, 125)},
    }
)


def picture(kind: str, **options: Any) -> bytes:
    if kind == "HEIF":
        heif_plugin = pytest.importorskip("pillow_heif")
        heif_plugin.register_heif_opener()
        if not heif_plugin.libheif_info()["HEIF"]:
            pytest.skip("pillow-heif has no encoder here")
    elif not features.check("avif"):
        pytest.skip("this Pillow has no AVIF")
    out = io.BytesIO()
    ramp = Image.linear_gradient("L").resize((96, 64)).convert("RGB")
    ramp.save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["HEIF", "AVIF"])
def test_a_picture_by_a_library_keeps_its_pixels(tmp_path: Path, kind: str) -> None:
    before = picture(kind, exif=EXIF)
    copy, after = run(tmp_path, before)
    assert (copy.match.outcome, copy.match.reason) == (Outcome.FILL, None)
    assert copy.match.frame.model == "Kestrin K7"
    assert_clean(before, after)
    with Image.open(io.BytesIO(before)) as was, Image.open(io.BytesIO(after)) as now:
        assert was.size == (96, 64)
        assert was.tobytes() == now.tobytes()
        exif = now.getexif().get_ifd(0x8769)
        assert exif[0xA434] == "Miran 58mm f/2"
        assert float(exif[0x829D]) == 2.8
        old = was.getexif().get_ifd(0x8769)
        assert {t: v for t, v in exif.items() if t not in TAG_NUMBERS} == dict(old)


@pytest.mark.parametrize("kind", ["HEIF", "AVIF"])
def test_a_picture_by_a_library_without_exif_gets_a_sidecar(tmp_path: Path, kind: str) -> None:
    before = picture(kind)
    copy, after = run(tmp_path, before)
    assert copy.copies == ("K7_0001.HEIC", "K7_0001.xmp")
    assert after == before


def test_a_real_heic_comes_out_clean(corpus: Path, tmp_path: Path) -> None:
    if not (corpus / "heif-000.heic").exists():
        pytest.skip("the real camera files have no heif-000.heic")
    heif_plugin = pytest.importorskip("pillow_heif")
    before = (corpus / "heif-000.heic").read_bytes()
    copy, after = run(tmp_path, before, "heif-000.heic")
    assert copy.match.outcome is Outcome.FILL
    if any(kind == b"Exif" for kind, _ in items(before).values()):
        assert_clean(before, after)
        assert by_exiv2(exif_block(after))["Exif.Photo.FNumber"] == "28/10"
    else:
        assert copy.copies == ("heif-000.heic", "heif-000.xmp")
        assert before == after
    was, now = heif_plugin.open_heif(before), heif_plugin.open_heif(after)
    assert bytes(was.data) == bytes(now.data)
    assert len(was.data) > 10_000
