"""Proof by an independent reader: what ExifRead finds in the copy, and found in the source.

Nothing here uses the reader that the writing relied on.
"""

from __future__ import annotations

import io
import logging
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, BinaryIO, cast

from flangeback.containers.tiff import Damaged
from flangeback.copies.transfer import ProofError
from flangeback.tags.table import TagValue

_MAKER_NOTE = 0x927C
_EXIF_POINTER = 0x8769
"""Turned to the new directory; what it leads to is compared tag by tag."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What ExifRead sees: each tag's type and values; which of them run past the block's end; the
    MakerNote's offset from the block's start and its bytes; the block's byte order."""

    tags: Mapping[str, tuple[Any, Any]]
    overrunning: frozenset[str]
    maker_note: tuple[int, bytes] | None
    order: str | None


def look(file: BinaryIO, block_size: int | None) -> Seen:
    """Reads a file with ExifRead. `block_size` is the length in bytes of its Exif block.

    Raises Damaged where ExifRead can't, OSError.
    """
    try:
        return _look(file, block_size)
    except OSError:
        raise
    except Exception as error:  # A damaged block makes it raise almost anything.
        raise Damaged(f"ExifRead can't read the Exif block: {error}") from error


def _look(file: BinaryIO, block_size: int | None) -> Seen:
    import exifread
    from exifread.core.exceptions import ExifNotFound, InvalidExif
    from exifread.core.find_exif import determine_type

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    tags = exifread.process_file(cast(BinaryIO, _Bounded(file)), details=False, truncate_tags=False)
    file.seek(0)
    try:
        base, order, _ = determine_type(file)
    except (ExifNotFound, InvalidExif):
        return Seen({}, frozenset(), None, None)
    found = {name: _plain(tag) for name, tag in tags.items() if not _is_pointer(tag)}
    past = frozenset(name for name, tag in tags.items() if _runs_past(tag, block_size))
    if _thumbnail_runs_past(tags, block_size):
        past |= {"JPEGThumbnail"}
    pointer = tags.get("Image ExifOffset")
    mark = "<" if order == b"I" else ">"
    note = _maker_note(file, base, mark, pointer.values[0], block_size) if pointer else None
    return Seen(found, past, note, mark)


class _Bounded:
    """A file that ExifRead may read from: a read of a made-up count would claim all memory."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._size = file.seek(0, io.SEEK_END)
        file.seek(0)
        self.seek, self.tell = file.seek, file.tell

    def read(self, count: int = -1) -> bytes:
        left = max(0, min(self._size - self.tell(), _LONGEST_READ))
        return self._file.read(left if count < 0 else min(count, left))


_LONGEST_READ = 1 << 24


def _plain(tag: Any) -> tuple[Any, Any]:
    """A tag's type and values, in a form that compares."""
    if isinstance(tag, bytes):
        return "thumbnail", tag
    values = tag.values
    if isinstance(values, list):
        values = [(v.num, v.den) if hasattr(v, "num") else _comparable(v) for v in values]
    return str(tag.field_type), values


def _comparable(value: Any) -> Any:
    """Floats (ExifRead has them in tuples) as text: NaN isn't equal to itself."""
    return value if isinstance(value, int | str | bytes) else repr(value)


def _is_pointer(tag: Any) -> bool:
    return not isinstance(tag, bytes) and bool(tag.tag == _EXIF_POINTER)


def _runs_past(tag: Any, block_size: int | None) -> bool:
    if block_size is None or isinstance(tag, bytes):
        return False
    return bool(tag.field_length > 4 and tag.field_offset + tag.field_length > block_size)


def _thumbnail_runs_past(tags: Mapping[str, Any], block_size: int | None) -> bool:
    start, length = (tags.get(f"Thumbnail JPEGInterchangeFormat{end}") for end in ("", "Length"))
    if block_size is None or not start or not length:
        return False
    return bool(start.values[0] + length.values[0] > block_size)


def _maker_note(
    file: BinaryIO, base: int, order: str, at: int, block_size: int | None
) -> tuple[int, bytes] | None:
    """The MakerNote's place and bytes, straight from the directory that ExifRead found; what runs
    past the block's end isn't its own."""
    file.seek(base + at)
    head = file.read(2)
    if len(head) < 2:
        return None
    (count,) = struct.unpack(order + "H", head)
    rows = file.read(12 * count)
    for n in range(len(rows) // 12):
        tag, _, size, offset = struct.unpack_from(order + "HHII", rows, 12 * n)
        if tag == _MAKER_NOTE and size > 4:
            file.seek(base + offset)
            inside = size if block_size is None else max(0, min(size, block_size - offset))
            return offset, file.read(min(inside, 1 << 24))
    return None


def check_tags(before: Seen, after: Seen, values: Sequence[TagValue]) -> None:
    """Raises ProofError unless every value reads back and every other tag reads as before.

    A value that ran past the block's end was made out of other bytes; it isn't the file's word.
    """
    for value in values:
        check_value(after, value)
    passed_over = {f"EXIF {value.name}" for value in values} | before.overrunning
    for name in (before.tags.keys() | after.tags.keys()) - passed_over:
        if before.tags.get(name) != after.tags.get(name):
            raise ProofError(f"the tag {name} no longer reads the same")
    if not _same_note(before.maker_note, after.maker_note):
        raise ProofError("the MakerNote is no longer the same bytes in the same place")
    if before.order is not None and before.order != after.order:
        raise ProofError("the byte order changed")


def _same_note(before: tuple[int, bytes] | None, after: tuple[int, bytes] | None) -> bool:
    """A note that the source's end cut short may have other bytes behind it now."""
    if before is None or after is None:
        return before is after
    return before[0] == after[0] and after[1].startswith(before[1])


def check_value(after: Seen, value: TagValue) -> None:
    """Raises ProofError unless ExifRead found this value, within half a unit of its last digit."""
    kind, found = after.tags.get(f"EXIF {value.name}", (None, None))
    if kind is None:
        raise ProofError(f"{value.name} isn't there")
    if not (found == value.value if isinstance(value.value, str) else _close(found, value)):
        raise ProofError(f"{value.name} reads {found}, not {value.value}")


def _close(found: Any, value: TagValue) -> bool:
    if not isinstance(found, list):
        return False
    numbers = list(_numbers(found))
    wanted = list(value.numbers)
    if len(numbers) != len(wanted):
        return False
    return all(
        one == other if one is None or other is None else abs(one - other) <= unit / 2
        for one, other, unit in zip(numbers, wanted, _units(value), strict=True)
    )


def _numbers(found: Sequence[Any]) -> Iterator[Fraction | None]:
    for item in found:
        top, below = item if isinstance(item, tuple) else (item, 1)
        yield Fraction(top, below) if below else None


def _units(value: TagValue) -> Iterator[Fraction]:
    """One unit of the last digit of each number written."""
    if isinstance(value.value, tuple):
        yield from (Fraction(1, below) if below else Fraction(0) for _, below in value.value)
    else:
        yield Fraction(0)
