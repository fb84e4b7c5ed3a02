"""TIFF files and raw files built like them (TIFF 6.0; TIFF/EP, ISO 12234-2; DNG specification).

An edit puts a new directory and values at the end of the file and turns one pointer to them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from functools import cached_property
from pathlib import PurePath
from typing import ClassVar

from flangeback.formats.frame_file import FrameFile, jpeg_of
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import (
    BIG_MAGIC,
    MAGIC,
    SUB_DIRECTORIES,
    XMP_PACKET,
    Block,
    Directory,
)
from flangeback.tags.table import TagValue

_GREATEST_FILE = 2**32 - 1
"""Offsets have 32 bits (TIFF 6.0, section 2)."""
_DISGUISES = frozenset([0x55, 0x4F52, 0x5352])
"""Numbers that raw files built like TIFF carry in the place of its 42 (common practice, from
memory)."""
_OWN_ORDERS = {b"IIII": "<", b"MMMM": ">"}
_RAW_MARKS = (b"CR", *_OWN_ORDERS)
"""What some of them have behind a header that is TIFF's own (common practice, as seen)."""
_OWN_NAME, _OWN_START, _OWN_LEAD, _OWN_ROW = 0x526177, 8, 8, 16
"""A directory of the maker's that begins with such a mark: its name in the second number, where it
starts, and the sizes of its parts."""
_IPTC = (0x83BB, 0x8649)
"""The IPTC record, and the resources of an editor that hold one (TIFF/EP; as seen)."""
_PICTURES = ((0x0111, 0x0117), (0x0144, 0x0145))
"""Places and sizes of strips and of tiles (TIFF 6.0)."""
_SEAL = 0xCD41
"""The tag that holds a seal (C2PA specification)."""
_DNG_VERSION, _SUBFILE_TYPE, _PHOTOMETRIC = 0xC612, 0x00FE, 0x0106
_RAW_PICTURES = (32803, 34892)
"""PhotometricInterpretation of raw data: a colour filter array (TIFF/EP, ISO 12234-2), linear raw
(DNG specification)."""


class Tiff(FrameFile):
    """A TIFF file."""

    code: ClassVar = "tiff"
    title: ClassVar = "TIFF"
    suffixes: ClassVar[tuple[str, ...]] = (".tif", ".tiff")
    rank: ClassVar = 2

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        return _number(reader) == MAGIC

    @cached_property
    def exif(self) -> Block:
        return Block(self.reader)

    @property
    def holds_seal(self) -> bool:
        return self.exif.main().find(_SEAL) is not None

    @cached_property
    def packets(self) -> Sequence[bytes]:
        return [self.exif.raw(self.exif.main().find(XMP_PACKET))]

    @property
    def iptc(self) -> bytes:
        main = self.exif.main()
        return b"".join(self.exif.raw(main.find(tag)) for tag in _IPTC)

    @cached_property
    def is_cut_short(self) -> bool:
        """What is appended to such a file would become a part of a picture or value in it."""
        from flangeback.formats.tiff_space import usage

        used = usage(self.exif)
        return bool(used.lost) or any(end > self.exif.size for _, end in used.spans)

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        """Readers take a picture without a place from byte 0: any edit would change it."""
        for found in self.exif.directories(lost=set()):
            if any(found.find(size) and not found.find(place) for place, size in _PICTURES):
                return "a directory doesn't say where its picture is"
        return super().obstacle(values)

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        from flangeback.formats.tiff_edit import edit_block

        if (why := self.obstacle(values)) is not None:
            raise Refused(why)
        block = self.exif
        edit = edit_block(block, values, _GREATEST_FILE, packet=packet, padding=False)
        return [*edit.splices, Splice(block.size, block.size, edit.appended)]


class BigTiff(Tiff):
    """A TIFF file with offsets of 64 bits. It is read, but not written."""

    code: ClassVar = "big-tiff"
    title: ClassVar = "BigTIFF"
    suffixes: ClassVar = ()
    rank: ClassVar = 3

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        return _number(reader) == BIG_MAGIC

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        return "BigTIFF is read, but not written"


class RawTiff(Tiff):
    """A raw file built like TIFF, DNG among them."""

    code: ClassVar = "raw-tiff"
    title: ClassVar = "TIFF-structured raw"
    suffixes: ClassVar = (".dng",)
    rank: ClassVar = 9
    is_raw: ClassVar = True

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        """Whether a TIFF block is a raw file's.

        Told by the number in the place of 42, by a mark behind the header, by a suffix that isn't
        TIFF's; else where it says that it holds raw data, or its main picture is a preview.
        """
        number = _number(reader)
        if number != MAGIC:
            return number in _DISGUISES
        suffix = "" if isinstance(reader.file, int) else PurePath(reader.file).suffix.lower()
        if reader.read(8, 12).startswith(_RAW_MARKS) or suffix not in ("", *Tiff.suffixes):
            return True
        try:
            return _holds_raw(Block(reader))
        except Damaged:
            return True  # Nobody can tell: what isn't plainly a picture isn't written into.

    @cached_property
    def is_cut_short(self) -> bool:
        return super().is_cut_short or self._own_end > self.reader.size

    @property
    def _own_end(self) -> int:
        """Where the data end that a directory of the maker's names; 0 without one (as seen).

        The number behind its name is the place of its rows; these have tag, type, length and
        place. All places count from the mark.
        """
        order = _OWN_ORDERS.get(self.reader.read(_OWN_START, _OWN_START + 4))
        if order is None or self._long(order, _OWN_START + 4) >> 8 != _OWN_NAME:
            return 0
        at = _OWN_START + self._long(order, _OWN_START + 8)
        end = at + _OWN_LEAD + _OWN_ROW * self._long(order, at)
        if end > self.reader.size:
            return end
        rows = struct.iter_unpack(order + "4I", self.reader.read(at + _OWN_LEAD, end))
        ends = (_OWN_START + place + length for _, _, length, place in rows if length > 4)
        return max(end, *map(int, ends))

    def _long(self, order: str, at: int) -> int:
        return int.from_bytes(self.reader.read(at, at + 4), "little" if order == "<" else "big")

    def preview(self, longest: int) -> bytes | None:
        """The smallest JPEG that a directory names."""
        found = [jpeg_of(one, longest) for one in self.exif.directories(lost=set())]
        return min((one for one in found if one), key=len, default=None)


def _number(reader: FileReader) -> int | None:
    """The number behind the byte order mark; None where there is no whole header."""
    head = reader.read(0, 16)
    if len(head) < 16 or head[:2] not in (b"II", b"MM"):
        return None
    return int.from_bytes(head[2:4], "little" if head[:2] == b"II" else "big")


def _holds_raw(block: Block) -> bool:
    main = block.main()
    subfile = main.number(_SUBFILE_TYPE)
    if main.find(_DNG_VERSION) is not None or (subfile is not None and int(subfile) & 1):
        return True
    below = [int(value) for value in main.numbers(SUB_DIRECTORIES)[:8] if value]
    pictures = (main, *(Directory(block, at) for at in below))
    return any(one.number(_PHOTOMETRIC) in _RAW_PICTURES for one in pictures)
