"""JPEG files: the marker segments before the picture data (ITU-T T.81, annex B).

No more is read than the segments that hold metadata. Their names: Exif (CIPA DC-008, 4.7), XMP
(ISO 16684-3), multi-picture index (CIPA DC-007). In an edit every byte outside the splices stays
as it is, but for offsets that lead past them (see jpeg_offsets).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import ClassVar, NamedTuple

from flangeback.formats import jpeg_offsets
from flangeback.formats.frame_file import FrameFile, thumbnail
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.splices import Refused, Splice, changed
from flangeback.formats.tiff_block import MAGIC, MAKER_NOTE, Block
from flangeback.tags.table import TagValue

_APP0, _APP1, _APP2, _APP11, _APP13 = 0xE0, 0xE1, 0xE2, 0xEB, 0xED
_END, _SCAN, _FILL = 0xD9, 0xDA, 0xFF
_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_WITHOUT_LENGTH = frozenset([0x01, *range(0xD0, 0xD9)])

_EXIF = b"Exif\0"
"""The Exif segment's name; a sixth byte, NUL or padding, follows before the TIFF block."""
_EXIF_LEAD = 6
_XMP = b"http://ns.adobe.com/xap/1.0/\0"
_EXTENDED_XMP = b"http://ns.adobe.com/xmp/extension/\0"
_MULTI_PICTURE = b"MPF\0"
_COLOUR_PROFILE = b"ICC_PROFILE\0"
_NAMES = {_APP1: (_EXIF, _XMP, _EXTENDED_XMP), _APP2: (_MULTI_PICTURE, _COLOUR_PROFILE)}
_LONGEST_NAME = len(_EXTENDED_XMP)

_LONGEST_CONTENTS = 65_533
"""A segment's length field has 16 bits and counts itself (ITU-T T.81, B.1.1.4)."""
_GREATEST_BLOCK = _LONGEST_CONTENTS - _EXIF_LEAD
_NEARLY_FULL = 60_000
_LONGEST_OVERHANG = 64
"""Bytes past a block's end up to which a value counts as cut short by a slip of its writer."""


class Segment(NamedTuple):
    """A marker segment: `at` is the offset of its marker, `start` to `end` its contents."""

    marker: int
    at: int
    start: int
    end: int


