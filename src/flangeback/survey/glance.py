"""The fast way to a frame's lens data: one read, one pass over each directory.

It takes JPEG files, and raw files built like TIFF, that are laid out as the standards ask (ITU-T
T.81, annex B; TIFF 6.0; CIPA DC-008). Whatever is out of the ordinary is told by [Unusual], and
left to the frame reader, which has the patience.
"""

from __future__ import annotations

import os
import struct
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from flangeback.containers.jpeg import START
from flangeback.frames.model import is_blank
from flangeback.frames.reading import parse_date_time, parse_offset
from flangeback.survey.model import Sight

_MAKE, _MODEL, _EXIF, _GPS = 0x010F, 0x0110, 0x8769, 0x8825
_F_NUMBER, _APERTURE_VALUE, _MAX_APERTURE_VALUE = 0x829D, 0x9202, 0x9205
_TIME, _TIME_DIGITIZED = 0x9003, 0x9004
_FOCAL_LENGTH, _FOCAL_LENGTH_35MM = 0x920A, 0xA405
_BODY_SERIAL, _LENS_SPECIFICATION, _LENS_MODEL = 0xA431, 0xA432, 0xA434
_OFFSETS = {_TIME: 0x9011, _TIME_DIGITIZED: 0x9012}
_GPS_TIME, _GPS_DATE = 0x0007, 0x001D

_DNG_VERSION, _SUBFILE_TYPE = 0xC612, 0x00FE
_RAW_NUMBERS = (b"\x55\0", b"RO", b"RS")
"""What raw files built like TIFF carry in the place of its 42, little-endian (see
containers.kinds)."""

_MAIN_TAGS = frozenset([_MAKE, _MODEL, _EXIF, _GPS])
_RAW_TAGS = frozenset([_DNG_VERSION, _SUBFILE_TYPE])
_EXIF_TAGS = frozenset(
    (
        *(_F_NUMBER, _APERTURE_VALUE, _MAX_APERTURE_VALUE, _FOCAL_LENGTH, _FOCAL_LENGTH_35MM),
        *(_BODY_SERIAL, _LENS_SPECIFICATION, _LENS_MODEL, *_OFFSETS, *_OFFSETS.values()),
    )
)
_GPS_TAGS = frozenset([_GPS_TIME, _GPS_DATE])

_ASCII, _SHORT, _LONG, _RATIONAL = 2, 3, 4, 5
_START_OF_SCAN, _APP1 = 0xDA, 0xE1
_SEGMENT = struct.Struct(">BBH")
_WIDEST_APEX = 20
"""Beyond it an ApertureValue says nothing, as for the frame reader."""


class Unusual(Exception):
    """The file isn't plain enough for a glance."""


Entries = dict[int, tuple[int, int, bytes]]
"""Type, count and the last four bytes of the first entry of each tag."""

_AT_HAND = 16_384
"""Bytes read at first: mostly all the Exif there is, but for the thumbnail."""
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)
"""So that a pipe, which is no frame, doesn't hold anything up."""


def glance(path: str, file: str) -> Sight:
    """The frame at `path`, shown as `file`.

    Raises Unusual where the frame reader has to look, OSError where the file can't be read.
    """
    descriptor = os.open(path, _FLAGS)
    try:
        data = os.pread(descriptor, _AT_HAND, 0)
        found = _exif_segment(descriptor, data)
        if found is None:
            return Sight(file)
        if data[found[0] : found[0] + 4] not in (b"II*\0", b"MM\0*"):
            raise Unusual
        start, end = found
        return _sight(file, _Values(data[start:end], descriptor, start, end - start))
    finally:
        os.close(descriptor)


def glance_raw(path: str, file: str) -> Sight:
    """The raw file at `path`, where it is built like TIFF and plainly says that it is raw.

    Raises Unusual where the frame reader has to look, OSError where the file can't be read.
    """
    descriptor = os.open(path, _FLAGS)
    try:
        data = os.pread(descriptor, _AT_HAND, 0)
        values = _Values(data, descriptor, 0, os.fstat(descriptor).st_size)
        if data[2:4] in (b"*\0", b"\0*"):
            main = values.main(_RAW_TAGS)
            kind = main.get(_SUBFILE_TYPE, (_LONG, 1, bytes(4)))
            reduced = kind[:2] == (_LONG, 1) and values.integer(kind[2]) & 1
            if _DNG_VERSION not in main and not reduced:
                raise Unusual
        elif data[2:4] not in _RAW_NUMBERS:
            raise Unusual
        return _sight(file, values)
    finally:
        os.close(descriptor)


