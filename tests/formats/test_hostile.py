"""Blocks that nobody should meet: cycles, counts past the end, values over each other, cut short.

Each comes to an edit that ExifRead reads back, or is refused or found damaged with a reason; in
good time, and never with another exception. The block's rules are TIFF 6.0's, section 2.
"""

from __future__ import annotations

import io
import struct
import sys
import time
from collections import Counter
from collections.abc import Sequence
from random import Random

import exifread
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from flangeback.formats import Damaged, Refused
from flangeback.tags import Tag, TagValue, decide
from support.edits import edited
from support.examples import examples
from support.gear import AT_2_8
from support.plain_jpeg import exif_block, picture, with_block
from support.tiff_blocks import EXIF, GREATEST, MAIN, Laid, blocks

VALUES = decide(AT_2_8)
FEW = (TagValue(Tag.F_NUMBER, ((28, 10),)), TagValue(Tag.FOCAL_LENGTH_35MM, 58))
LONGEST = 1.0 if sys.gettrace() is None else 3.0
"""Seconds of processor time that one block may take; being traced for coverage costs time, too."""


def outcome(block: bytes, values: Sequence[TagValue] = VALUES) -> str:
    """What the block comes to, checked; "edited", "refused" or "damaged"."""
    data = with_block(block)
    start = time.process_time()
    try:
        copy = edited(data, values)
    except Refused:
        return "refused"
    except Damaged:
        return "damaged"
    finally:
        assert time.process_time() - start < LONGEST
    assert len(exif_block(copy)) <= GREATEST
    # Thumbnails aside: where one is cut short, ExifRead raises.
    seen = exifread.process_file(io.BytesIO(copy), details=False, extract_thumbnail=False)
    f_number = seen["EXIF FNumber"].values[0]
    assert (f_number.num, f_number.den) == (14, 5)
    return "edited"


def directory(
    order: str, entries: Sequence[tuple[int, int, int, int]], following: int = 0
) -> bytes:
    """Entries as tag, type, count and offset or LONG value."""
    rows = b"".join(struct.pack(order + "HHII", *entry) for entry in entries)
    return struct.pack(order + "H", len(entries)) + rows + struct.pack(order + "I", following)


def block(*parts: bytes, order: str = "<", first: int = 8) -> bytes:
    mark = b"II" if order == "<" else b"MM"
    return mark + struct.pack(order + "HI", 42, first) + b"".join(parts)


EXIF_AT_26 = (0x8769, 4, 1, 26)
"""The pointer to an Exif directory right behind an IFD0 of one entry."""


@pytest.mark.parametrize(
    ("hostile", "comes_to"),
    [
        (block(directory("<", [EXIF_AT_26], 8), directory("<", [])), "edited"),
        (block(directory("<", [(0x8769, 4, 1, 8)], 8)), "edited"),
        (block(directory("<", [EXIF_AT_26]), directory("<", [(0xA005, 4, 1, 26)], 26)), "edited"),
        (block(directory("<", [(0x8769, 4, 1, 0)])), "damaged"),
        (block(directory("<", [(0x8769, 4, 1, 0xFFFF_FFFF)])), "damaged"),
        (block(directory("<", [(0x8769, 4, 0, 26)]), directory("<", [])), "damaged"),
        (block(directory("<", [(0x8769, 2, 4, 26)]), directory("<", [])), "damaged"),
        (block(directory("<", [EXIF_AT_26])), "damaged"),
        (block(directory("<", [EXIF_AT_26]), b"\xff\xff" + bytes(40)), "damaged"),
        (block(directory("<", [EXIF_AT_26], 0xFFFF_FFF0), directory("<", [])), "edited"),
        (block(first=0), "damaged"),
        (block(first=8), "damaged"),
        (block(first=0xFFFF_FFFF), "damaged"),
        (block(b"\0\0"), "edited"),
        (b"", "damaged"),
        (b"II*\0", "damaged"),
        (b"XX*\0" + bytes(20), "damaged"),
    ],
    ids=[
        "next leads back", "Exif is IFD0", "Exif follows itself", "pointer to nothing",
        "pointer past the end", "pointer of no values", "pointer of another type",
        "pointer to the very end", "count past the end", "next past the end", "IFD0 in the header",
        "IFD0 at the end", "IFD0 past the end", "IFD0 empty, no next", "no block", "half a header",
        "no byte order",
    ],
)  # fmt: skip
def test_a_twisted_structure(hostile: bytes, comes_to: str) -> None:
    assert outcome(hostile) == comes_to


