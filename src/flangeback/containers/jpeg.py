"""JPEG files: the marker segments before the picture data (ITU-T T.81, annex B).

Only the head is read: the first 64 KiB in one go, and beyond them no more than the segments that
hold metadata. Segment names: Exif (CIPA DC-008, 4.7), XMP (ISO 16684-3), multi-picture index
(CIPA DC-007).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flangeback.containers.file import FileHead
from flangeback.containers.tiff import MAGIC, Block, Damaged

START = b"\xff\xd8\xff"
"""How a JPEG file starts: the start-of-image marker and the first byte of another."""

APP0, APP1, APP2 = 0xE0, 0xE1, 0xE2
EXIF_NAME = b"Exif\0"
"""The Exif segment's name; a sixth byte, NUL or padding, follows before the TIFF block."""
XMP_NAME = b"http://ns.adobe.com/xap/1.0/\0"
EXTENDED_XMP_NAME = b"http://ns.adobe.com/xmp/extension/\0"
MULTI_PICTURE_NAME = b"MPF\0"
EXIF_LEAD = 6

_END, _SCAN = 0xD9, 0xDA
_WITHOUT_LENGTH = frozenset([0x01, *range(0xD0, 0xD9)])


@dataclass(frozen=True, slots=True)
class Segment:
    """A marker segment: `at` is the offset of its marker, `start` to `end` its contents."""

    marker: int
    at: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Head:
    """What stands before the picture data. Segments are None where the file has none."""

    segments: tuple[Segment, ...]
    exif: Segment | None
    xmp: Segment | None
    multi_picture: Segment | None
    has_extended_xmp: bool


def read_head(file: FileHead) -> Head:
    """The segments up to the first scan. Raises Damaged where they don't lead to one."""
    segments = tuple(_segments(file))
    named: dict[bytes, Segment] = {}
    for segment in segments:
        for name, marker in _NAMES.items():
            if segment.marker == marker and name not in named:
                contents = file.read(segment.start, min(segment.end, segment.start + len(name)))
                if contents == name:
                    named[name] = segment
    return Head(
        segments,
        named.get(EXIF_NAME),
        named.get(XMP_NAME),
        named.get(MULTI_PICTURE_NAME),
        EXTENDED_XMP_NAME in named,
    )


_NAMES = {EXIF_NAME: APP1, XMP_NAME: APP1, EXTENDED_XMP_NAME: APP1, MULTI_PICTURE_NAME: APP2}


@dataclass(frozen=True, slots=True)
class ExifBlock:
    """The Exif segment's TIFF block; `start` is its place in the file, `end` the segment's end."""

    block: Block
    segment: Segment
    start: int

    @property
    def end(self) -> int:
        return self.segment.end


def exif_block(file: FileHead, head: Head) -> ExifBlock | None:
    """The Exif block of a JPEG; None without one. Raises Damaged where it can't be read.

    A segment that has Exif's name, but neither TIFF's number nor a single entry, holds nothing
    that a reader could take: it counts as none.
    """
    segment = head.exif
    if segment is None:
        return None
    start = segment.start + EXIF_LEAD
    block = Block(file.read(start, segment.end))
    if block.magic != MAGIC:
        if not block.main().entries:
            return None
        raise Damaged(f"the Exif block isn't TIFF (its number is {block.magic}, not {MAGIC})")
    return ExifBlock(block, segment, start)


def _segments(file: FileHead) -> Iterator[Segment]:
    at = 2
    while True:
        marker_at = _marker(file, at)
        marker = file.read(marker_at + 1, marker_at + 2)[0]
        if marker in _WITHOUT_LENGTH:
            at = marker_at + 2
            continue
        if marker == _END:
            raise Damaged("the JPEG ends before any picture data")
        length = int.from_bytes(file.read(marker_at + 2, marker_at + 4), "big")
        end = marker_at + 2 + length
        if length < 2 or end > file.size:
            raise Damaged(f"the JPEG breaks off in the segment at byte {marker_at}")
        yield Segment(marker, marker_at, marker_at + 4, end)
        if marker == _SCAN:
            return
        at = end


def _marker(file: FileHead, at: int) -> int:
    """The offset of the 0xFF right before the next marker code, past any fill bytes."""
    pair = file.read(at, at + 2)
    while pair == b"\xff\xff":
        at += 1
        pair = file.read(at, at + 2)
    if len(pair) < 2:
        raise Damaged("the JPEG breaks off before any picture data")
    if pair[0] != 0xFF or pair[1] == 0:
        raise Damaged(f"no JPEG marker at byte {at}")
    return at
