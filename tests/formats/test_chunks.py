"""PNG, WebP and JPEG XL: read as frames, filled, nothing else moved, proved.

Outside sources: Pillow makes and reads the files and their pixels, ExifRead and Exiv2 the tags; the
JPEG XL boxes are laid out by hand (ISO/IEC 18181-2).
"""

from __future__ import annotations

import io
import struct
import sys
import zlib
from contextlib import suppress
from pathlib import Path

import brotli
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from flangeback.copies import FillOptions, fill, verify
from flangeback.formats import Damaged, Refused, applied, recognised
from flangeback.frames import read_frame
from flangeback.match import Outcome
from flangeback.tags import decide
from support.camera_files import F_NUMBER, frame_bytes
from support.chunk_files import (
    BLOCK,
    PACKET,
    by_pillow,
    jpeg_xl,
    made_up_chunks,
    png_chunk,
    with_profile,
)
from support.edits import file_with
from support.gear import AT_2_8, all_filled
from support.heif_files import box
from support.reader_commands import needed, said
from support.readers import by_exifread, by_exiv2, differing, pixels, xmp_by_exiv2

VALUES = decide(AT_2_8)
FILES = made_up_chunks()


def run(folder: Path, data: bytes, *, xmp: bool = False) -> tuple[str, bytes]:
    """The reason that the filled frame comes with, and the copy; it verifies."""
    frames = folder / "frames"
    frames.mkdir(parents=True)
    (frames / "K7_1.pic").write_bytes(data)
    matches, options = all_filled(frames, ["K7_1.pic"]), FillOptions(xmp=xmp)
    (copy,) = fill(matches, frames, folder / "out", options).copies
    assert (copy.match.outcome, copy.failure) == (Outcome.FILL, None)
    assert not verify(folder / "out").failed
    return copy.match.reason or "", (folder / "out" / "K7_1.pic").read_bytes()


@pytest.mark.parametrize("name", FILES)
def test_filled_and_all_else_as_it_was(tmp_path: Path, name: str) -> None:
    reason, after = run(tmp_path, FILES[name])
    assert reason == ""
    seen = by_exiv2(after)
    assert (seen["Exif.Photo.LensModel"], seen["Exif.Photo.FNumber"]) == ("Miran 58mm f/2", "28/10")
    if "without" not in name and "alone" not in name:
        assert seen["Exif.Photo.DateTimeOriginal"] == "2026:05:17 09:13:00"
        assert seen["Exif.Photo.MakerNote"] == by_exiv2(FILES[name])["Exif.Photo.MakerNote"]
    if "XMP" in name:
        assert xmp_by_exiv2(after)["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert pixels(after) == pixels(FILES[name])


@pytest.mark.parametrize("name", ["PNG", "PNG without Exif", "WebP", "JPEG XL"])
def test_a_packet_on_request(tmp_path: Path, name: str) -> None:
    _, after = run(tmp_path, FILES[name], xmp=True)
    assert xmp_by_exiv2(after)["Xmp.exif.FNumber"] == "28/10"
    assert pixels(after) == pixels(FILES[name])


def test_every_checksum_of_a_png_holds(tmp_path: Path) -> None:
    """PNG, third edition, 5.4: a CRC over type and contents."""
    _, after = run(tmp_path, FILES["PNG with XMP"])
    at = 8
    while at < len(after):
        length, kind = struct.unpack_from(">I4s", after, at)
        contents = after[at + 8 : at + 8 + length]
        assert zlib.crc32(kind + contents) == int.from_bytes(after[at + 8 + length :][:4], "big")
        at += 12 + length


def test_the_sizes_of_a_webp_hold(tmp_path: Path) -> None:
    _, after = run(tmp_path, FILES["WebP with XMP"])
    assert int.from_bytes(after[4:8], "little") + 8 == len(after)
    assert after[20] & 0x0C == 0x0C


def test_they_are_read_as_frames(tmp_path: Path) -> None:
    exif = frame_bytes({F_NUMBER: (4, 1)})
    block = exif[exif.index(b"Exif\0\0") + 6 : exif.index(b"\xff\xdb")]
    out = io.BytesIO()
    Image.new("RGB", (4, 4)).save(out, "PNG", exif=block)
    (tmp_path / "K7_1.png").write_bytes(out.getvalue())
    frame = read_frame(tmp_path, "K7_1.png")
    assert (frame.format.code, frame.model) == ("png", "Kestrin K7")
    assert frame.lens_data.f_number == 4


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (by_pillow("WEBP", exif=False), "simple header"),
        (b"\xff\x0a" + bytes(range(50)), "bare codestream"),
        (jpeg_xl(more=box(b"jbrd", bytes(20))), "couldn't be made from it any more"),
    ],
)
def test_where_there_is_no_place_a_sidecar_takes_the_values(
    tmp_path: Path, data: bytes, reason: str
) -> None:
    why, after = run(tmp_path, data)
    assert reason in why
    assert after == data
    assert b"Miran 58mm f/2" in (tmp_path / "out" / "K7_1.xmp").read_bytes()


