"""XMP packets inside pictures: added on request, brought into agreement in place, and the place of
last resort where an Exif block is truly full.

Outside sources: the Exiv2 library for what a packet says, Pillow for pixels; packets are ISO
16684-1 and 16684-3.
"""

from __future__ import annotations

import io
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from flangeback.copies import FillOptions, FrameCopy, fill, verify
from flangeback.frames import read_frame, scan
from flangeback.match import Matches, Outcome
from flangeback.raw_mode import RawMode
from flangeback.tags import Tag
from support.gear import IN_EXIF, all_filled, filled
from support.plain_jpeg import (
    APP1,
    XMP,
    exif_block,
    picture,
    pieces,
    rows,
    segment,
    small_block,
    with_block,
    with_segments,
)
from support.raw_files import EXIF as EXIF_ITEMS
from support.raw_files import MAIN, Dir, Item, Ref, bayer_dng, lay, moved, plain_raw
from support.readers import by_exifread, by_exiv2, differing, pixels, xmp_by_exiv2
from support.tiff_blocks import GREATEST

FULL = with_block(small_block().ljust(GREATEST, b"x"))
"""Padded with what isn't padding: there is no room in the block, nor behind it."""
EXTENDED = b"http://ns.adobe.com/xmp/extension/\0"


def run(folder: Path, data: bytes, name: str = "K7_1.JPG", *, xmp: bool) -> tuple[FrameCopy, bytes]:
    frames = folder / "frames"
    frames.mkdir(parents=True)
    (frames / name).write_bytes(data)
    options = FillOptions(RawMode.EMBED, xmp=xmp)
    found = fill(all_filled(frames, [name]), frames, folder / "out", options)
    (copy,) = found.copies
    assert copy.failure is None
    assert not verify(folder / "out").failed
    return copy, (folder / "out" / name).read_bytes()


def packet(attributes: str, padding: int = 600) -> bytes:
    names = (
        'xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:aux="http://ns.adobe.com/exif/1.0/aux/"'
    )
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
        'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" {names} {attributes}/></rdf:RDF></x:xmpmeta>'
        + "\n" + " " * padding + '<?xpacket end="w"?>'
    ).encode()  # fmt: skip


def assert_stated(data: bytes) -> None:
    found = xmp_by_exiv2(data)
    assert found["Xmp.exif.FNumber"] == "28/10"
    assert found["Xmp.exifEX.LensModel"] == found["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert found["Xmp.exifEX.LensSpecification"] == ["58/1", "58/1", "2/1", "2/1"]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("K7_1.JPG", with_block(small_block())),
        ("K7_1.JPG", picture()),
        ("K7_1.JPG", with_segments(picture(), segment(APP1, XMP + packet("")))),
        ("K7_1.DNG", plain_raw().data),
        ("K7_1.DNG", plain_raw(">", exif=None).data),
        ("K7_1.DNG", bayer_dng(">").data),
    ],
    ids=["JPEG", "JPEG without Exif", "JPEG with a packet", "raw", "raw without Exif", "DNG"],
)
def test_a_packet_on_request(tmp_path: Path, name: str, data: bytes) -> None:
    """Without being asked for, none is added."""
    plain = run(tmp_path / "plain", data, name, xmp=False)[1]
    assert b"exifEX" not in plain
    copy, after = run(tmp_path / "xmp", data, name, xmp=True)
    assert copy.match.outcome is Outcome.FILL
    assert_stated(after)
    for found in (by_exiv2(plain), by_exiv2(after)):
        assert {tag: found[f"Exif.Photo.{tag}"] for tag in IN_EXIF} == IN_EXIF
    if name == "K7_1.JPG":
        assert pixels(after) == pixels(data) is not None


def test_a_tiff_by_pillow_gets_a_packet(tmp_path: Path) -> None:
    """TIFF 6.0 has entries ascend; tag 700 holds the packet (ISO 16684-3)."""
    out = io.BytesIO()
    Image.linear_gradient("L").save(out, "TIFF")
    _, after = run(tmp_path, out.getvalue(), "scan.tif", xmp=True)
    assert_stated(after)
    assert pixels(after) == pixels(out.getvalue())
    main = rows(after, struct.unpack_from("<I", after, 4)[0])
    assert [row.tag for row in main] == sorted(row.tag for row in main)
    assert next(row.type for row in main if row.tag == 0x02BC) == 1


