"""TIFF-structured files written into: raw files (`--raw embed`), DNG, TIFF. Nothing in them moves.

Outside sources: ExifRead and the Exiv2 library for tags, rawpy for raw data, Pillow for pixels;
the layout of the made-up files is TIFF 6.0, section 2, laid out by the tests' own builder.
"""

from __future__ import annotations

import io
from collections.abc import Set
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from flangeback.copies import Filled, FillOptions, fill, verify
from flangeback.formats import Refused, Splice
from flangeback.formats.tiff import RawTiff
from flangeback.frames import read_frame
from flangeback.match import Matches, Outcome
from flangeback.raw_mode import RawMode
from flangeback.tags import Tag, decide
from support.edits import applied, file_with
from support.gear import AT_2_8, IN_EXIF, all_filled
from support.heif_files import Shape, heif
from support.plain_jpeg import exif_rows, rows
from support.raw_files import (
    EXIF,
    LONG,
    MAIN,
    Dir,
    Item,
    Ref,
    bayer_dng,
    big_tiff,
    lay,
    marked_raw,
    moved,
    plain_raw,
)
from support.readers import (
    READERS,
    as_numbers,
    by_exifread,
    by_exiv2,
    differing,
    exifread_text,
    pixels,
    xmp_by_exiv2,
)

VALUES = decide(AT_2_8)
WRITTEN = {f"{group}{name}" for name in IN_EXIF for group in ("EXIF ", "Exif.Photo.")}
POINTER = ("ExifOffset", ".ExifTag")
"""How the readers' names for tag 0x8769 end: the one pointer that is turned."""
DISGUISES = (42, 0x55, 0x4F52, 0x5352)
"""TIFF's number, and those that raw files carry in its place (common practice)."""


def embedded(folder: Path, data: bytes, name: str = "K7_0001.DNG", **more: Any) -> bytes:
    """The filled copy's bytes; the run and a later verify find nothing wrong."""
    filled = run(folder, data, name, **more)
    (copy,) = filled.copies
    assert (copy.match.outcome, copy.match.reason, copy.failure) == (Outcome.FILL, None, None)
    assert copy.copies == (name,)
    assert not verify(folder / "out").failed
    assert (folder / "frames" / name).read_bytes() == data
    return (folder / "out" / name).read_bytes()


def run(folder: Path, data: bytes, name: str = "K7_0001.DNG", **more: Any) -> Filled:
    frames = folder / "frames"
    frames.mkdir(parents=True)
    (frames / name).write_bytes(data)
    more = {"raw": RawMode.EMBED} | more
    return fill(all_filled(frames, [name]), frames, folder / "out", FillOptions(**more))


def splices_of(data: bytes, **more: Any) -> tuple[Splice, ...]:
    with file_with(data) as reader:
        return RawTiff(reader).edit(VALUES, **more)


def assert_clean(before: bytes, after: bytes, besides: Set[str] = frozenset()) -> None:
    """Two readers find our values, and all else as it was; nothing moved; the note stands."""
    assert not moved(before, after)
    for reader in READERS.values():
        changed = differing(reader(before), reader(after)) - WRITTEN - besides
        assert not {name for name in changed if not name.endswith(POINTER)}
    seen, by_exiv = by_exifread(after), by_exiv2(after)
    for tag, text in IN_EXIF.items():
        found = exifread_text(seen, tag)
        if tag.startswith("Lens") and tag != "LensSpecification":
            assert found == text
        else:
            assert as_numbers(found) == as_numbers(text), tag
        assert by_exiv.get(f"Exif.Photo.{tag}") in (text, None), tag
    assert maker_note(after) == maker_note(before)


def maker_note(data: bytes) -> tuple[int, bytes] | None:
    note = next((row for row in exif_rows(data)[1] if row.tag == 0x927C), None)
    return None if note is None else (note.value_at, data[note.value_at : note.value_end])


# Real files.


def real(corpus: Path, name: str) -> bytes:
    if not (corpus / name).exists():
        pytest.skip(f"the real camera files have no {name}")
    return (corpus / name).read_bytes()