def compressed(kind: bytes, contents: bytes) -> bytes:
    """A compressed box (ISO/IEC 18181-2, 9.9; RFC 7932)."""
    return box(b"brob", kind + brotli.compress(contents))


def test_compressed_metadata_are_read_and_written_plain(tmp_path: Path) -> None:
    """Exiv2 reads both."""
    more = compressed(b"Exif", bytes(4) + BLOCK) + compressed(b"xml ", PACKET)
    before = jpeg_xl(exif=False, more=more)
    reason, after = run(tmp_path, before, xmp=True)
    was, seen = by_exiv2(before), by_exiv2(after)
    assert (reason, seen["Exif.Photo.FNumber"]) == ("", "28/10")
    assert was["Exif.Photo.DateTimeOriginal"] == "2026:05:17 09:13:00"
    assert {name for name in was if was[name] != seen.get(name)} == {"Exif.Image.ExifTag"}
    assert xmp_by_exiv2(after)["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert b"brob" not in after


def test_a_seal_in_a_compressed_box_is_one(tmp_path: Path) -> None:
    seal = compressed(b"jumb", box(b"jumd", b"c2pa" + bytes(20)))
    (tmp_path / "K7_1.jxl").write_bytes(jpeg_xl(more=seal))
    assert read_frame(tmp_path, "K7_1.jxl").is_sealed


@pytest.mark.parametrize(
    ("contents", "reason"),
    [
        (b"Exif" + bytes(9), "can't be read"),
        (b"Exif" + brotli.compress(bytes(1 << 26)), "absurdly long"),
        (b"Exif" + brotli.compress(bytes(900))[:-2], "break off"),
        (b"Exif" + brotli.compress(b"\0\0\1\0II"), "cut short"),
    ],
)
def test_compressed_metadata_that_cant_be_read_are_named(
    tmp_path: Path, contents: bytes, reason: str
) -> None:
    (tmp_path / "K7_1.jxl").write_bytes(jpeg_xl(exif=False, more=box(b"brob", contents)))
    assert reason in str(read_frame(tmp_path, "K7_1.jxl").damage)


def test_compressed_metadata_name_the_extra_that_reads_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "brotli", None)
    (tmp_path / "K7_1.jxl").write_bytes(jpeg_xl(exif=False, more=box(b"brob", b"Exif" + bytes(9))))
    assert "flangeback[jxl]" in str(read_frame(tmp_path, "K7_1.jxl").damage)


def test_a_jpeg_kept_as_jpeg_xl_is_read_and_gets_a_sidecar(tmp_path: Path) -> None:
    """libjxl's encoder compresses its metadata, and keeps what the JPEG is made from again."""
    needed("cjxl")
    jpeg, made = tmp_path / "K7_1.jpg", tmp_path / "K7_1.jxl"
    jpeg.write_bytes(frame_bytes({0x9003: b"2026:05:17 09:13:00"}))
    said("cjxl", str(jpeg), "--lossless_jpeg=1", str(made))
    frame = read_frame(tmp_path, "K7_1.jxl")
    assert (frame.model, frame.damage) == ("Kestrin K7", None)
    reason, after = run(tmp_path / "run", made.read_bytes())
    assert "couldn't be made from it any more" in reason
    assert after == made.read_bytes()


@pytest.mark.parametrize("name", ["png-103.png", "png-105.png", "webp-102.webp", "jxl-101.jxl"])
def test_real_files_come_out_clean(tmp_path: Path, corpus: Path, name: str) -> None:
    before = (corpus / "more" / name).read_bytes()
    _, after = run(tmp_path, before)
    assert by_exiv2(after)["Exif.Photo.LensModel"] == "Miran 58mm f/2"
    changed = differing(by_exifread(before), by_exifread(after))
    assert not {tag for tag in changed if tag.startswith(("MakerNote", "GPS", "Image Model"))}
    assert pixels(after) == pixels(before)


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    name=st.sampled_from(sorted(FILES)),
    changes=st.lists(st.tuples(st.integers(0, 900), st.integers(0, 255)), max_size=4),
    end=st.none() | st.integers(12, 900),
)
def test_damage_is_named_never_an_error(
    name: str, changes: list[tuple[int, int]], end: int | None
) -> None:
    data = bytearray(FILES[name])
    for at, value in changes:
        data[at % len(data)] = value
    damaged = bytes(data[:end])
    with file_with(damaged) as reader, suppress(Damaged, Refused):
        file = recognised(reader)
        if file is not None and file.obstacle(VALUES) is None:
            file.metadata()
            assert len(applied(damaged, file.edit(VALUES))) > len(damaged) // 2