def _exif_segment(descriptor: int, data: bytes) -> tuple[int, int] | None:
    """Where the TIFF block stands; None without one. The whole way to the scan is walked, as a
    file cut short before it is damaged. `data` is how the file begins."""
    if data[:3] != START:
        raise Unusual
    at, found = 2, None
    while True:
        marker = data[at : at + 10]
        if len(marker) < 10:
            marker = os.pread(descriptor, 10, at)
            if len(marker) < 4:
                raise Unusual
        lead, kind, length = _SEGMENT.unpack_from(marker)
        end = at + 2 + length
        # Markers without a length, and fill bytes, are rare here.
        if lead != 0xFF or kind < 0xC0 or 0xD0 <= kind <= 0xD9 or kind == 0xFF or length < 2:
            raise Unusual
        if kind == _APP1 and found is None and marker[4:9] == b"Exif\0":
            found = at + 10, end
        if kind == _START_OF_SCAN:
            if end > len(data) and end > os.fstat(descriptor).st_size:
                raise Unusual
            return found
        at = end


def _sight(file: str, values: _Values) -> Sight:
    main = values.main(_MAIN_TAGS)
    exif = values.child(main, _EXIF, _EXIF_TAGS)
    lens = _said(values.text(exif, _LENS_MODEL))
    at, offset = _camera_time(values, exif)
    specification = values.rationals(exif, _LENS_SPECIFICATION, 4)
    return Sight(
        file,
        values.text(main, _MAKE) or None,
        values.text(main, _MODEL) or None,
        _said(values.text(exif, _BODY_SERIAL)),
        at,
        offset,
        lens,
        lens is not None or any(specification[2:4]),
        _f_number(values, exif),
        values.rational(exif, _FOCAL_LENGTH),
        values.whole(exif, _FOCAL_LENGTH_35MM),
        _of_apex(values.rational(exif, _MAX_APERTURE_VALUE)),
        _gps(values, main),
    )


@lru_cache(maxsize=512)
def _text(value: bytes) -> str:
    """A text up to its first NUL: one string for all frames that say the same."""
    try:
        return value.split(b"\0", 1)[0].decode("ascii").strip()
    except UnicodeDecodeError:
        raise Unusual from None


@lru_cache(maxsize=256)
def _said(text: str) -> str | None:
    return None if is_blank(text) else text


_offset = lru_cache(maxsize=64)(parse_offset)


def _camera_time(values: _Values, exif: Entries) -> tuple[datetime | None, timedelta | None]:
    for time, offset in _OFFSETS.items():
        at = _date_time(values.text(exif, time))
        if at is not None:
            return at, _offset(values.text(exif, offset))
    return None, None


def _date_time(text: str) -> datetime | None:
    """As parse_date_time does; the usual form is read the quick way."""
    if len(text) == 19 and text[4] == text[7] == ":" and text[10] == " ":
        try:
            return datetime.fromisoformat(f"{text[:4]}-{text[5:7]}-{text[8:]}")
        except ValueError:
            pass
    return parse_date_time(text)


def _f_number(values: _Values, exif: Entries) -> float | None:
    """FNumber, else what ApertureValue means in APEX: N = 2^(Av/2)."""
    found = values.rational(exif, _F_NUMBER)
    return _of_apex(values.rational(exif, _APERTURE_VALUE)) if found is None else found


def _of_apex(value: float | None) -> float | None:
    return None if value is None or value > _WIDEST_APEX else round(2 ** (value / 2), 2)


