"""From one file to a [Frame]: what its Exif says (CIPA DC-008), by our own reader."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from flangeback.formats import Damaged, FileReader, FrameFile, recognised
from flangeback.formats.frame_file import Metadata
from flangeback.formats.jpeg import Jpeg
from flangeback.formats.tiff_block import Directory
from flangeback.frames.lens_data import lens_data_of_exif, lens_data_of_packet, lens_fields
from flangeback.frames.model import CameraTime, Exposure, FocalPlane, Frame, filled, is_blank

_MAKE, _MODEL = 0x010F, 0x0110
_TIMES = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012))
"""DateTimeOriginal, then DateTimeDigitized, each with its sub-seconds and offset."""
_CHANGED = (0x0132, 0x9290, 0x9010)
"""The main directory's DateTime, with them."""
_BODY_SERIAL = 0xA431
_EXIF_VERSION = 0x9000
_EXPOSURE_TIME, _SHUTTER_SPEED_VALUE = 0x829A, 0x9201
_SENSITIVITY, _SENSITIVITIES = 0x8827, (0x8832, 0x8831, 0x8833)
"""PhotographicSensitivity, 16 bits wide, and where a greater one stands:
RecommendedExposureIndex, StandardOutputSensitivity, ISOSpeed."""
_FULL = 0xFFFF
_WIDTH, _HEIGHT = 0xA002, 0xA003
_DIGITAL_ZOOM = 0xA404
_PLANE_X, _PLANE_Y, _PLANE_UNIT = 0xA20E, 0xA20F, 0xA210
_UNITS = {2: Fraction(254, 10), 3: Fraction(10)}
"""mm in FocalPlaneResolutionUnit: inch and centimetre."""
_GPS_TIME, _GPS_DATE = 0x07, 0x1D

_DATE_TIME = re.compile(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)")
_YEARS = range(1900, 2200)
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")


def read_frame(folder: Path, file: str) -> Frame:
    """Read the head of a frame's file.

    What is damaged, or no picture, comes back with `damage`, never as an error. Raises OSError when
    the file can't be opened or read.
    """
    return recognised_frame(folder, file) or damaged_frame(folder, file, Jpeg)


def damaged_frame(folder: Path, file: str, format: type[FrameFile]) -> Frame:
    """A file that should be a frame's and isn't."""
    status = (folder / file).stat()
    what = "the file is empty" if status.st_size == 0 else f"the content isn't {format.title}"
    return Frame(file, folder, status.st_size, status.st_mtime_ns, damage=what, format=format)


def recognised_frame(folder: Path, file: str) -> Frame | None:
    """Read the head of a file; None when its content isn't a frame's. Raises OSError."""
    with FileReader(os.path.join(folder, file)) as reader:  # noqa: PTH118 (see Frame.source)
        source = recognised(reader)
        if source is None:
            return None
        try:
            said = _said(source.metadata(), source.packets)
            said |= {"is_sealed": source.is_sealed, "may_refuse": source.may_refuse}
        except Damaged as damage:
            said = {"damage": str(damage)}
        assert reader.identity is not None
        device, inode, size, modified_ns = reader.identity
        known = _shared(device), inode, size, modified_ns
        return Frame(file, folder, size, modified_ns, format=type(source), identity=known, **said)


@lru_cache(maxsize=1024)
def _shared(value: Any) -> Any:
    """The first of equal values: the frames of an outing have many of each."""
    return value


def _said(metadata: Metadata | None, packets: Sequence[bytes]) -> dict[str, Any]:
    """What a file's metadata say, as a frame's fields."""
    in_packets = map(lens_data_of_packet, packets)
    if metadata is None:
        return lens_fields(*in_packets)
    main, exif, gps = metadata
    width, height = exif.whole(_WIDTH) or 0, exif.whole(_HEIGHT) or 0
    pixels = _shared((width, height)) if min(width, height) > 0 else None
    zoom = filled(exif.number(_DIGITAL_ZOOM))
    lens = lens_fields(lens_data_of_exif(exif), lens_data_of_exif(main), *in_packets)
    return {
        "make": _shared(main.text(_MAKE)) or None,
        "model": _shared(main.text(_MODEL)) or None,
        "serial": None if is_blank(exif.text(_BODY_SERIAL)) else _shared(exif.text(_BODY_SERIAL)),
        "time": _camera_time(exif) or _camera_time(main),
        **{name: _shared(value) for name, value in lens.items()},
        "exposure": _shared(_exposure(exif)),
        "focal_plane": None if pixels is None else _shared(_focal_plane(exif, pixels)),
        "pixels": pixels,
        # 0 and 1 stand for none (CIPA DC-008).
        "digital_zoom": zoom if zoom is not None and zoom > 1 else None,
        "gps_time": _gps_time(gps),
        "exif_version": _shared(exif.text(_EXIF_VERSION)),
    }