class Jpeg(FrameFile):
    """A JPEG file."""

    code: ClassVar = "jpeg"
    title: ClassVar = "JPEG"
    mark: ClassVar = (0, b"\xff\xd8\xff")
    """The start-of-image marker and the first byte of another."""
    suffixes: ClassVar = (".jpg", ".jpeg", ".jpe")
    rank: ClassVar = 0

    @cached_property
    def segments(self) -> tuple[Segment, ...]:
        """Those up to the first scan. Raises Damaged where they don't lead to one."""
        return tuple(_segments(self.reader))

    @cached_property
    def _named(self) -> Mapping[bytes, Sequence[Segment]]:
        """The segments of each name."""
        found: dict[bytes, list[Segment]] = {}
        for name, segment in self._with_names(self.segments):
            found.setdefault(name, []).append(segment)
        return found

    def _with_names(self, segments: Iterable[Segment]) -> Iterator[tuple[bytes, Segment]]:
        for segment in segments:
            if names := _NAMES.get(segment.marker):
                end = min(segment.end, segment.start + _LONGEST_NAME)
                start = self.reader.read(segment.start, end)
                yield from ((name, segment) for name in filter(start.startswith, names))

    def _first(self, name: bytes) -> Segment | None:
        return next(iter(self._named.get(name, ())), None)

    @property
    def exif_segment(self) -> Segment | None:
        return self._first(_EXIF)

    @property
    def xmp_segment(self) -> Segment | None:
        return self._first(_XMP)

    @property
    def multi_picture_segment(self) -> Segment | None:
        return self._first(_MULTI_PICTURE)

    @cached_property
    def exif(self) -> Block | None:
        """The Exif block, None without one.

        A segment with Exif's name, but neither TIFF's number nor a single entry, counts as none.
        """
        return self._block(self.exif_segment)

    def preview(self, longest: int) -> bytes | None:
        """That of the first Exif segment, up to which the file is read."""
        named = self._with_names(_segments(self.reader))
        first = next((segment for name, segment in named if name == _EXIF), None)
        return thumbnail(self._block(first), longest)

    def _block(self, segment: Segment | None) -> Block | None:
        if segment is None:
            return None
        block = Block(Stretch(self.reader, segment.start + _EXIF_LEAD, segment.end))
        if block.magic != MAGIC:
            if not block.main().entries:
                return None
            raise Damaged(f"the Exif block isn't TIFF (its number is {block.magic}, not {MAGIC})")
        return block

    @cached_property
    def packets(self) -> Sequence[bytes]:
        """That of the first segment of them, of further ones, and extended ones (ISO 16684-3).

        Each piece of these begins with a GUID of 32 digits, the whole's length and its own place.
        """
        read, named = self.reader.read, self._named
        standard = [read(s.start + len(_XMP), s.end) for s in named.get(_XMP, ())]
        pieces = sorted(read(s.start, s.end) for s in named.get(_EXTENDED_XMP, ()))
        if not standard and not pieces:
            return ()
        extended: dict[bytes, bytes] = {}
        for piece in pieces:
            guid = piece[: len(_EXTENDED_XMP) + 32]
            extended[guid] = extended.get(guid, b"") + piece[len(guid) + 8 :]
        return [*(standard or [b""]), *extended.values()]

    @property
    def iptc(self) -> bytes:
        found = (s for s in self.segments if s.marker == _APP13)
        return b"".join(self.reader.read(s.start, s.end) for s in found)

    @property
    def remark(self) -> str | None:
        scan, size = self.segments[-1].end, self.reader.size
        whole = self.reader.read(max(scan, size - 2), size) == jpeg_offsets.END_OF_IMAGE
        whole = whole or jpeg_offsets.picture_end(self.reader, scan) is not None
        told = (
            None if whole else "the picture breaks off: nothing marks its end",
            super().remark,
            "its extended XMP is left alone" if _EXTENDED_XMP in self._named else None,
        )
        return "; ".join(filter(None, told)) or None

    @property
    def holds_seal(self) -> bool:
        """Seals are in boxes of APP11 (ISO/IEC 19566-5)."""
        found = (s for s in self.segments if s.marker == _APP11)
        return any(b"c2pa" in self.reader.read(s.start, min(s.end, s.start + 64)) for s in found)

    @property
    def _has_several_exif(self) -> bool:
        return len(self._named.get(_EXIF, ())) > 1

    @property
    def may_refuse(self) -> bool:
        """Of the many of a card hardly one does but by what is seen at once."""
        return self._has_several_exif

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        if (against := super().obstacle(values)) is not None:
            return against
        places = filter(None, (self.exif_segment, self.xmp_segment))
        is_nearly_full = any(place.end - place.start > _NEARLY_FULL for place in places)
        is_doubtful = is_nearly_full or jpeg_offsets.has_absolute_trailer(self.reader)
        # What further segments of Exif data state isn't known, so that a sidecar could contradict.
        return self.refusal(values) if is_doubtful and not self._has_several_exif else None

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        exif, of_packet = list(self._exif_splices(values)), self._packet_splices(packet)
        self._refuse_moving(of_packet, exif)
        both = [*exif, *of_packet]
        return [*both, *self._offset_splices(both)]

    def _exif_splices(self, values: Sequence[TagValue]) -> Iterator[Splice]:
        from flangeback.formats.tiff_edit import applied_to, edit_block, new_block

        block, segment = self.exif, self.exif_segment
        if self._has_several_exif:
            raise Refused("the Exif data are in several segments")
        if block is None or segment is None:
            at = self._place_for_exif()
            profile = _COLOUR_PROFILE in self._named
            empty = new_block(self._pixels(), is_jpeg=True, has_profile=profile)
            fresh = applied_to(empty, values, _GREATEST_BLOCK)
            yield Splice(at, at, _app1(_EXIF + b"\0" + fresh))
            return
        start = segment.start + _EXIF_LEAD
        beyond = self.reader.read(segment.end, segment.end + _LONGEST_OVERHANG)
        edit = edit_block(block, values, _GREATEST_BLOCK, beyond, reach=self._reach(start))
        for splice in edit.splices:
            yield Splice(start + splice.start, start + splice.end, splice.data)
        if edit.appended:
            yield _longer(segment, len(edit.appended))
            yield Splice(segment.end, segment.end, edit.appended)

    def _pixels(self) -> tuple[int, int]:
        """Width and height, from the frame header (ITU-T T.81, B.2.2)."""
        header = next((s for s in self.segments if s.marker in _FRAME_HEADERS), None)
        data = b"" if header is None else self.reader.read(header.start + 1, header.start + 5)
        if len(data) < 4:
            raise Damaged("the JPEG has no frame header")
        height, width = struct.unpack(">HH", data)
        return width, height

    def _place_for_exif(self) -> int:
        """Behind the start marker and JFIF's own segments, which must come first (ITU-T T.871)."""
        at = 2
        for segment in self.segments:
            if segment.marker != _APP0:
                break
            at = segment.end
        return at

    def _packet_splices(self, fresh: bytes | None) -> list[Splice]:
        segment, packet = self.xmp_segment, self.packet
        if fresh is None:
            return []
        if segment is None:
            at = self.exif_segment.end if self.exif_segment else self._place_for_exif()
            return [Splice(at, at, _app1(_XMP + fresh))]
        growth = len(fresh) - len(packet)
        if segment.end - segment.start + growth > _LONGEST_CONTENTS:
            raise Refused("the XMP packet states lens data and is too full to change it")
        longer = [_longer(segment, growth)] if growth else []
        return [*longer, changed(segment.start + len(_XMP), packet, fresh)]

    def _refuse_moving(self, packet: Sequence[Splice], exif: Sequence[Splice]) -> None:
        """Raises Refused where bytes move that a directory which runs out of the Exif block has.

        A block that grew has no such directory, or leads into itself by now.
        """
        from flangeback.formats.tiff_edit import LOST_DIRECTORY
        from flangeback.formats.tiff_space import usage

        block, segment = self.exif, self.exif_segment
        if block is None or segment is None or any(s.start == segment.end for s in exif):
            return
        reach = self._reach(segment.start + _EXIF_LEAD)
        is_moving = sum(s.growth for s in packet if s.start >= segment.end)
        if is_moving and any(at < reach for at in usage(block).lost):
            raise Refused(LOST_DIRECTORY)

    def _reach(self, start: int) -> int:
        """Where the file ends at the most, counted from where the Exif block starts."""
        return self.reader.size - start + 2 * _LONGEST_CONTENTS

    def _offset_splices(self, splices: Sequence[Splice]) -> Iterator[Splice]:
        """What counts past the places where bytes are added, and has to follow."""
        if not sum(splice.growth for splice in splices):
            return
        if jpeg_offsets.has_absolute_trailer(self.reader):
            raise Refused("the file ends with a trailer (AFCP) whose offsets count from its start")
        index = self.multi_picture_segment
        if index is not None:
            base = index.start + len(_MULTI_PICTURE)
            yield from jpeg_offsets.multi_picture_index(self.reader, base, index.end, splices)
        metadata, segment = self.metadata(), self.exif_segment
        note = None if metadata is None else metadata.exif.find(MAKER_NOTE)
        if note is not None and segment is not None and metadata is not None:
            start, scan = segment.start + _EXIF_LEAD, self.segments[-1].end
            if metadata.exif.block.holds(note):
                yield from jpeg_offsets.note_previews(self.reader, scan, start, note, splices)


