"""TIFF-structured files that are damaged or made to do harm: they end filled and clean, or refused
with the reason and copied as they are; quickly, and within little memory.

The bounds, a second and 200 MB, are the project's own. What is read back is ExifRead's word.
"""

from __future__ import annotations

import io
import struct
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random

import exifread
import pytest

from flangeback.copies import FillOptions, FrameCopy, fill
from flangeback.formats import Damaged, FileReader, Refused
from flangeback.formats.tiff import RawTiff
from flangeback.frames import Frame, read_frame
from flangeback.match import Outcome
from flangeback.raw_mode import RawMode
from flangeback.tags import decide
from support.gear import AT_2_8, all_filled
from support.plain_jpeg import exif_rows, rows
from support.raw_files import EXIF, LONG, MAIN, SHORT, Dir, Item, Ref, lay, plain_raw

VALUES = decide(AT_2_8)
NAME = "K7_0001.DNG"


@contextmanager
def bounded() -> Iterator[None]:
    """A second and 200 MB."""
    tracemalloc.start()
    start = time.process_time()
    try:
        yield
        spent = time.process_time() - start
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # Being traced costs time, too: it is let have three times as long.
    assert spent < 3
    assert peak < 200e6, f"{peak / 1e6:.0f} MB"


def outcome(folder: Path, data: bytes, name: str = NAME) -> FrameCopy:
    """What the file comes to; it is filled as ExifRead sees it, or copied as it is: with the
    reason, or with a sidecar where data that it names run past its end."""
    (copy,) = outcomes(folder, {name: data})
    return copy


def outcomes(folder: Path, files: dict[str, bytes]) -> tuple[FrameCopy, ...]:
    frames = folder / "frames"
    frames.mkdir(parents=True)
    for name, data in files.items():
        (frames / name).write_bytes(data)
    filled = fill(all_filled(frames, files), frames, folder / "out", FillOptions(RawMode.EMBED))
    for copy in filled.copies:
        name = copy.match.frame.file
        assert copy.failure is None, name
        after = (folder / "out" / name).read_bytes()
        if len(copy.copies) == 2:
            reasons = ("the file is cut short", "a directory doesn't say where its picture is")
            assert any(reason in str(copy.match.reason) for reason in reasons)
            assert b"Miran 58mm f/2" in (folder / "out" / copy.copies[1]).read_bytes()
            assert after == files[name]
        elif copy.match.outcome is Outcome.FILL:
            assert lens_of(after) == "Miran 58mm f/2", name
            assert after.startswith(files[name][:4])
        else:
            assert copy.match.reason
            assert after == files[name]
    return filled.copies


def lens_of(data: bytes) -> str:
    """LensModel by ExifRead; it reads a MakerNote of any count, so that is left out."""
    tag = exifread.process_file(io.BytesIO(data), details=False)["EXIF LensModel"]
    return str(tag.values)


def sparse(folder: Path, data: bytes, size: int) -> Frame:
    """The file as read, lengthened with zeros; then what an edit comes to is drawn, too."""
    path = folder / NAME
    with path.open("wb") as file:
        file.write(data)
        file.truncate(size)
    with FileReader(path) as reader, suppress(Refused, Damaged):
        RawTiff(reader).edit(VALUES)
    return read_frame(folder, NAME)


def patched(data: bytes, at: int, form: str, *values: int) -> bytes:
    new = struct.pack(form, *values)
    return data[:at] + new + data[at + len(new) :]


def row_at(data: bytes, tag: int) -> int:
    """Where the entry of a tag starts, in the main or the Exif directory."""
    order = "<" if data[:2] == b"II" else ">"
    main = rows(data, struct.unpack_from(order + "I", data, 4)[0])
    return next(row.at for row in (*main, *exif_rows(data)[1]) if row.tag == tag)


PLAIN = plain_raw()


@pytest.mark.parametrize("target", ["main", "exif", "raw", "second"])
@pytest.mark.parametrize("tag", [0x8769, 0x014A, "next", "first"])
def test_a_cycle_of_directories_ends(tmp_path: Path, target: str, tag: int | str) -> None:
    data, at = PLAIN.data, PLAIN.at[target]
    if tag == "first":
        data = patched(data, 4, "<I", at)
    elif tag == "next":
        main = PLAIN.at["main"]
        data = patched(data, main + 2 + 12 * data[main], "<I", at)
    else:
        assert isinstance(tag, int)
        data = patched(data, row_at(data, tag), "<HHII", tag, LONG, 1, at)
    with bounded():
        outcome(tmp_path, data)