def test_a_real_dng_comes_out_clean(corpus: Path, tmp_path: Path) -> None:
    """Its XMP packet states lens data, which is brought into agreement; all else in it stays."""
    before = real(corpus, "raw-001.dng")
    after = embedded(tmp_path, before, "raw-001.dng")
    assert_clean(
        before, after, besides={"Exif.Image.XMLPacket", "Exif.Image.LensInfo", "Image Tag 0xC630"}
    )
    assert len(by_exifread(before)) > 100
    assert by_exiv2(after)["Exif.Photo.LensModel"] == "Miran 58mm f/2"
    was, now = xmp_by_exiv2(before), xmp_by_exiv2(after)
    changed = {name.rpartition(".")[2] for name in differing(was, now)}
    assert changed <= {*IN_EXIF, "Lens", "LensInfo", "MetadataDate"}
    assert len(was) > len(changed)


def test_a_real_dngs_lens_profile_goes_with_its_lens(corpus: Path, tmp_path: Path) -> None:
    source = real(corpus, "raw-001.dng")
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames/K7_0001.DNG").write_bytes(source)
    (match,) = all_filled(tmp_path / "frames", ["K7_0001.DNG"]).frames
    matches = Matches((replace(match, stale=frozenset([Tag.LENS_MODEL])),))
    options = FillOptions(RawMode.EMBED)
    (copy,) = fill(matches, tmp_path / "frames", tmp_path / "out", options).copies
    assert copy.failure is None
    was, now = xmp_by_exiv2(source), xmp_by_exiv2((tmp_path / "out/K7_0001.DNG").read_bytes())
    profiles = "Xmp.photoshop.CameraProfiles"
    assert any(name.startswith(profiles) for name in was)
    assert not any(name.startswith(profiles) for name in now)


@pytest.mark.parametrize("name", ["raw-000.arw", "more/raw-109.CR2", "more/raw-116.dng"])
@pytest.mark.parametrize("raw", RawMode)
def test_a_real_raw_file_cut_short_gets_a_sidecar(
    corpus: Path, tmp_path: Path, name: str, raw: RawMode
) -> None:
    """Strips, a SubIFD or the MakerNote run past its end: what is appended would be in them."""
    before, name = real(corpus, name), Path(name).name
    (copy,) = run(tmp_path, before, name, raw=raw).copies
    assert copy.match.outcome is Outcome.FILL
    assert copy.verified
    assert "the file is cut short" in str(copy.match.reason)
    assert (tmp_path / "out" / name).read_bytes() == before
    assert b"Miran 58mm f/2" in (tmp_path / "out" / copy.copies[1]).read_bytes()


def test_a_lost_directory_that_the_appended_bytes_would_become_is_refused() -> None:
    """A SubIFD past the end: readers would take what is appended for it."""
    laid = plain_raw()
    at = laid.at["main/0x014a"]
    for past in (2, 200, 50_000):
        before = bytearray(laid.data)
        before[at + 4 : at + 8] = (len(before) + past).to_bytes(4, "little")
        with pytest.raises(Refused, match="cut short"):
            splices_of(bytes(before))


@pytest.mark.parametrize("name", ["scan.tif", "K7_0001.DNG", "K7_0001.HIF"])
def test_a_picture_cut_short_gets_a_sidecar(tmp_path: Path, name: str) -> None:
    """TIFF 6.0, section 3: StripByteCounts. ISO/IEC 14496-12, 8.11.3: extents; the media data box
    is open-ended (4.2), so that it ends with the file wherever that does."""
    whole = {
        "scan.tif": tiff_by_pillow("RGB"),
        "K7_0001.DNG": bayer_dng().data,
        "K7_0001.HIF": heif(plain_raw(mark=False).data, Shape(ends="open mdat", method=1)),
    }[name]
    (copy,) = run(tmp_path / "whole", whole, name).copies
    assert (copy.copies, copy.match.reason) == ((name,), None)
    for gone in (1, 60, 400):
        folder = tmp_path / f"{gone}"
        (copy,) = run(folder, whole[:-gone], name).copies
        assert copy.verified
        assert "a sidecar takes the values: the file is cut short" in str(copy.match.reason)
        assert (folder / "out" / name).read_bytes() == whole[:-gone]


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_raw_file_cut_short_by_its_makers_own_directory_gets_a_sidecar(
    tmp_path: Path, order: str
) -> None:
    """No directory of TIFF's names the raw data: a mark behind the header leads to one."""
    whole = marked_raw(order).data
    (copy,) = run(tmp_path / "whole", whole, "K7_0001.IIQ").copies
    assert (copy.copies, copy.match.reason) == (("K7_0001.IIQ",), None)
    for gone in (1, 499, 530):
        (copy,) = run(tmp_path / f"{gone}", whole[:-gone], "K7_0001.IIQ").copies
        assert "a sidecar takes the values: the file is cut short" in str(copy.match.reason)