@pytest.mark.parametrize("kind", [1, 7])
@pytest.mark.parametrize("padding", [600, 0])
def test_a_raw_files_packet_is_brought_into_agreement(
    tmp_path: Path, kind: int, padding: int
) -> None:
    """In place where its padding allows, else at the end, one entry turned to it."""
    old = packet('exif:FNumber="0/0" aux:Lens="-" exif:UserComment="quay"', padding)
    chunks: dict[str, Dir | bytes] = {
        "main": Dir([*MAIN, Item(0x02BC, kind, old), Ref(0x8769, ("exif",))]),
        "exif": Dir(EXIF_ITEMS),
    }
    laid = lay(chunks)
    copy, after = run(tmp_path, laid.data, "K7_1.DNG", xmp=False)
    assert copy.match.outcome is Outcome.FILL
    assert not moved(laid.data, after)
    found = xmp_by_exiv2(after)
    assert found["Xmp.exif.FNumber"] == "28/10"
    assert found["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert found["Xmp.exif.UserComment"]
    assert "Xmp.exifEX.LensModel" not in found
    row = next(r for r in rows(after, laid.at["main"]) if r.tag == 0x02BC)
    if padding:
        assert (row.value_at, row.count) == (laid.at["main/0x02bc"], len(old))
    else:
        assert row.value_at >= len(laid.data)
    assert row.type == kind


@pytest.mark.parametrize("xmp", [False, True])
def test_where_a_block_is_full_a_sidecar_takes_the_values(tmp_path: Path, xmp: bool) -> None:
    copy, after = run(tmp_path, FULL, xmp=xmp)
    assert copy.match.outcome is Outcome.FILL
    assert "a sidecar takes the values: the Exif block is full" in str(copy.match.reason)
    assert after == FULL
    beside = xmp_by_exiv2((tmp_path / "out" / "K7_1.xmp").read_bytes())
    assert beside["Xmp.exif.FNumber"] == "28/10"


def test_where_the_block_names_another_lens_nothing_is_written(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "K7_1.JPG").write_bytes(FULL)
    (match,) = all_filled(frames, ["K7_1.JPG"]).frames
    other = replace(match, stale=frozenset([Tag.F_NUMBER, Tag.LENS_MAKE]))
    (copy,) = fill(Matches((other,)), frames, tmp_path / "out").copies
    assert copy.match.outcome is Outcome.UNREADABLE
    assert copy.copies == ("K7_1.JPG",)


def test_extended_xmp_is_left_alone(tmp_path: Path) -> None:
    """ISO 16684-3: further segments hold what the packet had no room for."""
    more = segment(
        APP1, EXTENDED + b"0" * 32 + struct.pack(">II", 20, 0) + b"<x>FNumber 4/1</x> " + b" "
    )
    source = with_segments(
        picture(), segment(APP1, XMP + packet('exif:FNumber="0/0"')), more
    )  # fmt: skip
    copy, after = run(tmp_path, source, xmp=False)
    assert copy.match.outcome is Outcome.FILL
    assert more in after
    assert xmp_by_exiv2(after)["Xmp.exif.FNumber"] == "28/10"


def test_length_is_kept_where_the_padding_allows(tmp_path: Path) -> None:
    source = with_segments(
        picture(), segment(APP1, XMP + packet('exif:FNumber="0/0" aux:Lens="-"'))
    )
    _, after = run(tmp_path, source, xmp=False)
    lengths = [
        [len(p.contents) for p in pieces(data) if p.contents.startswith(XMP)]
        for data in (source, after)
    ]
    assert lengths[0] == lengths[1]


def test_a_packet_that_would_move_a_lost_directory_is_refused(tmp_path: Path) -> None:
    """The chain leads past the block's end: readers take the bytes there for a directory."""
    block = bytearray(small_block())
    block[34:38] = (len(block) + 4000).to_bytes(4, "little")
    source = with_block(bytes(block))
    copy, after = run(tmp_path, source, xmp=True)
    assert copy.match.outcome is Outcome.UNREADABLE
    assert "can't be read, so nothing may follow" in str(copy.match.reason)
    assert after == source


@pytest.mark.parametrize("xmp", [False, True])
@pytest.mark.parametrize("past", [0, 4, 57, 1 << 29])
def test_a_pointer_behind_the_block_hinders_nothing(tmp_path: Path, past: int, xmp: bool) -> None:
    """To just behind the block, where now stands a directory without entries (TIFF 6.0, section
    2), or to where no file reaches."""
    block = bytearray(small_block())
    block[34:38] = (len(block) + past).to_bytes(4, "little")
    source = with_block(bytes(block))
    copy, after = run(tmp_path, source, xmp=xmp)
    assert copy.match.outcome is Outcome.FILL
    found = by_exiv2(after)
    assert {tag: found[f"Exif.Photo.{tag}"] for tag in IN_EXIF} == IN_EXIF
    grown = exif_block(after)
    if past < len(grown):
        assert grown[len(block) + past :][:6] == bytes(6)
    changed = differing(by_exifread(source), by_exifread(after))
    # What ExifRead took for a thumbnail's directory is the segment behind.
    assert not {tag for tag in changed if tag.startswith(("Image ", "GPS "))} - {"Image ExifOffset"}


def test_a_packet_that_cant_be_changed_keeps_no_picture_from_its_values(tmp_path: Path) -> None:
    """The Exif block takes them, the packet stays as it is, and that is told."""
    broken = b"<x:xmpmeta>" + packet('exif:FNumber="4/1"')
    data = with_segments(with_block(small_block()), segment(APP1, XMP + broken))
    copy, after = run(tmp_path, data, xmp=True)
    assert copy.match.outcome is Outcome.FILL
    assert "its XMP packet is left alone" in str(copy.match.reason)
    assert broken in after
    found = by_exiv2(after)
    assert {tag: found[f"Exif.Photo.{tag}"] for tag in IN_EXIF} == IN_EXIF


OTHER = packet('exif:FNumber="4/1" aux:Lens="Other 50mm"', padding=0)
PLAIN = packet('exif:ColorSpace="1"', padding=0)


def extended(text: bytes, size: int = 150) -> bytes:
    """Segments of extended XMP, the last piece first (ISO 16684-3: GUID, length, place)."""
    lead = EXTENDED + b"A" * 32 + len(text).to_bytes(4, "big")
    places = range(0, len(text), size)
    return b"".join(
        segment(APP1, lead + at.to_bytes(4, "big") + text[at : at + size])
        for at in reversed(places)
    )


@pytest.mark.parametrize(
    "more",
    [segment(APP1, XMP + PLAIN) + segment(APP1, XMP + OTHER), extended(OTHER)],
    ids=["a second packet", "extended"],
)
def test_lens_data_in_any_packet_are_lens_data(tmp_path: Path, more: bytes) -> None:
    """Pillow takes the last packet, Exiv2 the first."""
    frames = tmp_path / "frames"
    frames.mkdir()
    data = with_segments(picture(), more)
    (frames / "K7_1.JPG").write_bytes(data)
    found = read_frame(frames, "K7_1.JPG")
    assert found.lens_data.lens == "Other 50mm"
    assert found.lens_data.f_number == 4
    over = replace(all_filled(frames, ["K7_1.JPG"]).frames[0], stale=frozenset([Tag.LENS_MODEL]))
    (copy,) = fill(Matches((over,)), frames, tmp_path / "out").copies
    assert copy.match.outcome is Outcome.UNREADABLE
    assert "another XMP packet" in str(copy.match.reason)
    assert (tmp_path / "out" / "K7_1.JPG").read_bytes() == data


@pytest.mark.parametrize("more", [segment(APP1, XMP + PLAIN) * 2, extended(PLAIN)])
def test_packets_without_lens_data_keep_nothing_from_being_filled(
    tmp_path: Path, more: bytes
) -> None:
    copy, after = run(tmp_path, with_segments(picture(), more), xmp=False)
    assert copy.copies == ("K7_1.JPG",)
    assert more in after


@pytest.mark.parametrize(
    "broken",
    [OTHER.decode().encode("utf-16"), OTHER.replace(b"</rdf:RDF>", b""), b"<!DOCTYPE x>" + OTHER],
    ids=["UTF-16", "an end tag is missing", "a document type"],
)
def test_a_packet_that_cant_be_read_is_spoken_of(tmp_path: Path, broken: bytes) -> None:
    copy, after = run(tmp_path, with_segments(picture(), segment(APP1, XMP + broken)), xmp=False)
    assert "XMP in it that can't be read is left alone" in str(copy.match.reason)
    assert broken in after


def test_a_sidecar_that_cant_be_read_is_spoken_of(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "K7_1.JPG").write_bytes(picture())
    (frames / "K7_1.xmp").write_bytes(b"Other 50mm")
    (frame,) = scan(frames)
    (copy,) = fill(Matches((filled(frame),)), frames, tmp_path / "out").copies
    assert "K7_1.xmp can't be read and is left as it is" in str(copy.match.reason)
    assert (tmp_path / "out" / "K7_1.xmp").read_bytes() == b"Other 50mm"