@pytest.mark.parametrize("tag", [0x8769, 0x014A, 0x927C, 0x920A, 0xA434, 0x9003, 0x0111, 0x0110])
@pytest.mark.parametrize("where", [0, 1, 7, "last", "end", 2**31, 2**32 - 1])
def test_an_offset_anywhere(tmp_path: Path, tag: int, where: int | str) -> None:
    size = len(PLAIN.data)
    at = where if isinstance(where, int) else size - (where == "last")
    data = patched(PLAIN.data, row_at(PLAIN.data, tag) + 8, "<I", at)
    with bounded():
        outcome(tmp_path, data)


@pytest.mark.parametrize("tag", [0x8769, 0x014A, 0x927C, 0x829D, 0x920A, 0xA434, 0x9003, 0x0110])
@pytest.mark.parametrize("count", [0, 2, 5, 500, 0xFFFF, 2**31, 2**32 - 1])
def test_a_count_of_any_size(tmp_path: Path, tag: int, count: int) -> None:
    data = patched(PLAIN.data, row_at(PLAIN.data, tag) + 4, "<I", count)
    with bounded():
        outcome(tmp_path, data)


@pytest.mark.parametrize("tag", [0x8769, 0x829D, 0x920A, 0xA434, 0x9003])
@pytest.mark.parametrize("kind", [*range(14), 16, 17, 18, 255, 65_535])
def test_a_value_of_any_type(tmp_path: Path, tag: int, kind: int) -> None:
    data = patched(PLAIN.data, row_at(PLAIN.data, tag) + 2, "<H", kind)
    with bounded():
        outcome(tmp_path, data)


@pytest.mark.parametrize("name", ["main", "exif", "raw", "second"])
@pytest.mark.parametrize("count", [0, 200, 0xFFFF])
def test_a_directory_of_any_length(tmp_path: Path, name: str, count: int) -> None:
    with bounded():
        outcome(tmp_path, patched(PLAIN.data, PLAIN.at[name], "<H", count))


def test_a_chain_that_leads_back_to_a_directory_to_be_written_anew(tmp_path: Path) -> None:
    """Without an Exif directory the first one gets an entry, at another place: readers would
    come upon the old one as a further directory."""
    laid = plain_raw(exif=None)
    second = laid.at["second"]
    data = patched(laid.data, second + 2 + 12 * laid.data[second], "<I", laid.at["main"])
    copy = outcome(tmp_path, data)
    assert "leads back" in str(copy.match.reason)


def test_an_exif_directory_inside_the_maker_note_is_refused_or_kept(tmp_path: Path) -> None:
    """The pointer leads into the MakerNote's own directory; its bytes must stay."""
    at = PLAIN.at["exif/0x927c"]
    data = patched(PLAIN.data, row_at(PLAIN.data, 0x8769) + 8, "<I", at)
    outcome(tmp_path, data)
    after = (tmp_path / "out" / NAME).read_bytes()
    assert after[at : at + 90] == data[at : at + 90]


def test_cut_short_anywhere(tmp_path: Path) -> None:
    """At every length up to the pixels, then at some."""
    data = PLAIN.data
    lengths = [*range(0, PLAIN.at["pixels"], 3), *range(PLAIN.at["pixels"], len(data), 97)]
    files = {f"K7_{n:04d}.DNG": data[:n] for n in lengths}
    counts = Counter(copy.match.outcome for copy in outcomes(tmp_path, files))
    assert set(counts) == {Outcome.FILL, Outcome.UNREADABLE}
    assert counts[Outcome.UNREADABLE] > 100


def test_a_real_dng_cut_short_anywhere(corpus: Path, tmp_path: Path) -> None:
    data = (corpus / "raw-001.dng").read_bytes()[:60_000]
    lengths = [*range(0, 6000, 97), *range(6000, len(data), 4001)]
    files = {f"K7_{n:06d}.DNG": data[:n] for n in lengths}
    outcomes(tmp_path, files)


def test_random_changes_to_directories(tmp_path: Path) -> None:
    random = Random(20260517)
    ends = {name: at + 160 for name, at in PLAIN.at.items() if "/" not in name}
    files = {}
    for n in range(300):
        data = bytearray(PLAIN.data)
        for _ in range(random.randint(1, 4)):
            name = random.choice(["main", "exif", "raw", "second"])
            at = random.randrange(PLAIN.at[name], min(ends[name], len(data) - 4))
            data[at : at + 2] = random.choice([b"\0\0", b"\xff\xff", random.randbytes(2)])
        files[f"K7_{n:04d}.DNG"] = bytes(data)
    counts = Counter(copy.match.outcome for copy in outcomes(tmp_path, files))
    assert counts[Outcome.FILL] > 30
    assert counts[Outcome.UNREADABLE] > 10


# Sizes that only a file made to do harm has.


