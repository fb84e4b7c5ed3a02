"""Values into a HEIF or AVIF file: the Exif item anew at the end, its location turned to it.

The coded picture, and the old item, stay where they are (ISO/IEC 14496-12, 8.11.3).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from flangeback.containers.file import FileHead
from flangeback.containers.heif import ExifItem, Field, exif_item, top_boxes
from flangeback.embed.model import Refused, Splice, applied, in_order
from flangeback.embed.tiff import NOTHING, edit_block
from flangeback.tags.table import TagValue

_LARGEST = 2**32 - 1


class NoExifItem(Refused):
    """The file has no Exif item to write to."""


def edit_heif(file: FileHead, values: Sequence[TagValue]) -> tuple[Splice, ...]:
    """The splices that put `values` into this file's Exif item.

    Raises Refused where it has none, or its location can't be turned, Damaged where its boxes
    can't be read.
    """
    item = exif_item(file)
    if item is None:
        raise NoExifItem("the file has no Exif item")
    edit = edit_block(item.block, values, _LARGEST, NOTHING)
    block = applied(item.data[item.lead :], edit.splices) + edit.appended
    data = item.data[: item.lead] + block
    lead, start = _wrapping(file, len(data))
    splices = [Splice(file.size, file.size, lead + data)]
    splices += _turned(item, start, len(data))
    return in_order(splices)


def _wrapping(file: FileHead, size: int) -> tuple[bytes, int]:
    """The head of a media data box for the new item, and where the item then starts. A last box
    that runs to the end of the file takes it without one, if it is a media data box itself."""
    last = max(top_boxes(file), key=lambda box: box.at, default=None)
    if last is None or last.end != file.size:
        raise Refused("the file doesn't end with a whole box")
    if last.open_ended:
        if last.type != b"mdat":
            raise Refused("the file's last box is open-ended and not for media data")
        return b"", file.size
    return struct.pack(">I4s", size + 8, b"mdat"), file.size + 8


def _turned(item: ExifItem, start: int, size: int) -> Iterator[Splice]:
    """The location's fields for an item of `size` bytes at `start` in the file."""
    location = item.location
    if len(location.extents) > 1:
        raise Refused(f"the Exif item is in {len(location.extents)} extents")
    extent = location.extents[0]
    if location.method != 0:
        # Only the table's version 0 has no method field, and there the method is always 0.
        assert location.method_at is not None
        yield Splice(location.method_at, location.method_at + 2, b"\0\0")
    # The whole offset goes into one field: some readers pass over the base.
    if extent.offset.width:
        yield _number(extent.offset, start)
        yield _number(location.base, 0)
    elif location.base.width:
        yield _number(location.base, start)
    else:
        raise Refused("the Exif item's location has no offset field")
    if not extent.length.width:
        raise Refused("the Exif item's location has no length field")
    yield _number(extent.length, size)


def _number(field: Field, value: int) -> Splice:
    if not 0 <= value < 1 << (8 * field.width):
        raise Refused(f"the Exif item's location has no room for {value}")
    return Splice(field.at, field.at + field.width, value.to_bytes(field.width, "big"))