def test_a_real_makers_own_directory_ends_where_its_note_does(corpus: Path) -> None:
    """The MakerNote's extent, as Exiv2 has it, is what the directory behind the mark names."""
    data = real(corpus, "more/raw-110.iiq")
    end = 8 + len(by_exiv2(data)["Exif.Photo.MakerNote"].split())
    for whole, is_cut in ((data, False), (data[: end - 1], True)):
        with file_with(whole) as reader:
            assert (RawTiff(reader)._own_end > len(whole)) is is_cut


@pytest.mark.parametrize("format", ["tiff.Tiff", "heif.Heif"])
def test_the_proof_sees_bytes_put_into_declared_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, format: str
) -> None:
    """A writer that takes the end of a file that is cut short for free space."""
    monkeypatch.setattr(f"flangeback.formats.{format}.is_cut_short", False)
    shape = Shape(ends="open mdat", method=1)
    is_tiff = format == "tiff.Tiff"
    data = bayer_dng().data if is_tiff else heif(plain_raw(mark=False).data, shape)
    name = "K7_0001.DNG" if is_tiff else "K7_0001.HIF"
    (copy,) = run(tmp_path, data[:-60], name).copies
    assert "isn't within the metadata" in str(copy.failure)
    assert (tmp_path / "out" / name).read_bytes() == data[:-60]


# Made-up ones.


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("magic", DISGUISES)
@pytest.mark.parametrize("values_first", [False, True])
def test_every_byte_order_number_and_layout(
    tmp_path: Path, order: str, magic: int, values_first: bool
) -> None:
    before = plain_raw(order, magic, values_first=values_first, gap=6 * values_first).data
    assert_clean(before, embedded(tmp_path, before))


@pytest.mark.parametrize("order", "<>")
def test_without_an_exif_directory_one_is_made(tmp_path: Path, order: str) -> None:
    """The main directory is written anew at the end: an entry is added to it. The header's
    pointer alone leads to it; the chain goes on from it as before."""
    before = plain_raw(order, exif=None).data
    after = embedded(tmp_path, before)
    assert_clean(before, after)
    assert by_exifread(after)["Thumbnail Software"] == by_exifread(before)["Thumbnail Software"]
    assert by_exiv2(after)["Exif.Photo.LensModel"] == "Miran 58mm f/2"


def test_only_appended_bytes_one_pointer_and_values_in_place_change() -> None:
    """The splices themselves: those inside the file keep its length, and all but the pointer lie
    in entries and values of ours."""
    before = plain_raw().data
    splices = splices_of(before)
    inside = [s for s in splices if s.start < len(before)]
    assert splices[-1].start == splices[-1].end == len(before)
    assert all(splice.growth == 0 for splice in inside)
    assert not moved(before, applied(before, splices))


def test_values_that_fit_are_written_in_place_and_nothing_is_appended() -> None:
    """All our tags are there, each at its full length: the file keeps its size."""
    ours = [
        Item(0x829D, 5, (0, 0)),
        Item(0x9202, 5, (0, 0)),
        Item(0x9205, 5, (0, 0)),
        Item(0x920A, 5, (0, 0)),
        Item(0xA405, 3, (0,)),
        Item(0xA432, 5, (0,) * 8),
        Item(0xA433, 2, bytes(20)),
        Item(0xA434, 2, bytes(20)),
        Item(0xA435, 2, bytes(20)),
    ]
    before = plain_raw(exif=ours).data
    after = applied(before, splices_of(before))
    assert len(after) == len(before)
    assert_clean(before, after)


def test_zeros_between_pixels_are_not_taken_for_room() -> None:
    """Raw data may be black: in a file, only its end is free."""
    before = plain_raw().data + bytes(4096)
    after = applied(before, splices_of(before))
    assert after[len(plain_raw().data) : len(before)] == bytes(4096)
    assert len(after) > len(before)


def test_an_odd_length_is_made_even_first() -> None:
    """TIFF 6.0, section 2: directories begin on a word boundary."""
    before = plain_raw().data + b"\x55"
    after = applied(before, splices_of(before))
    pointer, _ = exif_rows(after)
    assert pointer is not None
    at = int.from_bytes(after[pointer.value_at : pointer.value_at + 4], "little")
    assert at > len(before)
    assert at % 2 == 0
    assert_clean(before, after)


