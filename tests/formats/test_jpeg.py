"""Values into whole JPEG files: where the segment goes, and what must follow it.

Read back by ExifRead, Pillow and Exiv2; the structure is ITU-T T.81, annex B.
"""

from __future__ import annotations

import io
import struct

import piexif
import pytest
from PIL import Image, ImageCms

from flangeback.formats import Refused
from flangeback.tags import decide
from support.edits import edited, splices_for
from support.gear import AT_2_8, AT_5_6, IN_EXIF
from support.plain_jpeg import (
    APP0,
    APP1,
    APP2,
    EXIF,
    SCAN,
    XMP,
    exif_block,
    exif_piece,
    picture,
    pieces,
    segment,
    small_block,
    with_block,
    with_segments,
)
from support.readers import as_numbers, by_exifread, by_exiv2, exifread_text, pixels
from support.tiff_blocks import GREATEST

VALUES = decide(AT_2_8)


def filled(data: bytes) -> bytes:
    """The file with the values; checked by the two readers, pixels compared."""
    copy = edited(data, VALUES)
    seen, by_exiv = by_exifread(copy), by_exiv2(copy)
    for tag, text in IN_EXIF.items():
        assert by_exiv[f"Exif.Photo.{tag}"] == text
        found = exifread_text(seen, tag)
        is_text = tag.startswith("Lens") and tag != "LensSpecification"
        assert found == text if is_text else as_numbers(found) == as_numbers(text)
    assert pixels(copy) == pixels(data) is not None
    return copy


@pytest.mark.parametrize(
    "plain",
    [
        picture(),
        picture(mode="L"),
        picture(mode="CMYK"),
        picture(progressive=True),
        picture(comment=b"quay wall"),
        picture((640, 480), quality=100),
    ],
    ids=["plain", "grey", "cmyk", "progressive", "comment", "large"],
)
def test_a_picture_without_exif_gets_a_block(plain: bytes) -> None:
    copy = filled(plain)
    old, new = list(pieces(plain)), list(pieces(copy))
    lead = 1 if plain[2:4] == b"\xff\xe0" else 0
    # JFIF's segment comes right behind the start marker (ITU-T T.871, 10.1).
    assert [p.contents for p in new if p not in old and p.contents.startswith(EXIF)]
    assert new[lead].contents.startswith(EXIF)
    assert [p.contents for p in new[:lead] + new[lead + 1 :]] == [p.contents for p in old]


def test_exif_goes_before_xmp_and_behind_all_of_jfif() -> None:
    """JFIF's extension is an APP0, too (ITU-T T.871, 10.2)."""
    source = with_segments(
        picture(), segment(APP0, b"JFXX\0\x13\1\1rgb"), segment(APP1, XMP + b"<x/>")
    )
    markers = [(p.marker, p.contents[:4]) for p in pieces(filled(source))]
    assert markers[:4] == [(APP0, b"JFIF"), (APP0, b"JFXX"), (APP1, b"Exif"), (APP1, b"http")]


def test_exif_behind_other_segments_stays_where_it_is() -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    profile = segment(APP2, b"ICC_PROFILE\0\1\1" + icc)  # One chunk of one (ICC.1, B.4).
    others = [
        segment(0xED, b"Photoshop 3.0\0" + bytes(70)),
        segment(APP1, b"http://example.invalid/other\0data"),
        segment(0xFE, b"quay wall"),
    ]
    exif = segment(APP1, EXIF + small_block())
    source = with_segments(picture(), profile, *others, exif, *others)
    copy = filled(source)
    before = [(p.marker, p.contents) for p in pieces(source) if not p.contents.startswith(EXIF)]
    after = [(p.marker, p.contents) for p in pieces(copy) if not p.contents.startswith(EXIF)]
    assert before == after
    assert str(by_exifread(copy)["EXIF ISOSpeedRatings"]) == "(3, ['200'])"


