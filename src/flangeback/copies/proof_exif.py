"""Proof of a copy's Exif data: what ExifRead finds in the copy, and found in the source.

Nothing here uses the reader or the tables that the writing relied on.
"""

from __future__ import annotations

import io
import logging
import re
import struct
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, BinaryIO, Literal, cast

from flangeback.copies.faults import ProofError
from flangeback.copies.proof_files import rows
from flangeback.copies.stated import Stated, fraction, numbers
from flangeback.formats import Damaged

_MAKER_NOTE = 0x927C
_EXIF_POINTER = 0x8769
"""Turned to the new directory; what it leads to is compared tag by tag."""

_ASCII, _SHORT, _LONG, _RATIONAL = 2, 3, 4, 5
"""Types of values (TIFF 6.0, section 2)."""
_NUMBERS = {
    "FNumber": _RATIONAL,
    "ApertureValue": _RATIONAL,
    "MaxApertureValue": _RATIONAL,
    "FocalLength": _RATIONAL,
    "LensSpecification": _RATIONAL,
    "FocalLengthIn35mmFilm": _SHORT,
}
"""Tags whose values are numbers (CIPA DC-008, 4.6.5 and 4.6.6); all others written are ASCII."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What ExifRead finds in a file.

    Each tag's type and values; which of them run past the block's end; the MakerNote's offset from
    the block's start and its bytes; the block's byte order; the file, and where the block starts in
    it.
    """

    tags: Mapping[str, tuple[int, Any]]
    overrunning: frozenset[str]
    maker_note: tuple[int, bytes] | None
    order: str | None
    file: BinaryIO
    base: int = 0


def read(file: BinaryIO, block_size: int | None) -> Reading:
    """Reads a file with ExifRead. `block_size` is the length in bytes of its Exif block.

    Raises Damaged where ExifRead can't, OSError.
    """
    try:
        return _read(file, block_size)
    except OSError:
        raise
    except Exception as error:  # A damaged block makes it raise almost anything.
        raise Damaged(f"ExifRead can't read the Exif block: {error}") from error


def _read(file: BinaryIO, block_size: int | None) -> Reading:
    import exifread
    from exifread.core.exceptions import ExifNotFound, InvalidExif
    from exifread.core.find_exif import determine_type

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    file.seek(0)
    try:
        base, order, _ = determine_type(file)
    except (ExifNotFound, InvalidExif):
        return Reading({}, frozenset(), None, None, file)
    mark = "<" if order == b"I" else ">"
    bounded = cast(BinaryIO, _Bounded(file, *_pointing(file, base, mark)))
    tags = exifread.process_file(bounded, details=False, truncate_tags=False)
    pointer = tags.get("Image ExifOffset")
    tagged = {name: tag for name, tag in tags.items() if not isinstance(tag, bytes)}
    pointers = {name for name, tag in tagged.items() if tag.tag == _EXIF_POINTER}
    found = {name: _plain(tag) for name, tag in tags.items() if name not in pointers}
    size = sys.maxsize if block_size is None else block_size
    past = {
        name
        for name, tag in tagged.items()
        if tag.field_length > 4 and tag.field_offset + tag.field_length > size
    }
    start, length = (tags.get(f"Thumbnail JPEGInterchangeFormat{end}") for end in ("", "Length"))
    if start and length and start.values[0] + length.values[0] > size:
        past.add("JPEGThumbnail")
    outside = tuple(_outside(file, base, mark, tags, size))
    past |= {name for name in tags if name.startswith(outside)}
    note = _maker_note(file, base, mark, pointer.values[0], size) if pointer else None
    return Reading(found, frozenset(past), note, mark, file, base)


def _pointing(file: BinaryIO, base: int, order: str) -> tuple[int, bytes]:
    """What the pointer to the Exif directory should have for its type and count, and where.

    A common writer keeps the directory as a text where it stood (as seen).
    """
    for row in rows(file, base, order, _first(file, base, order)):
        if row.tag == _EXIF_POINTER and row.type == _ASCII and row.count > 4:
            return base + row.at + 2, struct.pack(order + "HI", _LONG, 1)
    return 0, b""


def _first(file: BinaryIO, base: int, order: str) -> int:
    file.seek(base + 4)
    return int(struct.unpack(order + "I", file.read(4))[0])