def test_the_default_leaves_a_raw_file_as_it_is(tmp_path: Path) -> None:
    before = plain_raw().data
    filled = run(tmp_path, before, raw=RawMode.SIDECAR)
    assert (tmp_path / "out" / "K7_0001.DNG").read_bytes() == before
    assert filled.copies[0].copies == ("K7_0001.DNG", "K7_0001.xmp")


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("sub", [False, True])
@pytest.mark.parametrize("exif", [False, True])
def test_rawpy_decodes_the_same_raw_data(tmp_path: Path, order: str, sub: bool, exif: bool) -> None:
    rawpy = pytest.importorskip("rawpy")
    before = bayer_dng(order, sub=sub, exif=exif).data
    after = embedded(tmp_path, before)
    assert_clean(before, after)
    with rawpy.imread(io.BytesIO(before)) as was, rawpy.imread(io.BytesIO(after)) as now:
        assert was.raw_image.shape == (48, 64)
        assert int(was.raw_image.max()) > 10_000
        assert (was.raw_image == now.raw_image).all()
        assert (was.postprocess() == now.postprocess()).all()


def tiff_by_pillow(mode: str, **options: Any) -> bytes:
    ramp = Image.linear_gradient("L").resize((60, 40)).convert(mode)
    out = io.BytesIO()
    ramp.save(out, "TIFF", **options)
    return out.getvalue()


@pytest.mark.parametrize(
    ("mode", "options"),
    [
        ("L", {}),
        ("1", {}),
        ("RGB", {"compression": "tiff_lzw"}),
        ("RGB", {"compression": "tiff_deflate", "tiffinfo": {0x0116: 4}}),
        ("CMYK", {}),
        ("I;16", {}),
        ("F", {}),
        ("RGBA", {"compression": "packbits"}),
        ("P", {}),
        ("RGB", {"compression": "jpeg"}),
        ("L", {"big_tiff": False, "dpi": (300, 300), "description": "quay wall"}),
    ],
)
def test_a_tiff_by_pillow_keeps_its_pixels(
    tmp_path: Path, mode: str, options: dict[str, Any]
) -> None:
    before = tiff_by_pillow(mode, **options)
    after = embedded(tmp_path, before, "scan.tif", raw=RawMode.SIDECAR)
    assert_clean(before, after)
    assert pixels(after) == pixels(before) is not None


def test_every_page_of_a_tiff_stays(tmp_path: Path) -> None:
    pages = [Image.linear_gradient("L").rotate(90 * n) for n in range(3)]
    out = io.BytesIO()
    pages[0].save(out, "TIFF", save_all=True, append_images=pages[1:])
    after = embedded(tmp_path, out.getvalue(), "scan.tif")
    with Image.open(io.BytesIO(after)) as image:
        assert getattr(image, "n_frames", 1) == 3
        for n, page in enumerate(pages):
            image.seek(n)
            assert image.tobytes() == page.tobytes()


def test_a_chain_of_directories_and_subdirectories_stays(tmp_path: Path) -> None:
    """SubIFDs in a list, one of type IFD, a chain below a SubIFD (TIFF 6.0's supplements)."""
    chunks: dict[str, Dir | bytes] = {
        "exif": Dir(EXIF),
        "a": Dir([Item(0x0100, 3, (11,))], next="b"),
        "b": Dir([Item(0x0100, 3, (12,))]),
        "main": Dir([*MAIN, Ref(0x014A, ("a", "c"), 13), Ref(0x8769, ("exif",), 13)], next="d"),
        "c": Dir([Item(0x0100, 3, (13,))]),
        "d": Dir([Item(0x0100, 3, (14,))], next="e"),
        "e": Dir([Item(0x0100, 3, (15,))]),
    }
    before = lay(chunks).data
    assert_clean(before, embedded(tmp_path, before, "scan.tif"))


def test_values_in_an_unusual_type_are_written_in_the_standards_own(tmp_path: Path) -> None:
    """FNumber as text, FocalLength as SHORT, LensModel as UNDEFINED: CIPA DC-008 has other
    types."""
    odd = [Item(0x829D, 2, b"2.8\0"), Item(0x920A, 3, (50,)), Item(0xA434, 7, b"-" * 30)]
    before = plain_raw(exif=odd).data
    assert_clean(before, embedded(tmp_path, before))