def test_fill_bytes_before_markers_stay() -> None:
    """Any marker may be preceded by bytes 0xFF (ITU-T T.81, B.1.1.2)."""
    plain = picture()
    app1 = b"\xff\xff\xff" + segment(APP1, EXIF + small_block())
    source = with_segments(plain, app1).replace(b"\xff\xdb", b"\xff\xff\xff\xdb", 1)
    copy = edited(source, VALUES)
    # ExifRead passes over a segment with fill bytes before it.
    assert by_exiv2(copy)["Exif.Photo.FNumber"] == "28/10"
    assert pixels(copy) == pixels(source) is not None
    assert [p.fill for p in pieces(copy)] == [p.fill for p in pieces(source)]
    assert sum(p.fill for p in pieces(copy)) == 5


def test_bytes_behind_the_picture_are_kept() -> None:
    trailer = b"\0\0MotionPhoto" + bytes(range(256)) * 300
    source = with_block(small_block()) + trailer
    assert filled(source).endswith(trailer)


def test_an_empty_block_that_is_not_tiff_is_left_beside_the_new_one() -> None:
    empty = segment(APP1, EXIF + b"MM\0\xd2\0\0\0\x08\0\0")
    copy = filled(with_segments(picture(), empty))
    assert empty in copy


def test_a_padded_block_at_the_limit_keeps_its_size() -> None:
    source = with_block(small_block().ljust(GREATEST, b"\0"))
    copy = filled(source)
    assert len(copy) == len(source)
    piece = exif_piece(copy)
    assert piece is not None
    assert len(piece.contents) + 2 == 65_535


def test_a_full_block_is_refused_with_the_reason() -> None:
    source = with_block(small_block().ljust(GREATEST, b"x"))
    with pytest.raises(Refused, match="the Exif block is full: 65527 of 65527 bytes"):
        edited(source, VALUES)


@pytest.mark.parametrize("spare", [0, 100, 300, 500])
def test_a_block_is_filled_up_to_the_last_byte_and_no_further(spare: int) -> None:
    source = with_block(small_block().ljust(GREATEST - spare, b"x"))
    try:
        copy = filled(source)
    except Refused:
        assert spare < 300
        return
    assert spare >= 300
    assert len(exif_block(copy)) <= GREATEST


def test_nothing_is_written_where_all_agrees_already() -> None:
    """The second time the same values change not a byte."""
    once = edited(with_block(small_block()), VALUES)
    assert edited(once, VALUES) == once


@pytest.mark.parametrize(
    ("plain", "growth"),
    [(with_block(small_block()), 0), (picture(), 10)],
    ids=["a block of bytes", "a new block"],
)
def test_older_values_are_written_over_in_place(plain: bytes, growth: int) -> None:
    """piexif lays a new block out without the pointer behind the Exif directory: the first value
    stands where that would be, and isn't written over."""
    once = edited(plain, VALUES)
    twice = edited(once, decide(AT_5_6))
    assert len(twice) - len(once) <= growth
    assert by_exiv2(twice)["Exif.Photo.FNumber"] == "56/10"


def test_padding_behind_a_block_by_piexif_is_used() -> None:
    block = piexif.dump({"0th": {0x0110: "Kestrin K7"}, "Exif": {0x9003: "2026:05:17 09:16:04"}})
    source = with_segments(picture(), segment(APP1, block + bytes(2000)))
    assert len(filled(source)) == len(source)


# Several pictures in one file: the index counts sizes and offsets (CIPA DC-007, 5.2.3).


def several(exif: bool) -> bytes:
    """Two pictures, written by Pillow."""
    first = Image.linear_gradient("L").resize((64, 48)).convert("RGB")
    second = Image.radial_gradient("L").resize((64, 48)).convert("RGB")
    out = io.BytesIO()
    options = {"exif": EXIF + small_block()} if exif else {}
    first.save(out, "MPO", save_all=True, append_images=[second], **options)
    return out.getvalue()


def frames(data: bytes) -> list[bytes]:
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == "MPO"
        found = []
        for n in range(image.n_frames):  # type: ignore[attr-defined]
            image.seek(n)
            found.append(image.tobytes())
        return found


