"""Real camera files, filled: every tag not meant to change reads the same, by independent readers.

What a reader says about source and copy is the outside source of every check here; the files'
makers laid their blocks out in ways that nobody would think up.
"""

from __future__ import annotations

import hashlib
import struct
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from PIL import Image

from flangeback.copies import Filled, FillOptions, fill, verify
from flangeback.frames import CameraTime
from flangeback.match import FrameMatch, Matches, Outcome
from support.gear import IN_EXIF, TAG_NUMBERS, all_filled
from support.lone_note import led_outside, own_entries
from support.plain_jpeg import SCAN, XMP, exif_block, exif_rows, maker_note, pieces, rows
from support.readers import (
    READERS,
    as_numbers,
    by_exifread,
    by_exiv2,
    differing,
    exifread_text,
    is_standard,
    pixels,
)

POINTER = ("ExifOffset", ".ExifTag", " Tag 0x8769")
"""How the readers' names for tag 0x8769 end, whatever directory it is read in: the one pointer
that is turned."""
IN_TIME = {
    "DateTimeOriginal": "2019:02:03 04:05:06",
    "SubSecTimeOriginal": "07",
    "OffsetTimeOriginal": "+05:45",
}
TIME = datetime(2019, 2, 3, 4, 5, 6, 70_000, timezone(timedelta(hours=5, minutes=45)))
READING = CameraTime(datetime(2019, 2, 3, 4, 0), timedelta(milliseconds=10))
BREAKS_OFF = "the picture breaks off: nothing marks its end"
IPTC = "its time is left as it is: its IPTC record states another time"
TIME_NUMBERS = {0x9003, 0x9291, 0x9011}
"""A true time that no file has, and its tags by hand (CIPA DC-008, 4.6.5)."""
SHORTEST_PADDING = 16


@dataclass(frozen=True)
class Run:
    """The corpus filled: the folders, what came of it, the sources' digests before."""

    frames: Path
    out: Path
    filled: Filled
    digests: dict[str, str]
    texts: Mapping[str, str]

    @property
    def timed(self) -> bool:
        """Whether the true time was to be written, too."""
        return "DateTimeOriginal" in self.texts

    @property
    def untimed(self) -> set[str]:
        """The files whose IPTC record has another date (2:55; Exiv2 reads it in four)."""
        return {c.match.frame.file for c in self.filled.copies if c.match.reason == IPTC}

    @property
    def written(self) -> set[str]:
        """The tags written, by the readers' names.

        One file has DateTimeOriginal in its main directory, too, to which its interoperability
        pointer leads back.
        """
        groups = ("EXIF ", "Exif.Photo.")
        above = {"Image DateTimeOriginal", "Exif.Image.DateTimeOriginal"}
        above.add("Interoperability Tag 0x9003")
        found = {f"{group}{name}" for name in self.texts for group in groups}
        return found | (above if self.timed else set())

    def pair(self, name: str) -> tuple[bytes, bytes]:
        return (self.frames / name).read_bytes(), (self.out / name).read_bytes()


def digests(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.glob("*.jpg"))
    }


@pytest.fixture(scope="module", params=[False, True], ids=["lens", "lens and time"])
def run(corpus: Path, request: pytest.FixtureRequest) -> Iterator[Run]:
    names = sorted(p.name for p in corpus.glob("*.jpg") if p.stem.startswith(("camera", "broken")))
    before = digests(corpus)
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "filled"
        matches, texts = all_filled(corpus, names), dict(IN_EXIF)
        if request.param:
            matches = Matches(tuple(timed(match) for match in matches.frames))
            texts |= IN_TIME
        found = fill(matches, corpus, out, FillOptions(set_time=request.param))
        yield Run(corpus, out, found, before, texts)


def timed(match: FrameMatch) -> FrameMatch:
    """With a true time, to hundredths of a second, whatever the file says itself."""
    frame = replace(match.frame, time=READING)
    return replace(match, frame=frame, time=TIME, time_sure=match.outcome.is_filled)


@pytest.fixture(scope="module")
def pairs(run: Run) -> dict[str, tuple[bytes, bytes]]:
    """Source and copy of every camera file."""
    return {name: run.pair(name) for name in run.digests if name.startswith("camera")}


def test_every_camera_file_comes_out_filled_and_clean(run: Run) -> None:
    cameras = [c for c in run.filled.copies if c.match.frame.file.startswith("camera")]
    assert len(cameras) == 65
    assert all(c.match.outcome is Outcome.FILL and c.failure is None for c in cameras)
    told = Counter(text for c in cameras if c.match.reason for text in c.match.reason.split("; "))
    assert told == Counter({BREAKS_OFF: 2} | ({IPTC: 4} if run.timed else {}))
    cut = [c.match.frame.file for c in cameras if BREAKS_OFF in (c.match.reason or "")]
    assert all(is_truncated(run.frames / name) for name in cut)


def is_truncated(picture: Path) -> bool:
    """By Pillow."""
    with Image.open(picture) as image:
        try:
            image.load()
        except OSError:
            return True
    return False


def test_a_broken_file_comes_out_clean_or_byte_identical(run: Run) -> None:
    broken = [c for c in run.filled.copies if c.match.frame.file.startswith("broken")]
    assert len(broken) >= 50
    for copy in broken:
        assert copy.verified, (copy.match.frame.file, copy.failure)
        before, after = run.pair(copy.match.frame.file)
        if copy.match.outcome is Outcome.UNREADABLE:
            assert copy.match.reason
            assert before == after, copy.match.frame.file
        else:
            assert exifread_text(by_exifread(after), "FNumber") == "14/5", copy.match.frame.file