# What can't be written.


@pytest.mark.parametrize("order", "<>")
def test_big_tiff_is_read_and_a_sidecar_takes_the_values(tmp_path: Path, order: str) -> None:
    before = big_tiff(order).data
    filled = run(tmp_path, before, "scan.tif")
    frame = read_frame(tmp_path / "frames", "scan.tif")
    assert frame.format.code == "big-tiff"
    assert frame.model == "Kestrin K7"
    assert frame.time is not None
    assert frame.time.at.isoformat() == "2026-05-17T09:13:00"
    assert frame.lens_data.lens == "Brask Tele 135mm f/3.5"
    assert frame.lens_data.f_number is not None
    assert float(frame.lens_data.f_number) == 2.8
    assert filled.copies[0].match.outcome is Outcome.FILL
    assert "BigTIFF is read, but not written" in str(filled.copies[0].match.reason)
    assert b"Miran 58mm f/2" in (tmp_path / "out" / "scan.xmp").read_bytes()
    assert (tmp_path / "out" / "scan.tif").read_bytes() == before


def test_a_big_tiff_by_pillow_is_known(tmp_path: Path) -> None:
    before = tiff_by_pillow("L", big_tiff=True)
    assert before[2:4] == b"\x2b\0"
    filled = run(tmp_path, before, "scan.tif")
    assert "BigTIFF" in str(filled.copies[0].match.reason)


def test_just_under_4_gib_there_is_no_room() -> None:
    """Offsets have 32 bits (TIFF 6.0, section 2). The file is sparse."""
    for size in (2**32 - 20, 2**32 + 4000):
        with (
            file_with(plain_raw().data, size) as reader,
            pytest.raises(Refused, match="full"),
        ):
            RawTiff(reader).edit(VALUES)
    with file_with(plain_raw().data, 2**32 - 4000) as reader:
        (*_, last) = RawTiff(reader).edit(VALUES)
        assert last.start == 2**32 - 4000
        assert last.start + len(last.data) <= 2**32 - 1


def test_a_shared_pointer_is_told_from_a_value(tmp_path: Path) -> None:
    """Two tags whose values lie at one place: neither is written there."""
    laid = plain_raw()
    before = bytearray(laid.data)
    rows = {row.tag: row for row in exif_rows(bytes(before))[1]}
    shared = rows[0x829A].value_at
    before[rows[0x920A].at + 8 : rows[0x920A].at + 12] = shared.to_bytes(4, "little")
    after = embedded(tmp_path, bytes(before))
    assert_clean(bytes(before), after)
    assert exifread_text(by_exifread(after), "ExposureTime") == "1/125"
    assert after[shared : shared + 8] == laid.data[shared : shared + 8]


def test_many_strips_cost_nothing(tmp_path: Path) -> None:
    """20,000 strips, as scanners write them."""
    count = 20_000
    chunks: dict[str, Dir | bytes] = {
        "pixels": bytes(range(250)) * (count // 250),
        "main": Dir(
            [
                *MAIN,
                Item(0x0111, LONG, range(8, 8 + count)),
                Item(0x0117, LONG, (1,) * count),
                Ref(0x8769, ("exif",)),
            ]
        ),
        "exif": Dir(EXIF),
    }
    before = lay(chunks).data
    after = embedded(tmp_path, before, "scan.tif")
    assert not moved(before, after)
    assert by_exiv2(after)["Exif.Photo.LensModel"] == "Miran 58mm f/2"


def test_a_picture_without_a_place_gets_a_sidecar(tmp_path: Path) -> None:
    """StripByteCounts without StripOffsets (TIFF 6.0, section 3): LibRaw reads from byte 0 then."""
    whole = bayer_dng().data
    entry = next(row for row in rows(whole, 8) if row.tag == 0x0111)
    lone = whole[: entry.at] + (0x0110).to_bytes(2, "little") + whole[entry.at + 2 :]
    (copy,) = run(tmp_path, lone).copies
    assert "a directory doesn't say where its picture is" in str(copy.match.reason)
    assert copy.copies == ("K7_0001.DNG", "K7_0001.xmp")
    assert (tmp_path / "out/K7_0001.DNG").read_bytes() == lone