def _gps(values: _Values, main: Entries) -> datetime | None:
    """GPSDateStamp and GPSTimeStamp, in UTC (CIPA DC-008, 4.6.7)."""
    gps = values.child(main, _GPS, _GPS_TAGS)
    hours, minutes, seconds = (*values.rationals(gps, _GPS_TIME, 3), 0.0, 0.0, 0.0)[:3]
    day = parse_date_time(values.text(gps, _GPS_DATE) + " 00:00:00")
    if day is None or _GPS_TIME not in gps or not (hours < 24 and minutes < 60 and seconds < 60):
        return None
    return day.replace(tzinfo=UTC) + timedelta(hours=hours, minutes=minutes, seconds=seconds)


class _Values:
    """The values of a TIFF block, as far as they are of the types the standard gives them."""

    __slots__ = ("_at_hand", "_descriptor", "_order", "_row", "_size", "_start")

    def __init__(self, at_hand: bytes, descriptor: int, start: int, size: int) -> None:
        """The block of `size` bytes at `start` of a file; `at_hand` is how it begins."""
        order = _ORDERS.get(at_hand[:2])
        if order is None or len(at_hand) < 16:
            raise Unusual
        self._at_hand = at_hand
        self._descriptor = descriptor
        self._start = start
        self._size = size
        self._order = order
        self._row = _ROWS[order]

    def _read(self, start: int, end: int) -> bytes:
        """Raises Unusual beyond the block's end."""
        if end <= len(self._at_hand):
            return self._at_hand[start:end]
        if end > self._size:
            raise Unusual
        found = os.pread(self._descriptor, end - start, self._start + start)
        if len(found) < end - start:
            raise Unusual
        return found

    def main(self, wanted: frozenset[int]) -> Entries:
        """The wanted entries of the first directory."""
        return self.directory(self.integer(self._at_hand[4:8]), wanted)

    def directory(self, at: int, wanted: frozenset[int]) -> Entries:
        """The wanted entries of a directory."""
        if at < 8:
            raise Unusual
        count = self.integer(self._read(at, at + 2))
        rows = self._read(at + 2, at + 2 + 12 * count)
        found: Entries = {}
        for tag, kind, number, value in self._row.iter_unpack(rows):
            if tag in wanted and tag not in found:
                found[tag] = kind, number, value
        return found

    def child(self, parent: Entries, tag: int, wanted: frozenset[int]) -> Entries:
        """The wanted entries of the directory that an entry points to; none without one."""
        entry = parent.get(tag)
        if entry is None:
            return {}
        kind, count, value = entry
        if kind != _LONG or count != 1:
            raise Unusual
        return self.directory(self.integer(value), wanted)

    def text(self, entries: Entries, tag: int) -> str:
        entry = entries.get(tag)
        if entry is None:
            return ""
        kind, count, value = entry
        if kind != _ASCII:
            raise Unusual
        return _text(self._stretch(value, count) if count > 4 else value[:count])

    def integer(self, value: bytes) -> int:
        """A whole number in the block's byte order."""
        return int.from_bytes(value, "little" if self._order == "<" else "big")

    def _stretch(self, value: bytes, size: int) -> bytes:
        start = self.integer(value)
        return self._read(start, start + size)

    def whole(self, entries: Entries, tag: int) -> int | None:
        entry = entries.get(tag)
        if entry is None:
            return None
        kind, count, value = entry
        if kind != _SHORT or count != 1:
            raise Unusual
        return self.integer(value[:2]) or None

    def rational(self, entries: Entries, tag: int) -> float | None:
        """A number above 0; None where it is absent, 0, or over 0."""
        found = self.rationals(entries, tag, 1)
        return found[0] or None if found else None

    def rationals(self, entries: Entries, tag: int, count: int) -> tuple[float, ...]:
        """So many numbers, 0 where one is over 0; none where the tag is absent."""
        entry = entries.get(tag)
        if entry is None:
            return ()
        kind, number, value = entry
        if kind != _RATIONAL or number != count:
            raise Unusual
        parts = struct.unpack(f"{self._order}{2 * count}I", self._stretch(value, 8 * count))
        if count == 1:
            return (parts[0] / parts[1] if parts[1] else 0.0,)
        return tuple(
            top / below if below else 0.0
            for top, below in zip(parts[::2], parts[1::2], strict=True)
        )


_ORDERS = {b"II": "<", b"MM": ">"}
_ROWS = {order: struct.Struct(order + "HHI4s") for order in "<>"}