def index(data: bytes) -> list[tuple[int, int]]:
    """Size and offset of each picture, the offsets from the start of the file."""
    piece = next(p for p in pieces(data) if p.contents.startswith(b"MPF\0"))
    block, base = piece.contents[4:], piece.at + 8
    order = "<" if block[:2] == b"II" else ">"
    at = struct.unpack_from(order + "I", block, 4)[0]
    for n in range(struct.unpack_from(order + "H", block, at)[0]):
        tag, _, size, place = struct.unpack_from(order + "HHII", block, at + 2 + 12 * n)
        if tag == 0xB002:
            found = struct.iter_unpack(order + "IIIHH", block[place : place + size])
            return [(length, base + start if start else 0) for _, length, start, *_ in found]
    raise AssertionError("no picture entries")


@pytest.mark.parametrize("exif", [True, False])
def test_the_second_picture_is_still_found(exif: bool) -> None:
    source = several(exif)
    copy = filled(source)
    assert frames(copy) == frames(source)
    assert len(frames(copy)) == 2
    growth = len(copy) - len(source)
    assert growth > 0
    assert index(copy) == [
        (length + (growth if n == 0 else 0), start and start + growth)
        for n, (length, start) in enumerate(index(source))
    ]


def test_pictures_stay_found_where_the_index_comes_first() -> None:
    """Offsets count from the index: they grow where Exif comes behind it."""
    source = several(exif=False)
    whole = list(pieces(source))
    mpf = next(p for p in whole if p.contents.startswith(b"MPF\0"))
    added = segment(APP1, EXIF + small_block())
    # The index moves with what is put before it, so the first picture's end is what must be told.
    source = source[: mpf.end] + added + source[mpf.end :]
    source = shifted_index(source, len(added))
    copy = filled(source)
    assert frames(copy) == frames(source)
    sizes, grown = index(source), index(copy)
    assert grown[1][1] - sizes[1][1] == len(copy) - len(source) > 0
    assert copy[grown[1][1] :][:2] == b"\xff\xd8"


def shifted_index(data: bytes, growth: int) -> bytes:
    """The index of two pictures after `growth` bytes were put in behind it."""
    (length, _), (second, start) = index(data)
    piece = next(p for p in pieces(data) if p.contents.startswith(b"MPF\0"))
    order = "<" if piece.contents[4:6] == b"II" else ">"
    offset = start - piece.at - 8
    old = struct.pack(order + "II", length, 0), struct.pack(order + "II", second, offset)
    new = (
        struct.pack(order + "II", length + growth, 0),
        struct.pack(order + "II", second, offset + growth),
    )
    for before, after in zip(old, new, strict=True):
        assert data.count(before) == 1
        data = data.replace(before, after)
    return data


def test_an_index_that_cannot_be_read_is_refused_not_broken() -> None:
    broken = segment(APP2, b"MPF\0" + b"II*\0\xff\xff\0\0")
    source = with_segments(picture(), segment(APP1, EXIF + small_block()), broken)
    with pytest.raises(Refused, match="multi-picture"):
        edited(source, VALUES)


def test_an_index_at_the_limit_of_its_numbers_is_refused() -> None:
    """Sizes and offsets have 32 bits; hostile ones leave no room to grow."""
    entries = struct.pack("<IIIHH", 0, 0xFFFF_FFFF, 0, 0, 0) + struct.pack(
        "<IIIHH", 0, 9, 0xFFFF_FFFF, 0, 0
    )
    body = b"II*\0\x08\0\0\0" + struct.pack("<HHHIII", 1, 0xB002, 7, len(entries), 26, 0) + entries
    source = with_segments(
        picture(), segment(APP2, b"MPF\0" + body), segment(APP1, EXIF + small_block())
    )
    with pytest.raises(Refused):
        edited(source, VALUES)


def test_splices_touch_nothing_from_the_tables_on() -> None:
    source = several(exif=True)
    scan = next(p for p in pieces(source) if p.marker == SCAN)
    tables = next(p for p in pieces(source) if p.marker == 0xDB)
    assert tables.at < scan.at
    assert all(splice.end <= tables.at for splice in splices_for(source, VALUES))
