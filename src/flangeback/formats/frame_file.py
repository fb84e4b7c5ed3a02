"""What every format is: how to recognise its files, and what can be asked of one."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import ClassVar, NamedTuple, Self

from flangeback.formats import xmp
from flangeback.formats.reader import Damaged, FileReader
from flangeback.formats.splices import Refused, Splice, in_order
from flangeback.formats.tiff_block import (
    EXIF_DIRECTORY,
    GPS_DIRECTORY,
    NO_DIRECTORY,
    Block,
    Directory,
)
from flangeback.tags.table import Tag, TagValue

_DIGITS = str.maketrans("", "", "-:T ")
_THUMBNAIL_AT, _THUMBNAIL_SIZE = 0x0201, 0x0202
SEVERAL_BLOCKS = "the Exif data are in several places"
CUT_SHORT = "the file is cut short: data that it names run past its end"


class Metadata(NamedTuple):
    """The directories that Exif data are in (CIPA DC-008, 4.5); one that isn't there is empty."""

    main: Directory
    exif: Directory
    gps: Directory


class FrameFile(ABC):
    """One file of a frame, of the format that the class is named after.

    Its parts are worked out when they are asked for; they raise Damaged where they can't be read.
    What is asked for inside `with` is read in one go.

    `code` is what a manifest calls the format, `title` what people do; a file of it has a `mark` at
    an offset. Files with one of the `suffixes` are taken for this format when their content says
    nothing. Of several files of one frame, that with the lowest `rank` describes it.
    """

    code: ClassVar[str]
    title: ClassVar[str]
    mark: ClassVar[tuple[int, bytes]]
    suffixes: ClassVar[tuple[str, ...]] = ()
    rank: ClassVar[int] = 9
    is_raw: ClassVar[bool] = False

    def __init__(self, reader: FileReader) -> None:
        self.reader = reader

    def __enter__(self) -> Self:
        self.reader.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.reader.__exit__()

    @classmethod
    def recognises(cls, reader: FileReader) -> bool:
        """Whether a file's content is of this format."""
        at, mark = cls.mark
        return reader.read(at, at + len(mark)) == mark

    @property
    @abstractmethod
    def exif(self) -> Block | None:
        """The TIFF block that holds the Exif data; None without one."""

    def metadata(self) -> Metadata | None:
        """The directories of the Exif data; None without any. Raises Damaged."""
        block = self.exif
        if block is None:
            return None
        main = block.main()
        exif, gps = main.child(EXIF_DIRECTORY), None
        with suppress(Damaged):  # Nothing else depends on it.
            gps = main.child(GPS_DIRECTORY)
        return Metadata(main, exif or NO_DIRECTORY, gps or NO_DIRECTORY)

    @property
    def packets(self) -> Sequence[bytes]:
        """The XMP packets; readers differ in which one they take. An empty one is none."""
        return ()

    @property
    def packet(self) -> bytes:
        """The one that an edit brings into agreement: the first."""
        return next(iter(self.packets), b"")

    @property
    def is_sealed(self) -> bool:
        """Whether a seal covers the file, which any change breaks (C2PA specification).

        It is in the file, or kept elsewhere and the XMP packet leads to it.
        """
        marks = b"http://purl.org/dc/terms/", b":provenance"
        is_elsewhere = any(all(mark in packet for mark in marks) for packet in self.packets)
        return is_elsewhere or self.holds_seal

    @property
    def holds_seal(self) -> bool:
        """Whether the file holds its seal."""
        return False

    @property
    def is_cut_short(self) -> bool:
        """Whether data that the file names run past its end. Raises Damaged."""
        return False

    @property
    def may_refuse(self) -> bool:
        """Whether an edit may be refused as far as a look at the file's structure tells.

        A raw file's values go into a sidecar, where nobody asks for another way.
        """
        return not self.is_raw

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        """Why these values can't go into the file itself, so that a sidecar has to take them."""
        if self.is_cut_short:
            return CUT_SHORT
        is_against = any(xmp.agreed(one, values) is not None for one in self.packets[1:])
        return "another XMP packet in it states other values" if is_against else None

    def refusal(self, values: Sequence[TagValue]) -> str | None:
        """Why an edit with these values would be refused; None where it wouldn't."""
        try:
            self.edit(values)
        except Refused as why:
            return str(why)
        return None

    @property
    def remark(self) -> str | None:
        """What an edit leaves alone that a person should know of."""
        is_lost = not all(map(xmp.is_readable, filter(None, self.packets)))
        return "XMP in it that can't be read is left alone" if is_lost else None

    def edit(
        self, values: Sequence[TagValue], *, add_packet: bool = False, date: str | None = None
    ) -> tuple[Splice, ...]:
        """The splices that put `values` into this file's metadata.

        An XMP packet that states one of them is brought into agreement; `add_packet` has all of
        them stated in a packet; `date` is that of the change (ISO 8601), for a packet that has one.

        Raises Refused when that can't be done without moving a byte.
        """
        self.refuse_other_time(values)
        packet = self.packet_after(values, add_packet=add_packet, date=date)
        return in_order(self.splices(values, packet))

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        """Those for the values, and for the packet where that isn't None. Raises Refused."""
        raise Refused(f"{self.title} is read, but not written")

    @property
    def iptc(self) -> bytes:
        """What holds the IPTC record (Information Interchange Model); empty without one."""
        return b""

    def refuse_other_time(self, values: Sequence[TagValue]) -> None:
        """Raises Refused where the IPTC record has another date or time created (2:55, 2:60)."""
        time = next((value for value in values if value.tag == Tag.DATE_TIME_ORIGINAL), None)
        if time is None:
            return
        record, digits = self.iptc, time.text.translate(_DIGITS).encode()
        for mark, stated in (
            (b"\x1c\2\x37\0\x08", digits[:8]),
            (b"\x1c\2\x3c\0\x0b", digits[8:14]),
        ):
            _, found, text = record.partition(mark)
            if found and not text.startswith(stated):
                raise Refused("its IPTC record states another time")

    def packet_after(
        self, values: Sequence[TagValue], *, add_packet: bool, date: str | None
    ) -> bytes | None:
        """The file's packet after an edit; None where it stays, or is none. Raises NotXmp."""
        if not self.packet:
            return xmp.new_packet(values) if add_packet else None
        change = xmp.stating if add_packet else xmp.agreed
        return change(self.packet, values, date=date)

    def preview(self, longest: int) -> bytes | None:
        """The embedded JPEG of at most `longest` bytes that shows the picture; None without one.

        It is the thumbnail, in the second directory (IFD1; CIPA DC-008, 4.5.4).
        """
        return thumbnail(self.exif, longest)


def thumbnail(block: Block | None, longest: int) -> bytes | None:
    """The JPEG that the second directory of an Exif block names; None without one."""
    following = 0 if block is None else block.main().next
    if block is None or not following:
        return None
    return jpeg_of(Directory(block, following), longest)


def jpeg_of(directory: Directory, longest: int) -> bytes | None:
    """The JPEG that a directory names, if it is no longer than asked for."""
    block = directory.block
    at, size = directory.offset(_THUMBNAIL_AT), directory.offset(_THUMBNAIL_SIZE)
    return block.read(at, at + size) if at and size and size <= longest else None
