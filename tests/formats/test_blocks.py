"""Values into Exif blocks of every layout: they read back, nothing else changes, nothing moves.

The blocks are laid out by the tests' own builder (TIFF 6.0, section 2); what came of them is read
by ExifRead and by Pillow.
"""

from __future__ import annotations

import io
import struct
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import exifread
import pytest
from hypothesis import HealthCheck, event, given, settings
from PIL import ExifTags, Image

from flangeback.formats import Refused
from flangeback.tags import TagValue, decide
from support.edits import as_read, edited, value_sets
from support.examples import examples
from support.gear import AT_2_8, TAG_NUMBERS
from support.plain_jpeg import exif_block, exif_piece, exif_rows, rows, with_block
from support.tiff_blocks import EXIF, GREATEST, MAIN, NOTE, Laid, blocks, note_bytes

MARGIN = 16
"""Zeros that stay beside bytes of unknown meaning; twice that, and a byte to be even."""

sized = settings(
    max_examples=examples(150),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def try_edit(laid: Laid, values: Sequence[TagValue]) -> tuple[bytes, bytes | None]:
    """The file, and the file with the values; None where that was refused, with good reason."""
    source = with_block(laid.block)
    try:
        copy = edited(source, values)
    except Refused:
        assert no_room(laid, values), "refused, though there is room"
        event("refused")
        return source, None
    grown = len(exif_block(copy)) - len(laid.block)
    event("into the end" if grown else "into padding or in place")
    return source, copy


def no_room(laid: Laid, values: Sequence[TagValue]) -> bool:
    need = most_needed(laid, values)
    longest = max((end - start for start, end in laid.zeros), default=0)
    # A MakerNote's offsets may be meant to count from elsewhere, and then claim parts of a gap.
    pieces = 6 if laid.note else 1
    return len(laid.block) + need > GREATEST and longest < pieces * (need + 2 * MARGIN + 2 + 32)


def most_needed(laid: Laid, values: Sequence[TagValue]) -> int:
    """Room for a new directory with every value outside it, and for IFD0 where that changes."""
    old = {field.tag for field in laid.exif or ()}
    need = 2 + 12 * len(old | {int(value.tag) for value in values}) + 4
    if laid.exif is None:
        need += 2 + 12 * (len(laid.plan.directories[MAIN]) + 2) + 4
    return need + sum(len(str(v.value)) + 34 for v in values)


def fresh_numbers(values: Any) -> str | list[Fraction | None]:
    """ExifRead's or Pillow's values as text or numbers, None over zero."""
    if isinstance(values, str):
        return values
    listed = list(values) if isinstance(values, (list, tuple)) else [values]
    return [as_fraction(value) for value in listed]


def as_fraction(value: Any) -> Fraction | None:
    top, below = (
        (value.num, value.den) if hasattr(value, "num") else (value.numerator, value.denominator)
    )
    return Fraction(top, below) if below else None


@sized
@given(blocks(), value_sets())
def test_values_read_back_by_exifread_and_the_rest_is_the_same(
    laid: Laid, values: tuple[TagValue, ...]
) -> None:
    source, copy = try_edit(laid, values)
    if copy is None:
        return
    before, after = (exifread.process_file(io.BytesIO(data)) for data in (source, copy))
    names = {f"EXIF {value.name}": value for value in values}
    for name, value in names.items():
        assert fresh_numbers(after[name].values) == as_read(value)
        assert after[name].field_type == value.type
    kept = (before.keys() | after.keys()) - names.keys() - {"Image ExifOffset"}
    for name in kept:
        assert in_full(before[name]) == in_full(after[name])


@sized
@given(blocks(), value_sets())
def test_values_read_back_by_pillow_and_the_rest_is_the_same(
    laid: Laid, values: tuple[TagValue, ...]
) -> None:
    source, copy = try_edit(laid, values)
    if copy is None:
        return
    before, after = by_pillow(source), by_pillow(copy)
    for value in values:
        assert fresh_numbers(after["exif"].pop(value.tag)) == as_read(value)
        before["exif"].pop(value.tag, None)
    assert repr(before) == repr(after)


def in_full(tag: Any) -> tuple[Any, ...]:
    """A tag's type, text and place; one inside its entry goes where its directory goes."""
    outside = tag.field_length > 4
    return tag.field_type, repr(tag.values), tag.field_length, outside and tag.field_offset


def by_pillow(data: bytes) -> dict[str, dict[int, Any]]:
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        return {
            "main": {tag: exif[tag] for tag in sorted(exif) if tag != ExifTags.IFD.Exif},
            "exif": dict(sorted(exif.get_ifd(ExifTags.IFD.Exif).items())),
            "gps": dict(exif.get_ifd(ExifTags.IFD.GPSInfo)),
            "thumbnail": dict(exif.get_ifd(ExifTags.IFD.IFD1)),
            "pixels": {0: image.tobytes()},
        }


@sized
@given(blocks(), value_sets())
def test_no_byte_moves_and_none_in_use_changes(laid: Laid, values: tuple[TagValue, ...]) -> None:
    source, copy = try_edit(laid, values)
    if copy is None:
        return
    piece = exif_piece(copy)
    assert piece is not None
    assert len(piece.contents) + 2 <= 65_535
    block = exif_block(copy)
    assert block[:4] == laid.block[:4]
    free = may_change(laid, {int(value.tag) for value in values})
    changed = [n for n, old in enumerate(laid.block) if block[n] != old]
    assert not [n for n in changed if n not in free]
    # All outside the block is as it was, but for the segment's own length.
    old = exif_piece(source)
    assert old is not None
    assert copy[: piece.at + 2] == source[: old.at + 2]
    assert copy[piece.end :] == source[old.end :]


def may_change(laid: Laid, written: set[int]) -> set[int]:
    """Offsets that an edit may write to: zeros between chunks, and what is the tags' own."""
    free = {n for start, end in laid.zeros for n in range(start, end)}
    pointer, entries = exif_rows(laid.block)
    if pointer is None:
        return free | {4, 5, 6, 7}
    free |= set(range(pointer.value_at, pointer.value_end))
    starts = Counter(row.value_at for row in entries)
    for row in entries:
        if row.tag in written:
            free |= set(range(row.at, row.at + 12))
            if starts[row.value_at] == 1:
                free |= set(range(row.value_at, row.value_end))
    return free


@sized
@given(blocks(), value_sets())
def test_a_maker_note_stays_and_its_offsets_still_lead_to_its_values(
    laid: Laid, values: tuple[TagValue, ...]
) -> None:
    if laid.note is None:
        return
    _, copy = try_edit(laid, values)
    if copy is None:
        return
    start, end = laid.note
    block = exif_block(copy)
    assert block[start:end] == note_bytes(start, laid.plan.order, end - start)
    firmware = rows(block, start)[0]
    assert block[firmware.value_at : firmware.value_end].rstrip(b"\0") == b"Kestrin K7 fw 1.04"
    row = next(row for row in exif_rows(block)[1] if row.tag == 0x927C)
    assert (row.value_at, row.value_end) == (start, end)


@sized
@given(blocks(), value_sets())
def test_the_new_directory_keeps_its_order(laid: Laid, values: tuple[TagValue, ...]) -> None:
    """TIFF 6.0, section 2: entries ascend by tag; directories begin on a word boundary."""
    _, copy = try_edit(laid, values)
    if copy is None:
        return
    entries = exif_rows(exif_block(copy))[1]
    tags = [row.tag for row in entries]
    assert tags == sorted(tags)
    old = {field.tag for field in laid.exif or ()}
    assert set(tags) == old | {int(value.tag) for value in values}
    for row in entries:
        if row.tag in TAG_NUMBERS and row.value_end - row.value_at > 4:
            assert row.value_at % 2 == 0


def test_the_builder_makes_every_layout() -> None:
    """Blocks with and without an Exif directory, full ones, shared values: else all of this would
    say little."""
    seen = set[str]()
    wanted = {"exif", "no exif", "full", "shared", "note"}

    @settings(max_examples=examples(300), deadline=None, derandomize=True, database=None)
    @given(blocks())
    def look(laid: Laid) -> None:
        seen.add("exif" if EXIF in laid.chunks else "no exif")
        for name, is_so in (
            ("full", len(laid.block) > GREATEST - 100),
            ("shared", "shared" in laid.chunks),
            ("note", laid.note is not None),
        ):
            if is_so:
                seen.add(name)

    look()
    assert seen == wanted


def padded(note: bytes, *rest: bytes) -> bytes:
    """IFD0, an Exif directory with just this MakerNote at 44, and what follows it."""
    main = struct.pack("<HHHIII", 1, 0x8769, 4, 1, 26, 0)
    exif = struct.pack("<HHHIII", 1, NOTE, 7, len(note), 44, 0)
    return b"II*\0\x08\0\0\0" + main + exif + note + b"".join(rest)


@pytest.mark.parametrize("base", [0, 44, 52], ids=["block", "note", "header in the note"])
@pytest.mark.parametrize("lead", [b"Kestrin\0II*\0\x08\0\0\0", b""], ids=["a lead", "none"])
def test_zeros_that_a_maker_note_may_refer_to_stay(base: int, lead: bytes) -> None:
    """Its offsets count from where the maker pleased (common practice); 200 zeros are its own."""
    if base == 52 and not lead:
        return
    note = lead + struct.pack("<HHHIII", 1, 0x20, 7, 200, 100 - base, 0)
    block = padded(note, bytes(1200))
    copy = exif_block(edited(with_block(block), decide(AT_2_8)))
    assert len(copy) == len(block)
    assert copy[100:300] == bytes(200)


def test_zeros_beside_bytes_of_unknown_meaning_stay() -> None:
    """They may be the end of a number, or the beginning of one."""
    block = padded(b"", b"x" * 50, bytes(600), b"x" * 50)
    copy = exif_block(edited(with_block(block), decide(AT_2_8)))
    assert len(copy) == len(block)
    start = 44 + 50
    assert copy[start : start + MARGIN] == bytes(MARGIN)
    assert copy[start + 600 - MARGIN : start + 600] == bytes(MARGIN)
    assert copy[start + MARGIN : start + 600 - MARGIN] != bytes(600 - 2 * MARGIN)