class _Bounded:
    """A file that ExifRead may read from: a read of a made-up count would claim all memory.

    The bytes at `at` read as `instead`.
    """

    def __init__(self, file: BinaryIO, at: int, instead: bytes) -> None:
        self._file, self._at, self._instead = file, at, instead
        self._size = file.seek(0, io.SEEK_END)
        file.seek(0)
        self.seek, self.tell = file.seek, file.tell

    def read(self, count: int = -1) -> bytes:
        start = self.tell()
        left = max(0, min(self._size - start, _LONGEST_READ))
        data = bytearray(self._file.read(left if count < 0 else min(count, left)))
        for n, byte in enumerate(self._instead, self._at - start):
            if 0 <= n < len(data):
                data[n] = byte
        return bytes(data)


_LONGEST_READ = 1 << 24


def _plain(tag: Any) -> tuple[int, Any]:
    """A tag's type and values, in a form that compares.

    Floats (ExifRead has them in tuples) are texts: NaN isn't equal to itself.
    """
    if isinstance(tag, bytes):
        return 0, tag
    if not isinstance(tag.values, list):
        return int(tag.field_type), tag.values
    plain = int | str | bytes
    values: list[Any] = [
        one if isinstance(one, plain) or hasattr(one, "num") else repr(one) for one in tag.values
    ]
    return int(tag.field_type), [(v.num, v.den) if hasattr(v, "num") else v for v in values]


def _outside(
    file: BinaryIO, base: int, order: str, tags: Mapping[str, Any], block_size: int
) -> Iterator[str]:
    """How the names of tags begin that say nothing of their own.

    ExifRead finds them in directories behind the block, or in the main one once more.
    """
    main = _first(file, base, order)
    file.seek(base + main + 2 + 12 * len(rows(file, base, order, main)))
    following = struct.unpack(order + "I", file.read(4).ljust(4, b"\0"))
    interop = tags.get("EXIF InteroperabilityOffset")
    for group, offsets in (
        ("Thumbnail ", following),
        ("Interoperability ", interop.values if interop else ()),
    ):
        if any(at + 2 > block_size or at == main for at in offsets[:1] if isinstance(at, int)):
            yield group


def _maker_note(
    file: BinaryIO, base: int, order: str, at: int, block_size: int
) -> tuple[int, bytes] | None:
    """The MakerNote's place and bytes, straight from the directory that ExifRead found.

    What runs past the block's end isn't its own.
    """
    for row in rows(file, base, order, at):
        if row.tag == _MAKER_NOTE and row.count > 4:
            file.seek(base + row.value)
            inside = max(0, min(row.count, block_size - row.value))
            return row.value, file.read(min(inside, _LONGEST_READ))
    return None


_MANDATORY = frozenset(
    [f"Image {name}" for name in ("XResolution", "YResolution", "ResolutionUnit")]
    + [f"EXIF {name}" for name in ("ExifVersion", "ComponentsConfiguration", "FlashPixVersion")]
    + [f"EXIF {name}" for name in ("ColorSpace", "ExifImageWidth", "ExifImageLength")]
    + ["Image YCbCrPositioning"]
)
"""What a new block has besides the values (CIPA DC-008, 4.6.8), as ExifRead names it."""


def check_tags(before: Reading, after: Reading, stated: Stated) -> None:
    """Raises ProofError unless every value reads back and every other tag reads as before.

    A value that ran past the block's end was made out of other bytes; it isn't the file's word.
    """
    check_values(after, stated)
    passed_over = {f"EXIF {name}" for name in stated.values} | before.overrunning
    passed_over |= {f"Image {name}" for name in stated.values}
    passed_over |= {_LENS_INFO} if "LensSpecification" in stated.values else set()
    if stated.values and not before.tags:
        passed_over |= _MANDATORY
    for name in (before.tags.keys() | after.tags.keys()) - passed_over:
        if before.tags.get(name) != after.tags.get(name):
            raise ProofError(f"the tag {name} no longer reads the same")
    if not _same_note(before, after):
        raise ProofError("the MakerNote is no longer the same bytes in the same place")
    if before.order is not None and before.order != after.order:
        raise ProofError("the byte order changed")


def check_kept(before: Reading, after: Reading, stated: Stated) -> None:
    """Raises ProofError unless another program that wrote in place left alone what the body wrote.

    It may have changed the tags by which people describe a picture.
    """
    passed_over = {f"{where} {name}" for name in stated.values for where in ("EXIF", "Image")}
    passed_over |= {_LENS_INFO} | before.overrunning | _DESCRIPTIVE
    for name in before.tags.keys() - passed_over:
        if before.tags[name] != after.tags.get(name) and not _OFFSETS.search(name):
            raise ProofError(f"the tag {name} no longer reads the same")
    if (before.maker_note or (0, b""))[1] != (after.maker_note or (0, b""))[1]:
        raise ProofError("the MakerNote is no longer the same bytes")