@pytest.mark.parametrize("deflated", [False, True])
def test_a_packet_in_a_text_of_digits_is_lens_data_too(tmp_path: Path, deflated: bool) -> None:
    """Exiv2 reads it; a second packet beside it would hide it."""
    packet = PACKET.replace(b"'----'", b"'Other 50mm'")
    before = with_profile(by_pillow("PNG"), b"xmp", packet, deflated=deflated)
    assert xmp_by_exiv2(before)["Xmp.aux.Lens"] == "Other 50mm"
    reason, after = run(tmp_path, with_profile(by_pillow("PNG"), b"xmp", PACKET, deflated=deflated))
    assert reason == "a sidecar takes the values: its metadata are in a text chunk"
    assert xmp_by_exiv2(after)["Xmp.aux.Lens"] == "----"
    (tmp_path / "K7_2.png").write_bytes(before)
    assert read_frame(tmp_path, "K7_2.png").lens_data.lens == "Other 50mm"


def test_a_text_of_digits_that_cant_be_read_states_nothing(tmp_path: Path) -> None:
    broken = with_profile(by_pillow("PNG"), b"xmp", PACKET, deflated=False).replace(
        b"3c78", b"3c7x"
    )
    (tmp_path / "K7_2.png").write_bytes(broken)
    frame = read_frame(tmp_path, "K7_2.png")
    assert (frame.damage, frame.lens_data.lens) == (None, None)


def test_an_animated_png_is_one_still(tmp_path: Path) -> None:
    """FFmpeg looks for the animation's chunk in the first 2 KB (as seen)."""
    stills = [Image.new("RGB", (16, 8), colour) for colour in ("red", "blue")]
    out = io.BytesIO()
    stills[0].save(out, "PNG", save_all=True, append_images=stills[1:])
    _, after = run(tmp_path, out.getvalue(), xmp=True)
    with Image.open(io.BytesIO(after)) as image:
        assert image.n_frames == 2  # type: ignore[attr-defined]
    needed("ffprobe")
    shown = said("ffprobe", "-v", "quiet", "-show_streams", str(tmp_path / "out" / "K7_1.pic"))
    assert "codec_name=apng" in shown


def test_a_packet_under_a_mistaken_name_is_not_said_to_be_there(tmp_path: Path) -> None:
    """The tools of libwebp take a flag without its chunk for an error (RFC 9649, 2.7)."""
    before = bytearray(FILES["WebP with XMP"].replace(b"XMP ", b"XMP\0"))
    before[20] &= ~4
    _, after = run(tmp_path, bytes(before))
    assert b"Miran" in after[after.index(b"XMP\0") :]
    needed("webpinfo")
    assert "No error detected." in said("webpinfo", str(tmp_path / "out" / "K7_1.pic"))


OTHER = PACKET.replace(b"'----'", b"'Other 50mm'")


def with_chunks(*chunks: bytes) -> bytes:
    png = by_pillow("PNG")
    return png[:33] + b"".join(chunks) + png[33:]


@pytest.mark.parametrize(
    "data",
    [
        with_chunks(png_chunk(b"tEXt", b"XML:com.adobe.xmp\0" + OTHER)),
        with_chunks(png_chunk(b"zTXt", b"XML:com.adobe.xmp\0\0" + zlib.compress(OTHER))),
        with_chunks(
            *(png_chunk(b"iTXt", b"XML:com.adobe.xmp" + bytes(5) + p) for p in (b"", OTHER))
        ),
        jpeg_xl(more=box(b"xml ", PACKET) + box(b"xml ", OTHER)),
    ],
    ids=["text", "deflated text", "second text", "second box"],
)
def test_lens_data_in_any_packet_are_lens_data(tmp_path: Path, data: bytes) -> None:
    """Readers differ in which packets they take: Exiv2 finds each of these, or the last."""
    (tmp_path / "K7_1.pic").write_bytes(data)
    assert read_frame(tmp_path, "K7_1.pic").lens_data.lens == "Other 50mm"
    reason, after = run(tmp_path, data)
    assert reason.startswith("a sidecar takes the values: ")
    assert after == data


@pytest.mark.parametrize(
    "data",
    [
        with_chunks(png_chunk(b"eXIf", BLOCK)),
        jpeg_xl(more=box(b"Exif", bytes(4) + BLOCK)),
        jpeg_xl(more=compressed(b"Exif", bytes(4) + BLOCK)),
    ],
)
def test_exif_data_in_several_places_are_refused(data: bytes) -> None:
    with file_with(data) as reader:
        file = recognised(reader)
        assert file is not None
        with pytest.raises(Refused, match="several places"):
            file.edit(VALUES)