def test_originals_are_untouched(run: Run) -> None:
    assert digests(run.frames) == run.digests


def test_all_copies_verify_again(run: Run) -> None:
    again = verify(run.out)
    assert not again.failed
    assert len(again.copies) == len(run.digests)
    assert all(copy.source_at_hand for copy in again.copies)


@pytest.mark.parametrize("reader", READERS)
def test_every_other_tag_reads_the_same(
    run: Run, pairs: dict[str, tuple[bytes, bytes]], reader: str
) -> None:
    read = READERS[reader]
    compared = 0
    for name, (source, copy) in pairs.items():
        before, after = read(source), read(copy)
        if not before:
            continue
        changed = differing(before, after) - run.written
        changed = {tag for tag in changed if not tag.endswith(POINTER)}
        if any(not is_standard(tag) for tag in changed):
            kept = own_entries(source, read) - led_outside(source) - led_outside(copy)
            changed = {tag for tag in changed if is_standard(tag) or tag in kept}
        assert not changed, (name, {tag: (before.get(tag), after.get(tag)) for tag in changed})
        compared += len(before)
    assert compared > 3000


def test_the_trial_that_excuses_entries_is_narrow(pairs: dict[str, tuple[bytes, bytes]]) -> None:
    """Most MakerNote entries must be the MakerNote's own, or the comparison would say little."""
    own = all_entries = 0
    for source, _ in pairs.values():
        if maker_note(source) is not None:
            own += len(own_entries(source, by_exifread))
            all_entries += sum(1 for tag in by_exifread(source) if not is_standard(tag))
    assert all_entries > 500
    assert own > 0.8 * all_entries


def test_written_values_read_right(run: Run, pairs: dict[str, tuple[bytes, bytes]]) -> None:
    for name, (_, copy) in pairs.items():
        by_exiv, by_exif = by_exiv2(copy), by_exifread(copy)
        texts = IN_EXIF if name in run.untimed else run.texts
        for tag, text in texts.items():
            assert by_exiv[f"Exif.Photo.{tag}"] == text, (name, tag)
            seen = exifread_text(by_exif, tag)
            if tag in IN_TIME or (tag.startswith("Lens") and tag != "LensSpecification"):
                assert seen == text, (name, tag)
            else:
                assert as_numbers(seen) == as_numbers(text), (name, tag)


def test_maker_notes_keep_their_bytes_and_their_place(
    pairs: dict[str, tuple[bytes, bytes]],
) -> None:
    notes = {name: maker_note(source) for name, (source, _) in pairs.items()}
    assert sum(1 for note in notes.values() if note is not None) >= 36
    for name, (_, copy) in pairs.items():
        assert maker_note(copy) == notes[name] or notes[name] is None, name


def test_pictures_decode_the_same(pairs: dict[str, tuple[bytes, bytes]]) -> None:
    decoded = {name: pixels(source) for name, (source, _) in pairs.items()}
    assert sum(1 for found in decoded.values() if found is not None) >= 36
    for name, (_, copy) in pairs.items():
        assert pixels(copy) == decoded[name], name


def test_every_other_segment_and_the_scans_are_the_same(
    pairs: dict[str, tuple[bytes, bytes]],
) -> None:
    for name, (source, copy) in pairs.items():
        assert others(source) == others(copy), name


def others(data: bytes) -> list[tuple[int, int, bytes]]:
    """Segments besides Exif, XMP and the multi-picture index; then all from the scan on."""
    kept = [
        (piece.marker, piece.fill, piece.contents)
        for piece in pieces(data)
        if not piece.contents.startswith((b"Exif\0", XMP, b"MPF\0"))
    ]
    scan = next(piece for piece in pieces(data) if piece.marker == SCAN)
    return [*kept, (0, 0, data[scan.at :])]


def test_no_byte_of_a_block_moves(run: Run, pairs: dict[str, tuple[bytes, bytes]]) -> None:
    """Only the pointer, the written tags' own entries and values, and padding may differ."""
    for name, (source, copy) in pairs.items():
        before, after = exif_block(source), exif_block(copy)
        if before[2:4] not in (b"*\0", b"\0*"):
            continue
        assert len(after) >= len(before)
        numbers = TAG_NUMBERS.keys() | (
            TIME_NUMBERS if run.texts.keys() & IN_TIME.keys() else set()
        )
        free = may_change(before, numbers)
        moved = [n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b]
        assert not [n for n in moved if n not in free and not in_padding(before, n)], name


def may_change(block: bytes, numbers: Set[int]) -> set[int]:
    pointer, entries = exif_rows(block)
    if pointer is None:
        return {4, 5, 6, 7}
    free = set(range(pointer.value_at, pointer.value_end))
    order = "<" if block[:2] == b"II" else ">"
    for row in (*rows(block, *struct.unpack_from(order + "I", block, 4)), *entries):
        if row.tag in numbers:
            free |= {*range(row.at, row.at + 12), *range(row.value_at, row.value_end)}
    return free


def in_padding(block: bytes, at: int) -> bool:
    """Whether the byte lies in a long run of zeros."""
    start = end = at
    while start > 0 and block[start - 1] == 0 and at - start < SHORTEST_PADDING:
        start -= 1
    while end < len(block) and block[end] == 0 and end - at < SHORTEST_PADDING:
        end += 1
    return end - start >= SHORTEST_PADDING