def test_values_that_run_past_the_end_are_replaced_elsewhere() -> None:
    exif = directory("<", [(0x829D, 5, 1, 0xFFFF_FF00), (0xA434, 2, 0xFFFF_FFFF, 40)])
    assert outcome(block(directory("<", [EXIF_AT_26]), exif)) == "edited"


@pytest.mark.parametrize("place", [16, 38], ids=["the pointer", "the entry"])
def test_a_value_that_lies_over_what_must_change_is_refused(place: int) -> None:
    """ExposureTime over the pointer to the directory, or over the entry that is to be ours."""
    exif = directory("<", [(0x829A, 5, 1, place), (0x829D, 2, 8, 68), (0xA405, 3, 1, 0)])
    twisted = block(directory("<", [EXIF_AT_26]), exif, bytes(8))
    assert outcome(twisted, VALUES if place == 16 else FEW) == "refused"


def test_a_value_that_lies_over_another_is_not_written_in_place() -> None:
    """FNumber and ExposureTime at one place, and a value over IFD0 itself."""
    exif = directory("<", [(0x829A, 5, 1, 68), (0x829D, 5, 1, 68), (0x920A, 5, 1, 10)])
    twisted = block(directory("<", [EXIF_AT_26]), exif, struct.pack("<II", 1, 125))
    copy = edited(with_block(twisted), VALUES)
    seen = exifread.process_file(io.BytesIO(copy))
    assert str(seen["EXIF ExposureTime"]) == "1/125"
    assert str(seen["EXIF FNumber"]) == "14/5"
    assert str(seen["EXIF FocalLength"]) == "58"


@pytest.mark.parametrize("order", "<>")
def test_the_same_tag_twice(order: str) -> None:
    """Readers differ in which of two they take: both must say the same."""
    exif = directory(order, [(0x829D, 5, 1, 68), (0x829D, 5, 1, 76), (0x829D, 5, 1, 68)])
    twice = block(directory(order, [EXIF_AT_26]), exif, bytes(16), order=order)
    copy = exif_block(edited(with_block(twice), FEW))
    at = struct.unpack_from(order + "I", copy, 18)[0]
    rows = [struct.unpack_from(order + "HHII", copy, at + 2 + 12 * n) for n in range(3)]
    assert {row[0] for row in rows} == {0x829D}
    for row in rows:
        assert struct.unpack_from(order + "II", copy, row[3]) == (28, 10)


def test_chains_of_directories_full_of_strips_take_no_time() -> None:
    """Sixty directories, each with 16,000 strips at offsets all over the block."""
    strips = [(0x0111, 3, 16_000, 4000), (0x0117, 3, 16_000, 20_000)]
    chain = [directory("<", strips, 8 + 30 * (n + 1)) for n in range(60)]
    chain.append(directory("<", [(0x8769, 4, 1, 8 + 30 * 60 + 18)]))
    chain.append(directory("<", []))
    body = b"".join(chain).ljust(4000, b"\0") + Random(1).randbytes(60_000)
    assert outcome(block(body)) in ("edited", "refused")


def test_thousands_of_maker_notes_take_no_time() -> None:
    """An Exif directory of nothing but MakerNotes, each like a long directory until its end."""
    rows = [struct.pack("<HHII", 1, 1, 1, 0)] * 512
    rows[-1] = struct.pack("<HHII", 1, 99, 1, 0)
    note = struct.pack("<H", 512) + b"".join(rows)
    entries = [(0x927C, 7, len(note), 65_000 - len(note) - 26 - 8)] * 4500
    exif = directory("<", entries)
    body = directory("<", [EXIF_AT_26]) + exif
    body = body.ljust(entries[0][3] - 8, b"\0") + note + bytes(400)
    assert outcome(block(body)) in ("edited", "refused")