def test_a_million_entries(tmp_path: Path) -> None:
    """BigTIFF counts entries in 64 bits."""
    head = b"II" + struct.pack("<HHHQQ", 43, 8, 0, 16, 1_000_000)
    with bounded():
        frame = sparse(tmp_path, head, 30_000_000)
    assert "1000000 entries" in str(frame.damage)


def test_many_directories_of_many_entries(tmp_path: Path) -> None:
    """Sixteen of 65,535 entries each, in the same bytes, and each leads to them all again."""
    head = b"II*\0" + struct.pack("<I", 100)
    places = struct.pack("<16I", *(100 + 2 * n for n in range(1, 17)))
    row = struct.pack("<HHII", 0x014A, 4, 16, 8)
    body = (head + places).ljust(100, b"\0") + b"\xff\xff" * 17 + row
    with bounded():
        frame = sparse(tmp_path, body, 900_000)
    assert "65535 entries" in str(frame.damage)


def test_directories_that_lead_to_each_other_many_times_over(tmp_path: Path) -> None:
    """Three hundred of 4,000 entries each, in the same bytes."""
    head = b"II*\0" + struct.pack("<I", 100)
    places = struct.pack("<16I", *(100 + 12 * n for n in range(1, 17)))
    count = struct.pack("<HHHHHH", 4000, 0, 0, 0, 0, 0)
    row = struct.pack("<HHIIHHIIHHII", *((0x014A, 4, 16, 8) * 3))
    body = (head + places).ljust(100, b"\0") + (count[:2] + row[:10]) * 300 + row
    with bounded():
        sparse(tmp_path, body, 900_000)


def test_a_number_counted_ten_million_times(tmp_path: Path) -> None:
    """Of PhotographicSensitivity only the first counts."""
    data = patched(PLAIN.data, row_at(PLAIN.data, 0x8827), "<HHII", 0x8827, SHORT, 10_000_000, 8)
    with bounded():
        frame = sparse(tmp_path, data, 40_000_000)
    assert frame.model == "Kestrin K7"


@pytest.mark.parametrize("tag", [0x0111, 0xA432, 0x0007, 0x014A])
def test_a_list_counted_ten_million_times(tmp_path: Path, tag: int) -> None:
    chunks: dict[str, Dir | bytes] = {
        "gps": Dir([Item(0x0007, 5, (1, 1)), Item(0x0117, LONG, (1,))]),
        "exif": Dir([*EXIF, Item(0xA432, 5, (0, 0))]),
        "main": Dir(
            [
                *MAIN,
                Item(0x0111, LONG, (8,)),
                Item(0x014A, LONG, (8,)),
                Item(0x0117, LONG, (8,)),
                Ref(0x8769, ("exif",)),
                Ref(0x8825, ("gps",)),
            ]
        ),
    }
    laid = lay(chunks)
    at = next(
        row.at
        for name in ("main", "exif", "gps")
        for row in rows(laid.data, laid.at[name])
        if row.tag == tag
    )
    data = patched(laid.data, at + 4, "<II", 10_000_000, 8)
    with bounded():
        frame = sparse(tmp_path, data, 120_000_000)
    assert frame.model == "Kestrin K7" or frame.damage


def test_a_text_of_sixty_megabytes(tmp_path: Path) -> None:
    data = patched(PLAIN.data, row_at(PLAIN.data, 0x0110) + 4, "<II", 60_000_000, 2)
    data = data[:2] + data[2:]
    with bounded():
        sparse(tmp_path, data, 62_000_000)


def test_a_packet_of_sixty_megabytes(tmp_path: Path) -> None:
    chunks: dict[str, Dir | bytes] = {
        "main": Dir([*MAIN, Item(0x02BC, 1, b"<x FNumber='1'>" * 2), Ref(0x8769, ("exif",))]),
        "exif": Dir(EXIF),
    }
    laid = lay(chunks)
    data = patched(laid.data, row_at(laid.data, 0x02BC) + 4, "<I", 60_000_000)
    with bounded():
        sparse(tmp_path, data, 62_000_000)


def test_a_sparse_file_is_read_at_its_head_alone() -> None:
    with tempfile.TemporaryDirectory() as place, bounded():
        frame = sparse(Path(place), PLAIN.data, 3_000_000_000)
    assert frame.model == "Kestrin K7"


def test_what_isnt_a_number_reads_the_same(tmp_path: Path) -> None:
    """A DOUBLE that is NaN isn't equal to itself (IEEE 754)."""
    laid = lay(
        {
            "main": Dir([*MAIN, Item(0xC761, 3, (0xFFFF,) * 8), Ref(0x8769, ("exif",))]),
            "exif": Dir(EXIF),
        }
    )
    data = patched(laid.data, row_at(laid.data, 0xC761), "<HHI", 0xC761, 12, 2)
    assert outcome(tmp_path, data).match.outcome is Outcome.FILL