_DESCRIPTIVE = frozenset(
    f"Image {name}"
    for name in (
        "ImageDescription", "Software", "DateTime", "Artist", "Copyright", "Orientation", "Rating",
        "XPTitle", "XPComment", "XPAuthor", "XPKeywords", "XPSubject", "IPTC/NAA", "ImageResources",
        "ApplicationNotes",
    )
) | {"EXIF UserComment"}  # fmt: skip
"""Tags by which people and catalogues describe a picture, as ExifRead names them (common
practice)."""
_OFFSETS = re.compile(r"Offsets?$|SubIFDs?$|GPS|JPEGInterchangeFormat$")
"""What counts from the block's start; and the place, which catalogues know better."""


def _same_note(before: Reading, after: Reading) -> bool:
    """A note that the source's end cut short may have other bytes behind it now.

    Where the bytes differ otherwise, it is by the offsets of previews, which still lead to them.
    """
    if before.maker_note is None or after.maker_note is None:
        return before.maker_note is after.maker_note
    (at, old), (place, new) = before.maker_note, after.maker_note
    if at != place or len(new) < len(old):
        return False
    differing = [n for n in range(len(old)) if old[n] != new[n]]
    while differing:
        places = range(max(0, differing[0] - 3), differing[0] + 1)
        led = next((n for n in places if _preview(before, n) & _preview(after, n)), None)
        if led is None:
            return False
        differing = [n for n in differing if n > led + 3]
    return True


_BYTE_ORDERS: tuple[Literal["little", "big"], ...] = ("little", "big")


def _preview(reading: Reading, place: int) -> set[int]:
    """The JPEGs to which an offset at this place in the MakerNote may lead.

    Each by its distance from the file's end: the offset counts from the block, the note, or a
    header in it.
    """
    at, note = reading.maker_note or (0, b"")
    file, found = reading.file, set[int]()
    size = file.seek(0, io.SEEK_END)
    for order in _BYTE_ORDERS:
        offset = int.from_bytes(note[place : place + 4], order)
        for base in (0, *(at + lead for lead in (0, 6, 8, 10, 12, 18))):
            start = reading.base + base + offset
            file.seek(min(start, size))
            if file.read(3) == b"\xff\xd8\xff":
                found.add(size - start)
    return found


def check_values(after: Reading, stated: Stated) -> None:
    """Raises ProofError unless ExifRead found each value as a value of its standard type.

    A text has to be as it is, a number within half a unit of its last digit.
    """
    for name, text in stated.values.items():
        own = f"{'Image' if name == _CHANGED else 'EXIF'} {name}"
        if own not in after.tags:
            raise ProofError(f"{name} isn't there")
        _check_value(name, text, *after.tags[own])
        # The main directory may state it too; a DNG file has the specification there.
        above = (f"Image {name}", *([_LENS_INFO] if name == "LensSpecification" else []))
        for place in above:
            if place in after.tags:
                _check_value(name, text, *after.tags[place])


_LENS_INFO = "Image Tag 0xC630"
_CHANGED = "DateTime"
"""It stands in the main directory (TIFF 6.0; CIPA DC-008, 4.6.4)."""


def _check_value(name: str, text: str, kind: int, found: Any) -> None:
    wanted = _NUMBERS.get(name, _ASCII)
    if kind != wanted:
        raise ProofError(f"{name} is of type {kind}, not {wanted}")
    if not (found == text if wanted == _ASCII else _close(found, text)):
        raise ProofError(f"{name} reads {_shown(found)}, not {text}")


def _shown(found: Any) -> str:
    """Values as a manifest has them: a rational is "28/10"."""
    values = found if isinstance(found, list) else [found]
    return " ".join("/".join(map(str, v)) if isinstance(v, tuple) else str(v) for v in values)


def _close(found: Sequence[Any], text: str) -> bool:
    wanted = numbers(text)
    if len(found) != len(wanted):
        return False
    for one, (top, below) in zip(found, wanted, strict=True):
        read = fraction(*one) if isinstance(one, tuple) else Fraction(one)
        written = fraction(top, below)
        if read is None or written is None:
            if read is not written:
                return False
        elif abs(read - written) > Fraction(1, 2 * below):
            return False
    return True