def test_more_entries_than_a_block_needs() -> None:
    entries = [(0xD000 + n % 100, 7, 8, 8) for n in range(5400)]
    full = block(directory("<", [EXIF_AT_26]), directory("<", entries))
    assert outcome(full) == "refused"


hostile_settings = settings(
    max_examples=examples(150),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
EVIL = st.one_of(
    st.sampled_from([0, 1, 2, 7, 8, 10, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0xFFFF_FFFF, 0x8000_0000]),
    st.integers(0, 200),
    st.integers(0, 70_000),
)


@hostile_settings
@given(blocks(), st.lists(st.tuples(st.integers(0), EVIL, st.sampled_from([2, 4])), max_size=6))
def test_directories_with_evil_numbers(laid: Laid, evils: list[tuple[int, int, int]]) -> None:
    """Counts, types, offsets and pointers of the directories overwritten."""
    twisted = bytearray(laid.block)
    places = [
        place
        for key, span in laid.chunks.items()
        if isinstance(key, str) and key != "shared"
        for place in range(*span, 2)
    ]
    for where, number, size in evils:
        at = ([4, *places])[where % (len(places) + 1)]
        form = laid.plan.order + ("H" if size == 2 else "I")
        struct.pack_into(form, twisted, min(at, len(twisted) - size), number % (1 << 8 * size))
    event(outcome(bytes(twisted), FEW))


@hostile_settings
@given(blocks().filter(lambda laid: EXIF in laid.chunks), st.data())
def test_chunks_laid_over_each_other(laid: Laid, data: st.DataObject) -> None:
    """An entry's value, or a pointer, led to a place that something else uses."""
    twisted = bytearray(laid.block)
    spans = sorted(laid.chunks.values())
    starts = [start for start, _ in spans]
    for name in (MAIN, EXIF):
        start, end = laid.chunks[name]
        for at in range(start + 2, end - 4, 12):
            if data.draw(st.booleans()):
                place = data.draw(st.sampled_from(starts)) + data.draw(st.sampled_from([0, 2, 6]))
                struct.pack_into(laid.plan.order + "I", twisted, at + 8, place)
    event(outcome(bytes(twisted), FEW))


def sample(seed: int, order: str) -> bytes:
    """One block of some 400 bytes with all that a block may have."""
    note = bytes(Random(seed).randrange(256) for _ in range(60))
    main = directory(order, [(0x010F, 2, 8, 200), (0x0112, 3, 1, 1 << 16), (0x8769, 4, 1, 62)], 140)
    exif = directory(
        order,
        [(0x829D, 5, 1, 208), (0x8827, 3, 1, 100), (0x920A, 5, 1, 216), (0x927C, 7, 60, 224),
         (0xA434, 2, 30, 284)],
    )  # fmt: skip
    thumbnail = directory(order, [(0x0201, 4, 1, 320), (0x0202, 4, 1, 50)])
    parts = {
        8: main,
        62: exif,
        140: thumbnail,
        200: b"Kestrin\0",
        224: note,
        284: b"----",
        320: b"T" * 50,
    }
    laid = bytearray(400)
    laid[:8] = block(order=order)
    for at, part in parts.items():
        laid[at : at + len(part)] = part
    return bytes(laid)


@pytest.mark.parametrize("order", "<>")
def test_cut_short_at_every_length(order: str) -> None:
    whole = sample(3, order)
    found = Counter(outcome(whole[:length], FEW) for length in range(len(whole) + 1))
    # With its thumbnail's directory cut short, nothing may follow a block.
    assert set(found) == {"edited", "refused", "damaged"}
    assert found["edited"] > 200


def test_the_file_cut_short_at_every_length() -> None:
    data = with_block(sample(3, "<"))
    whole = len(data) - len(picture()) + 20
    for length in range(whole):
        with pytest.raises((Damaged, Refused)):
            edited(data[:length], FEW)