def _app1(contents: bytes) -> bytes:
    if len(contents) > _LONGEST_CONTENTS:
        raise Refused("the values don't fit into one segment")
    return struct.pack(">BBH", 0xFF, _APP1, len(contents) + 2) + contents


def _longer(segment: Segment, growth: int) -> Splice:
    """The segment's length field after `growth` bytes more."""
    length = segment.end - segment.at - 2 + growth
    return Splice(segment.at + 2, segment.at + 4, struct.pack(">H", length))


def _segments(file: FileReader) -> Iterator[Segment]:
    at, read, size = 2, file.read, file.size
    while True:
        head = read(at, at + 4)
        if len(head) < 2:
            raise Damaged("the JPEG breaks off before any picture data")
        marker = head[1]
        if marker == _FILL and head[0] == _FILL:
            at += 1
            continue
        if head[0] != 0xFF or marker == 0:
            raise Damaged(f"no JPEG marker at byte {at}")
        if marker in _WITHOUT_LENGTH:
            at += 2
            continue
        if marker == _END:
            raise Damaged("the JPEG ends before any picture data")
        length = int.from_bytes(head[2:], "big")
        end = at + 2 + length
        if length < 2 or end > size:
            raise Damaged(f"the JPEG breaks off in the segment at byte {at}")
        yield Segment(marker, at, at + 4, end)
        if marker == _SCAN:
            return
        at = end