def _camera_time(exif: Directory) -> CameraTime | None:
    for time, sub_seconds, offset in _TIMES:
        at = parse_date_time(exif.text(time))
        if at is not None:
            fraction = re.match(r"\d{1,6}", exif.text(sub_seconds))
            digits = fraction[0] if fraction else ""
            resolution = _shared(timedelta(microseconds=10 ** (6 - len(digits))))
            at = at.replace(microsecond=int(digits.ljust(6, "0")))
            return CameraTime(at, resolution, _shared(parse_offset(exif.text(offset))))
    return None


def alike_times(metadata: Metadata, at: datetime) -> tuple[int, ...]:
    """The tags by which a frame states a time as that of its digitizing, or of its last change.

    With them come those for sub-seconds and offset that are there.
    """
    main, exif, _ = metadata
    found: list[int] = []
    for directory, (time, *others) in ((exif, _TIMES[1]), (main, _CHANGED)):
        if parse_date_time(directory.text(time)) == at.replace(microsecond=0):
            found += [time, *(tag for tag in others if exif.find(tag) is not None)]
    return tuple(found)


def parse_date_time(text: str) -> datetime | None:
    """An Exif date and time, `YYYY:MM:DD HH:MM:SS`.

    None when it is blank or impossible, as a year is in which no camera's clock can stand.
    """
    found = _DATE_TIME.match(text)
    if found is None or int(found[1]) not in _YEARS:
        return None
    try:
        return datetime(*map(int, found.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def parse_offset(text: str) -> timedelta | None:
    """An Exif offset from UTC, `+02:00`; None when it is blank or impossible."""
    found = _OFFSET.fullmatch(text)
    if found is None or int(found[2]) > 14 or int(found[3]) > 59:
        return None
    offset = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return -offset if found[1] == "-" else offset


def _exposure(exif: Directory) -> Exposure:
    time = filled(exif.number(_EXPOSURE_TIME))
    speed = exif.number(_SHUTTER_SPEED_VALUE) if time is None else None
    if speed is not None and abs(speed) <= 20:
        time = Fraction(2 ** -float(speed)).limit_denominator(1 << 20)
    iso = exif.whole(_SENSITIVITY)
    if iso == _FULL:
        iso = next(filter(None, map(exif.whole, _SENSITIVITIES)), None)
    return Exposure(time, iso or None)


def _focal_plane(exif: Directory, pixels: tuple[int, int]) -> FocalPlane | None:
    across, down = (filled(exif.number(tag)) for tag in (_PLANE_X, _PLANE_Y))
    # The unit is the inch where none is stated (CIPA DC-008).
    unit = _UNITS.get(exif.whole(_PLANE_UNIT) or 2)
    if across is None or down is None or unit is None:
        return None
    return FocalPlane(*pixels, across / unit, down / unit)


def _gps_time(gps: Directory) -> datetime | None:
    """GPSDateStamp and GPSTimeStamp: UTC by definition. None where either is blank or broken."""
    if not gps.entries:
        return None
    day = parse_date_time(gps.text(_GPS_DATE) + " 00:00:00")
    parts = gps.numbers(_GPS_TIME)[:3]
    sizes = zip(parts, (3600, 60, 1), strict=False)
    past = sum(part * size if part is not None else 86_400 for part, size in sizes)
    if day is None or len(parts) < 3 or not 0 <= past < 86_400:
        return None
    return day.replace(tzinfo=UTC) + timedelta(microseconds=int(past * 1_000_000))
