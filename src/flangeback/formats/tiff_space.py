"""Where a TIFF block has room: runs of zeros that nothing refers to, and the block's end."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import NamedTuple

from flangeback.formats.reader import Damaged
from flangeback.formats.splices import Refused
from flangeback.formats.tiff_block import ENTRY_SIZE, MAKER_NOTE, TYPE_SIZES, Block, Entry

Span = tuple[int, int]
"""From one offset up to, not including, another."""

_HEADER: Span = (0, 8)
_DATA_POINTERS = ((0x0111, 0x0117), (0x0144, 0x0145), (0x0201, 0x0202))
"""Offsets and lengths of strips, tiles and the JPEG thumbnail (TIFF 6.0; CIPA DC-008, 4.6.5)."""

_MOST_SPANS = 1 << 16
_MOST_NOTES = 16
"""Beyond these a block isn't a camera's, and working it out would take long."""

_NO_ENTRIES = bytes(6)
"""A directory's count and its pointer to the next one."""
_SHORTEST_RUN = 32
_MARGIN = 16
"""Zeros left alone next to bytes whose meaning is unknown: they may be part of a number or text."""


class Usage(NamedTuple):
    """The spans of a block that its directories refer to, once for each reference.

    `complete` is False where more may be in use; `lost` are the offsets of directories that
    couldn't be read (0: nobody knows which), `shared` those of directories reached twice.
    """

    spans: tuple[Span, ...]
    complete: bool
    lost: frozenset[int]
    shared: frozenset[int]

    def users(self, start: int, end: int, within: int | None = None) -> int:
        """How many references touch a byte from `start` to `end`; of those `within` a size only."""
        return sum(
            first < end and start < last and (within is None or last <= within)
            for first, last in self.spans
        )

    def overhang(self, size: int, beyond: bytes) -> bytes:
        """What has to follow a block of `size` bytes before anything else does.

        Of what stands `beyond` it, as much as values take that run past its end; where a pointer
        leads to just behind it, zeros: a directory without entries, as there was none.
        """
        kept, behind = self._behind(size, len(beyond))
        end = max(behind, default=size - len(_NO_ENTRIES)) + len(_NO_ENTRIES)
        return beyond[:kept].ljust(end - size, b"\0")

    def moved(self, size: int, reach: int, beyond: bytes) -> frozenset[int]:
        """The lost directories that are read out of what moves when a block of `size` bytes grows.

        What follows it ends at `reach`; beyond that nobody reads.
        """
        _, behind = self._behind(size, len(beyond))
        return frozenset(at for at in self.lost - behind if at < reach)

    def _behind(self, size: int, most: int) -> tuple[int, frozenset[int]]:
        """How far values run past the end, if by at most `most`; lost directories behind those."""
        past = max((last - size for _, last in self.spans if 0 < last - size <= most), default=0)
        return past, self.lost.intersection(range(size + past, size + most))


def usage(block: Block) -> Usage:
    """What the block's header, directories and their entries use."""
    spans = [_HEADER]
    lost, shared = set[int](), set[int]()
    counted = True
    try:
        for directory in block.directories(lost, shared):
            spans.append((directory.at, directory.at + directory.size))
            spans += [(e.value_at, e.value_at + e.size) for e in directory.entries if not e.inline]
            named = [[directory.find(tag) for tag in pair] for pair in _DATA_POINTERS]
            counts = [entry.value_count for pair in named for entry in pair if entry]
            counted = counted and max(len(spans), *counts, 0) <= _MOST_SPANS
            for offsets, lengths in (map(block.numbers, pair) for pair in named if counted):
                for at, size in zip(offsets, lengths, strict=False):
                    if at is not None and size is not None:
                        spans.append((int(at), int(at + size)))
    except Damaged:
        lost.add(0)
    return Usage(tuple(spans), counted and not lost, frozenset(lost), frozenset(shared))


