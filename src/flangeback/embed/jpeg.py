"""Values into a JPEG file: the Exif segment, and what must follow it (ITU-T T.81, CIPA DC-008).

The edit is a list of splices; every byte outside them stays as it is. An XMP packet that states
one of the values is brought into agreement, and in a file with several pictures the first one's
size in the multi-picture index (CIPA DC-007) follows the growth.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from flangeback.containers.file import FileHead
from flangeback.containers.jpeg import (
    APP0,
    APP1,
    EXIF_LEAD,
    EXIF_NAME,
    MULTI_PICTURE_NAME,
    XMP_NAME,
    Head,
    Segment,
    exif_block,
    read_head,
)
from flangeback.containers.tiff import Block, Damaged
from flangeback.embed import xmp
from flangeback.embed.free_space import usage
from flangeback.embed.model import Refused, Splice, applied, changed, in_order
from flangeback.embed.tiff import LOST_DIRECTORY, edit_block
from flangeback.tags.table import TagValue

_LONGEST_CONTENTS = 65_533
"""A segment's length field has 16 bits and counts itself (ITU-T T.81, B.1.1.4)."""

GREATEST_BLOCK = _LONGEST_CONTENTS - EXIF_LEAD

_LONGEST_OVERHANG = 64
"""Bytes past a block's end up to which a value counts as cut short by a slip of its writer."""

_PICTURE_ENTRIES = 0xB002
_PICTURE_ENTRY_SIZE = 16


def edit_jpeg(
    file: FileHead, values: Sequence[TagValue], *, add_packet: bool = False
) -> tuple[Splice, ...]:
    """The splices that put `values` into this JPEG file.

    An XMP packet that states one of them is brought into agreement; `add_packet` has all of them
    stated in a packet, which is added where there is none. Raises Refused when there is no room
    without moving a byte, Damaged when the file's segments or the Exif block's directories can't
    be read.
    """
    head = read_head(file)
    splices = list(_exif(file, head, values))
    packet = _xmp(file, head, values, add_packet)
    _refuse_moving(file, head, packet)
    splices += packet
    return in_order([*splices, *_multi_picture(file, head, splices)])


def edit_jpeg_packet(file: FileHead, values: Sequence[TagValue]) -> tuple[Splice, ...]:
    """The splices that state `values` in the file's XMP packet alone, for an Exif block without
    room. Raises Refused, Damaged."""
    head = read_head(file)
    splices = _xmp(file, head, values, True)
    _refuse_moving(file, head, splices)
    return in_order([*splices, *_multi_picture(file, head, splices)])


def _exif(file: FileHead, head: Head, values: Sequence[TagValue]) -> Iterator[Splice]:
    found = exif_block(file, head)
    if found is None:
        at = _place_for_exif(head)
        yield Splice(at, at, _segment(EXIF_NAME + b"\0" + new_block(values)))
        return
    beyond = file.read(found.end, found.end + _LONGEST_OVERHANG)
    edit = edit_block(found.block, values, GREATEST_BLOCK, beyond)
    for splice in edit.splices:
        yield Splice(found.start + splice.start, found.start + splice.end, splice.data)
    if edit.appended:
        yield _longer(found.segment, len(edit.appended))
        yield Splice(found.end, found.end, edit.appended)


def new_block(values: Sequence[TagValue]) -> bytes:
    """A TIFF block with just these values in its Exif directory.

    piexif lays out the empty block; the values are put in like into any other, since piexif leaves
    out the pointer behind the Exif directory (TIFF 6.0, section 2), over which readers stumble.
    """
    import piexif

    empty = bytes(piexif.dump({}))[EXIF_LEAD:]
    edit = edit_block(Block(empty), values, GREATEST_BLOCK, padding=False)
    return applied(empty, edit.splices) + edit.appended


def _place_for_exif(head: Head) -> int:
    """Behind the start marker and JFIF's own segments, which must come first (ITU-T T.871)."""
    at = 2
    for segment in head.segments:
        if segment.marker != APP0:
            break
        at = segment.end
    return at


def _segment(contents: bytes) -> bytes:
    if len(contents) > _LONGEST_CONTENTS:
        raise Refused("the values don't fit into one segment")
    return struct.pack(">BBH", 0xFF, APP1, len(contents) + 2) + contents


def _longer(segment: Segment, growth: int) -> Splice:
    """The segment's length field after `growth` bytes more."""
    length = segment.end - segment.at - 2 + growth
    return Splice(segment.at + 2, segment.at + 4, struct.pack(">H", length))


def _xmp(file: FileHead, head: Head, values: Sequence[TagValue], add_packet: bool) -> list[Splice]:
    segment = head.xmp
    if segment is None:
        if not add_packet:
            return []
        at = head.exif.end if head.exif else _place_for_exif(head)
        return [Splice(at, at, _segment(XMP_NAME + xmp.new_packet(values)))]
    start = segment.start + len(XMP_NAME)
    packet = file.read(start, segment.end)
    fresh = xmp.stating(packet, values) if add_packet else xmp.agreed(packet, values)
    if fresh is None:
        return []
    growth = len(fresh) - len(packet)
    if segment.end - segment.start + growth > _LONGEST_CONTENTS:
        raise Refused("the XMP packet states lens data and is too full to change it")
    return [*([_longer(segment, growth)] if growth else []), changed(start, packet, fresh)]


def _refuse_moving(file: FileHead, head: Head, splices: Sequence[Splice]) -> None:
    """Raises Refused where bytes move that stand for a directory which runs out of the Exif
    block."""
    found = exif_block(file, head)
    if found is None or not sum(s.growth for s in splices if s.start >= found.end):
        return
    if usage(found.block).lost:
        raise Refused(LOST_DIRECTORY)


def _multi_picture(file: FileHead, head: Head, splices: Sequence[Splice]) -> Iterator[Splice]:
    """The index's first size, and the offsets of pictures that moved away from the index."""
    segment = head.multi_picture
    growth = sum(splice.growth for splice in splices)
    if segment is None or not growth:
        return
    base = segment.start + len(MULTI_PICTURE_NAME)
    try:
        block = Block(file.read(base, segment.end))
        index = block.main().find(_PICTURE_ENTRIES)
    except Damaged as damage:
        raise Refused(f"the multi-picture index can't be read: {damage}") from None
    if index is None or not block.holds(index):
        raise Refused("the multi-picture index has no entries")
    behind = sum(splice.growth for splice in splices if splice.start >= segment.end)
    for n in range(index.size // _PICTURE_ENTRY_SIZE):
        at = index.value_at + n * _PICTURE_ENTRY_SIZE + 4
        size, offset = struct.unpack(block.order + "II", block.read(at, at + 8))
        fresh = (size + growth, offset) if n == 0 else (size, offset + (behind if offset else 0))
        if max(fresh) >= 1 << 32:
            raise Refused("the multi-picture index's numbers can't follow the growth")
        if fresh != (size, offset):
            yield Splice(base + at, base + at + 8, struct.pack(block.order + "II", *fresh))
