"""Reading the structures: JPEG segments (ITU-T T.81, annex B) and TIFF blocks (TIFF 6.0, part 1).

Files come from Pillow and from bytes put together by hand.
"""

from __future__ import annotations

import struct
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.formats import Damaged
from flangeback.formats.jpeg import Jpeg
from flangeback.formats.tiff_block import EXIF_DIRECTORY, Block
from support.edits import file_with
from support.plain_jpeg import APP1, APP2, EXIF, XMP, picture, pieces, segment, with_segments
from support.tiff_blocks import EXIF as EXIF_KEY
from support.tiff_blocks import GPS, MAIN, THUMBNAIL, Laid, blocks


def head_of(data: bytes) -> Jpeg:
    """The file, its segments read."""
    with file_with(data) as reader:
        file = Jpeg(reader)
        _ = file.exif_segment
        return file


@pytest.mark.parametrize(
    "data",
    [
        picture(),
        picture(mode="L"),
        picture(mode="CMYK"),
        picture(progressive=True),
        with_segments(picture(), segment(APP2, bytes(65_533)), segment(0xFE, b"quay wall")),
        picture().replace(b"\xff\xdb", b"\xff\xff\xff\xff\xdb", 1),
    ],
    ids=["plain", "grey", "cmyk", "progressive", "a segment past the first read", "fill bytes"],
)
def test_segments_up_to_the_scan(data: bytes) -> None:
    assert [(s.marker, s.at, s.end) for s in head_of(data).segments] == [
        (piece.marker, piece.at, piece.end) for piece in pieces(data)
    ]


def test_markers_without_a_length_are_passed_over() -> None:
    """RST and TEM stand alone (ITU-T T.81, table B.1)."""
    plain = picture()
    assert len(head_of(plain[:2] + b"\xff\x01\xff\xd0" + plain[2:]).segments) == len(
        head_of(plain).segments
    )


def test_segments_are_known_by_their_names() -> None:
    """CIPA DC-008, 4.7; ISO 16684-3; CIPA DC-007."""
    block = b"II*\0\x08\0\0\0" + bytes(6)
    head = head_of(
        with_segments(
            picture(),
            segment(APP1, b"http://ns.adobe.com/xmp/extension/\0" + bytes(40)),
            segment(APP1, XMP + b"<x/>"),
            segment(APP1, EXIF + block),
            segment(APP1, EXIF + block),
            segment(APP2, b"ICC_PROFILE\0" + bytes(9)),
            segment(APP2, b"MPF\0" + block),
        )
    )
    at = head.segments
    assert (head.exif_segment, head.xmp_segment, head.multi_picture_segment) == (
        at[3],
        at[2],
        at[6],
    )


def test_a_name_in_the_wrong_segment_counts_for_nothing() -> None:
    head = head_of(with_segments(picture(), segment(APP2, EXIF), segment(APP1, b"MPF\0")))
    assert (head.exif_segment, head.xmp_segment, head.multi_picture_segment) == (None, None, None)


@pytest.mark.parametrize(
    "data",
    [
        b"\xff\xd8\xff",
        b"\xff\xd8\xff\xd9",
        b"\xff\xd8\xff\xff\xff",
        b"\xff\xd8\xff\xe1\0\1",
        b"\xff\xd8\xff\xe1\xff\xff" + bytes(40),
        b"\xff\xd8\xff\xe0\0\x04ab" + b"no marker",
        picture()[:40],
    ],
    ids=["start", "end", "fill", "length of one", "too long", "no marker", "cut"],
)
def test_a_head_that_leads_to_no_scan_is_damaged(data: bytes) -> None:
    with pytest.raises(Damaged):
        head_of(data)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_damaged(data: bytes) -> None:
    for lead in (b"", b"\xff\xd8\xff\xe1\0\x40Exif\0\0II*\0\x08\0\0\0", picture()[:20]):
        with suppress(Damaged), file_with(lead + data) as reader:
            found = Jpeg(reader).exif
            if found is not None:
                list(found.directories())


@given(blocks())
def test_every_directory_and_value_is_found(laid: Laid) -> None:
    """The builder says where it put what."""
    block = Block(laid.block)
    assert block.order == laid.plan.order
    found = {directory.at for directory in block.directories()}
    assert found == {
        laid.chunks[n][0] for n in (MAIN, EXIF_KEY, GPS, THUMBNAIL) if n in laid.chunks
    }
    exif = block.main().child(EXIF_DIRECTORY)
    assert (exif is None) == (laid.exif is None)
    for field in laid.exif or ():
        assert exif is not None
        entry = exif.find(field.tag)
        assert entry is not None
        assert (entry.type, entry.value_count) == (field.type, field.count)
        if field.tag != 0x927C:
            assert block.raw(entry) == field.data


def one_entry(kind: int, count: int, value: bytes, order: str = "<") -> tuple[Block, int]:
    """A block with one entry, its value at 26."""
    mark = b"II" if order == "<" else b"MM"
    data = mark + struct.pack(order + "HIH", 42, 8, 1)
    data += struct.pack(order + "HHI", 0x9999, kind, count)
    data += struct.pack(order + "I", 26) if len(value) > 4 else value.ljust(4, b"\0")
    return Block(data + bytes(4) + value), 0x9999


@pytest.mark.parametrize(
    ("kind", "count", "value", "numbers"),
    [
        (1, 3, b"\1\2\xff", (1, 2, 255)),
        (3, 2, struct.pack("<HH", 58, 65_535), (58, 65_535)),
        (4, 1, struct.pack("<I", 2**32 - 1), (2**32 - 1,)),
        (5, 2, struct.pack("<4I", 28, 10, 5, 0), (Fraction(14, 5), None)),
        (6, 1, b"\xff", (-1,)),
        (8, 1, b"\xfe\xff", (-2,)),
        (9, 1, struct.pack("<i", -3), (-3,)),
        (10, 1, struct.pack("<ii", -1, 3), (Fraction(-1, 3),)),
        (2, 4, b"1234", ()),
        (12, 1, struct.pack("<d", 1.5), ()),
        (5, 3, struct.pack("<4I", 28, 10, 5, 0), ()),
    ],
)
def test_numbers_of_every_type(
    kind: int, count: int, value: bytes, numbers: tuple[Fraction | None, ...]
) -> None:
    """TIFF 6.0, section 2; a value that runs past the end is none."""
    block, tag = one_entry(kind, count, value)
    assert block.main().numbers(tag) == numbers


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (b"Kestrin K7\0", "Kestrin K7"),
        (b"  Kestrin \0junk", "Kestrin"),
        (b"K7\0", "K7"),
        ("Ørsund 50".encode() + b"\0", "Ørsund 50"),
        ("Ørsund 50".encode("latin-1") + b"\0", "Ørsund 50"),
        (bytes(8), ""),
    ],
)
def test_text_ends_at_its_nul(value: bytes, text: str) -> None:
    """CIPA DC-008, 4.6.2; bodies also write beyond 7 bits (common practice)."""
    block, tag = one_entry(2, len(value), value)
    assert block.main().text(tag) == text
