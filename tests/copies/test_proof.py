"""The proof catches what it must: a copy made wrong is never left under its name.

Each wrong edit is made by the tests, as a writer with that fault would have made it; that it is
wrong is checked by hand-made comparison (TIFF 6.0, section 2; ITU-T T.81, annex B).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from flangeback.copies import fill, verify
from flangeback.copies.manifest import Manifest
from flangeback.copies.write import write_spliced
from flangeback.formats import Splice
from flangeback.match import Outcome
from flangeback.tags import decide
from support.edits import applied, splices_for
from support.folders import litter, snapshot
from support.gear import AT_2_8, AT_5_6, all_filled
from support.plain_jpeg import (
    APP1,
    EXIF,
    SCAN,
    XMP,
    exif_piece,
    exif_rows,
    maker_note,
    picture,
    pieces,
    segment,
    with_segments,
)
from support.tiff_blocks import EXIF as EXIF_KEY
from support.tiff_blocks import MAIN, Field, Plan, lay_out

VALUES = decide(AT_2_8)
PACKET = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    b'xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
    b'exif:FNumber="0/0" xmp:Rating="4"/></rdf:RDF></x:xmpmeta>'
)
FIELDS = {
    MAIN: [Field(0x010F, 2, 8, b"Kestrin\0"), Field(0x0112, 3, 1, b"\1\0")],
    EXIF_KEY: [
        Field(0x829A, 5, 1, struct.pack("<II", 1, 125)),
        Field(0x8827, 3, 1, b"\xc8\0"),
        Field(0x9003, 2, 20, b"2026:05:17 09:16:04\0"),
        Field(0x927C, 7, 90, bytes(90)),
    ],
}


def block(order: str = "<", shuffle: int = 1, lead: int = 0) -> bytes:
    return lay_out(Plan(order, FIELDS, shuffle, [(lead, False)], (0, False))).block


SOURCE = with_segments(picture(), segment(APP1, EXIF + block()), segment(APP1, XMP + PACKET))


def whole_segment(fresh: bytes) -> Splice:
    """The Exif segment with another block in it."""
    piece = exif_piece(SOURCE)
    assert piece is not None
    return Splice(piece.at, piece.end, segment(APP1, EXIF + fresh))


def right() -> tuple[Splice, ...]:
    return splices_for(SOURCE, VALUES)


def filled_anew(layout: bytes) -> tuple[Splice, ...]:
    """The block laid out in another way, with all the values: right, but for what moved."""
    piece = exif_piece(SOURCE)
    assert piece is not None
    source = SOURCE[: piece.at] + segment(APP1, EXIF + layout) + SOURCE[piece.end :]
    edited = applied(source, splices_for(source, VALUES))
    new = exif_piece(edited)
    assert new is not None
    return (
        Splice(piece.at, piece.end, edited[new.at : new.end]),
        *(splice for splice in right() if splice.start >= piece.end),
    )


def wrong_values() -> tuple[Splice, ...]:
    return splices_for(SOURCE, decide(AT_5_6))


def missing_values() -> tuple[Splice, ...]:
    return splices_for(SOURCE, VALUES[1:])


def nothing() -> tuple[Splice, ...]:
    return ()


def note_moved() -> tuple[Splice, ...]:
    return filled_anew(block(lead=6))


def order_changed() -> tuple[Splice, ...]:
    note = maker_note(SOURCE)
    assert note is not None
    return filled_anew(block(">"))


def with_change(at: int, data: bytes) -> tuple[Splice, ...]:
    """The right edit, and one more change outside it."""
    return tuple(sorted([*right(), Splice(at, at + len(data), data)], key=lambda s: s.start))


def in_block(tag: int) -> int:
    """Where in the file the value of a tag of the Exif directory stands."""
    piece = exif_piece(SOURCE)
    assert piece is not None
    row = next(row for row in exif_rows(piece.contents[6:])[1] if row.tag == tag)
    return piece.at + 10 + row.value_at


def another_tag_changed() -> tuple[Splice, ...]:
    return with_change(in_block(0x829A), struct.pack("<II", 1, 250))


def another_text_changed() -> tuple[Splice, ...]:
    return with_change(in_block(0x9003), b"2026:05:18")


def note_changed() -> tuple[Splice, ...]:
    return with_change(in_block(0x927C) + 70, b"\xff")


def xmp_rating_changed() -> tuple[Splice, ...]:
    return changed_packet(b'xmp:Rating="4"', b'xmp:Rating="5"')


def xmp_not_in_agreement() -> tuple[Splice, ...]:
    return changed_packet(b'FNumber="28/10"', b'FNumber="56/10"')


def xmp_rating_lost() -> tuple[Splice, ...]:
    return changed_packet(b'xmp:Rating="4"', b"              ")


def changed_packet(old: bytes, new: bytes) -> tuple[Splice, ...]:
    """The right edit, but for one more change in the packet."""
    before = next(p for p in pieces(SOURCE) if p.contents.startswith(XMP))
    after = next(p for p in pieces(applied(SOURCE, right())) if p.contents.startswith(XMP))
    assert after.contents.count(old) == 1
    fresh = segment(APP1, after.contents.replace(old, new))
    return (
        *(splice for splice in right() if splice.end <= before.at),
        Splice(before.at, before.end, fresh),
    )


def pixels_changed() -> tuple[Splice, ...]:
    scan = next(piece for piece in pieces(SOURCE) if piece.marker == SCAN)
    return with_change(scan.end + 8, b"\x55")


def table_changed() -> tuple[Splice, ...]:
    table = next(piece for piece in pieces(SOURCE) if piece.marker == 0xDB)
    return with_change(table.at + 10, b"\x55")


def trailer_added() -> tuple[Splice, ...]:
    return (*right(), Splice(len(SOURCE), len(SOURCE), b"more"))


Wrong = Callable[[], tuple[Splice, ...]]
FAULTS: Sequence[Wrong] = [
    wrong_values,
    missing_values,
    nothing,
    note_moved,
    order_changed,
    another_tag_changed,
    another_text_changed,
    note_changed,
    xmp_rating_changed,
    xmp_not_in_agreement,
    xmp_rating_lost,
    pixels_changed,
    table_changed,
    trailer_added,
]


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    (folder / "K7_0001.JPG").write_bytes(SOURCE)
    return folder


def patch_embed(monkeypatch: pytest.MonkeyPatch, splices: Sequence[Splice]) -> None:
    def edit(*arguments: object, **more: object) -> tuple[Splice, ...]:
        return tuple(splices)

    monkeypatch.setattr("flangeback.formats.jpeg.Jpeg.edit", edit)


def test_the_right_edit_passes(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    patch_embed(monkeypatch, right())
    filled = fill(all_filled(frames, ["K7_0001.JPG"]), frames, tmp_path / "out")
    assert not filled.failed
    assert (tmp_path / "out" / "K7_0001.JPG").read_bytes() != SOURCE


@pytest.mark.parametrize("wrong", FAULTS)
def test_a_wrong_edit_fails_and_the_frame_is_copied_as_it_is(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: Wrong
) -> None:
    out, before = tmp_path / "out", snapshot(frames)
    patch_embed(monkeypatch, wrong())
    filled = fill(all_filled(frames, ["K7_0001.JPG"]), frames, out)
    (failed,) = filled.failed
    assert failed.failure
    assert failed.copy == "K7_0001.JPG"
    assert not failed.verified
    assert failed.match.outcome is Outcome.UNREADABLE
    assert (out / "K7_0001.JPG").read_bytes() == SOURCE
    assert not litter(out)
    assert not verify(out).failed
    assert snapshot(frames) == before


def test_a_failed_copy_is_made_once_the_writer_is_mended(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    with monkeypatch.context() as patch:
        patch_embed(patch, wrong_values())
        assert fill(all_filled(frames, ["K7_0001.JPG"]), frames, out).failed
    with Manifest(out) as manifest:
        (record,) = manifest.records()
    assert (record.outcome, record.values) == ("unreadable", {})
    assert record.failure
    filled = fill(all_filled(frames, ["K7_0001.JPG"]), frames, out)
    assert not filled.failed
    assert filled.copies[0].match.outcome is Outcome.FILL
    assert (out / "K7_0001.JPG").read_bytes() == applied(SOURCE, right())


@pytest.mark.parametrize("at", [3, 400, -1])
def test_bytes_that_the_disk_changed_fail(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """The copy is read back: what was meant to be written is no proof."""

    def corrupting(source: int, copy: int, size: int, splices: Sequence[Splice]) -> None:
        write_spliced(source, copy, size, splices)
        os.pwrite(copy, b"\x5a", at % os.fstat(copy).st_size)

    monkeypatch.setattr("flangeback.copies.write.write_spliced", corrupting)
    filled = fill(all_filled(frames, ["K7_0001.JPG"]), frames, tmp_path / "out")
    assert len(filled.failed) == 1
    assert not (tmp_path / "out" / "K7_0001.JPG").exists()


def test_a_failed_copy_spares_the_others(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (frames / "K7_0002.JPG").write_bytes(b"\xff\xd8\xffbroken")
    patch_embed(monkeypatch, wrong_values())
    names = ["K7_0001.JPG", "K7_0002.JPG"]
    filled = fill(all_filled(frames, names), frames, tmp_path / "out")
    assert [copy.copy for copy in filled.copies] == names
    assert [copy.verified for copy in filled.copies] == [False, True]