def places(
    block: Block, used: Usage, sizes: Sequence[int], *, end: int, greatest: int, padding: bool
) -> list[int]:
    """An even offset for each size: in padding, else at the block's end; together if they can be.

    `end` is where that is, with what has to follow it; `greatest` is the length in bytes that the
    block may reach. `padding` says whether zeros inside it may be written over. Raises Refused.
    """
    runs = free_runs(block, used) if padding else []
    end, total = _even(end), sum(map(_even, sizes))
    fitting = [run for run in runs if run[1] - run[0] >= total]
    if fitting or end + total <= greatest:
        # The run at the block's end is taken before the longest.
        fitting.sort(key=lambda run: (run[1] < block.size, run[0] - run[1]))
        start = fitting[0][0] if fitting else end
        return list(accumulate(map(_even, sizes), initial=start))[: len(sizes)]
    found = [0] * len(sizes)
    for n in sorted(range(len(sizes)), key=lambda n: -sizes[n]):
        size = _even(sizes[n])
        run = next((run for run in runs if run[1] - run[0] >= size), None)
        if run is not None:
            found[n], runs[runs.index(run)] = run[0], (run[0] + size, run[1])
        elif end + size <= greatest:
            found[n], end = end, end + size
        else:
            raise Refused(
                f"the Exif block is full: {block.size} of {greatest} bytes, "
                "and no padding in it is long enough"
            )
    return found


def free_runs(block: Block, used: Usage) -> list[Span]:
    """The runs of zeros that nothing refers to, each starting at an even offset."""
    if not used.complete:
        return []
    spans = {*used.spans, *_maker_note_claims(block)}
    taken = sorted((start, end) for start, end in spans if start < end)
    found = []
    for match in re.finditer(rb"\0{%d,}" % _SHORTEST_RUN, block.read(0, block.size)):
        for start, end in _without(match.span(), taken):
            if start and not any(first < start <= last for first, last in taken):
                start += _MARGIN
            if end < block.size and not any(first <= end < last for first, last in taken):
                end -= _MARGIN
            if end - _even(start) >= _SHORTEST_RUN:
                found.append((_even(start), end))
    return found


def _without(run: Span, taken: Sequence[Span]) -> Iterator[Span]:
    start, end = run
    for first, last in taken:
        if last <= start or first >= end:
            continue
        if first > start:
            yield start, first
        start = max(start, last)
    if start < end:
        yield start, end


def _even(number: int) -> int:
    """TIFF 6.0 has directories and values begin on a word boundary."""
    return number + number % 2


def _maker_note_claims(block: Block) -> list[Span]:
    """What the MakerNote may refer to outside itself.

    Makers keep the layout secret, but most lay it out like a TIFF directory behind a short lead;
    its offsets count from the block's start, from its own, or from a header inside it. All three
    readings are kept free.
    """
    notes = [e for d in block.directories() for e in d.entries if e.tag == MAKER_NOTE]
    if len(notes) > _MOST_NOTES:
        return [(0, block.size)]
    return [span for note in notes if block.holds(note) for span in _claims(block, note)]


_DEEPEST_LEAD = 32


def _claims(block: Block, note: Entry) -> Iterator[Span]:
    end = note.value_at + note.size
    for lead in range(0, min(_DEEPEST_LEAD, note.size), 2):
        for order in "<>":
            rows = _rows_like_entries(block, order, note.value_at + lead, end)
            for size, offset in rows:
                for base in (0, note.value_at, note.value_at + max(0, lead - 8)):
                    if base + offset + size <= block.size:
                        yield base + offset, base + offset + size
            if rows:
                return


def _rows_like_entries(block: Block, order: str, at: int, end: int) -> list[tuple[int, int]]:
    """Size and offset of each value out of line, if a directory of sound entries starts here."""
    if at + 2 > end:
        return []
    data = block.read(at, end)
    (count,) = struct.unpack_from(order + "H", data)
    if not 1 <= count <= 512 or at + 2 + ENTRY_SIZE * count > end:
        return []
    found = []
    for n in range(count):
        _, kind, values, offset = struct.unpack_from(order + "HHII", data, 2 + ENTRY_SIZE * n)
        if kind not in TYPE_SIZES or values > block.size:
            return []
        size = TYPE_SIZES[kind] * values
        if size > 4:
            found.append((size, offset))
    return found
