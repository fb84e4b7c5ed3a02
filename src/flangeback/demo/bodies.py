"""What the two made-up bodies write into their frames: Exif, blank where a lens can't speak.

Pillow and piexif are imported when a frame is made, not before.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from io import BytesIO
from random import Random
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

Ratio = tuple[int, int]

_SHUTTER = (
    8000, 6400, 5000, 4000, 3200, 2500, 2000, 1600, 1250, 1000, 800, 640, 500, 400,
    320, 250, 200, 160, 125, 100, 80, 60, 50, 40, 30, 25, 20, 15,
)  # fmt: skip
"""Shutter times, one over these, in thirds of a stop as bodies name them."""
_LIGHT = 13.0
"""Exposure value at ISO 100 of the harbour that morning, steady but for a cloud or two."""
_NOTE = b"@@maker-note-goes-here@@"
_NOTE_SIZE = 404


@dataclass(frozen=True, slots=True)
class Make:
    """A body as its frames' Exif shows it."""

    maker: str
    model: str
    iso: int
    crop: int
    """Whole-number crop factor, for FocalLengthIn35mmFilm."""
    serial: str | None = None
    offset: str | None = None
    split_seconds: bool = False


@dataclass(frozen=True, slots=True)
class Glass:
    """A lens that makes itself known: one of the body's own, or one registered in its menu."""

    maker: str
    model: str
    focal: int
    zoom: tuple[int, int]
    widest: Decimal
    serial: str | None = None


KESTRIN = Make("Kestrin", "Kestrin K7", 100, 1, serial="0071133", offset="+02:00")
NORRVIK = Make("Norrvik", "Norrvik N2", 200, 2, split_seconds=True)


@dataclass(frozen=True, slots=True)
class Exposure:
    """Shutter time in seconds, and by how many stops the picture came out over or under."""

    time: Fraction
    stops: float


def meter(make: Make, f_number: float, cloud: float = 0.0) -> Exposure:
    """What the body, on aperture priority, makes of the light: N^2 / (t S/100) = 2^EV."""
    wanted = f_number**2 * 100 / make.iso / 2 ** (_LIGHT + cloud)
    speed = min(_SHUTTER, key=lambda n: abs(math.log2(wanted * n)))
    return Exposure(Fraction(1, speed), math.log2(1 / speed / wanted))


@dataclass(frozen=True, slots=True)
class Record:
    """All that the body knows of one frame.

    `blank` is how it leaves out a lens it can't see; `registered` the focal length set for its
    stabiliser, in mm.
    """

    make: Make
    number: int
    camera_time: datetime
    exposure: Exposure
    glass: Glass | None = None
    f_number: Decimal | None = None
    blank: str = "dashes"
    registered: int | None = None
    upright: bool = False


def jpeg(picture: Picture, record: Record) -> bytes:
    """The frame as the body would store it."""
    import piexif
    from PIL import Image

    if record.upright:
        picture = picture.transpose(Image.Transpose.ROTATE_90)
    small = BytesIO()
    picture.resize((160, 107), reducing_gap=3.0).save(small, "JPEG", quality=75)
    exif = piexif.dump(
        {
            "0th": _main_tags(record),
            "Exif": _exif_tags(record, picture.size),
            "1st": {piexif.ImageIFD.Compression: 6},
            "thumbnail": small.getvalue(),
        }
    )
    out = BytesIO()
    picture.save(out, "JPEG", quality=85, exif=_with_maker_note(exif, record))
    return out.getvalue()


def _main_tags(record: Record) -> dict[int, Any]:
    from piexif import ImageIFD

    return {
        ImageIFD.Make: record.make.maker,
        ImageIFD.Model: record.make.model,
        ImageIFD.Orientation: 6 if record.upright else 1,
        ImageIFD.XResolution: (300, 1),
        ImageIFD.YResolution: (300, 1),
        ImageIFD.ResolutionUnit: 2,
        ImageIFD.Software: f"{record.make.model} v1.04",
        ImageIFD.DateTime: f"{record.camera_time:%Y:%m:%d %H:%M:%S}",
    }


def _exif_tags(record: Record, size: tuple[int, int]) -> dict[int, Any]:
    from piexif import ExifIFD

    stamp = f"{record.camera_time:%Y:%m:%d %H:%M:%S}"
    time = record.exposure.time
    tags: dict[int, Any] = {
        ExifIFD.ExifVersion: b"0232",
        ExifIFD.DateTimeOriginal: stamp,
        ExifIFD.DateTimeDigitized: stamp,
        ExifIFD.ExposureTime: (time.numerator, time.denominator),
        ExifIFD.ExposureProgram: 3,
        ExifIFD.ISOSpeedRatings: record.make.iso,
        ExifIFD.MeteringMode: 5,
        ExifIFD.ColorSpace: 1,
        ExifIFD.PixelXDimension: size[0],
        ExifIFD.PixelYDimension: size[1],
        ExifIFD.MakerNote: _NOTE.ljust(_NOTE_SIZE, b"@"),
    }
    if record.make.serial:
        tags[ExifIFD.BodySerialNumber] = record.make.serial
    if record.make.offset:
        tags[ExifIFD.OffsetTimeOriginal] = record.make.offset
    if record.make.split_seconds:
        tags[ExifIFD.SubSecTimeOriginal] = f"{record.camera_time.microsecond // 10_000:02d}"
    return tags | (_lens_tags(record) if record.glass else _blank_tags(record))


def _lens_tags(record: Record) -> dict[int, Any]:
    """What is written with a lens the body knows."""
    from piexif import ExifIFD

    glass, f_number = record.glass, record.f_number
    assert glass
    assert f_number
    tags: dict[int, Any] = {
        ExifIFD.FNumber: ratio(f_number),
        ExifIFD.ApertureValue: _apex(f_number),
        ExifIFD.MaxApertureValue: _apex(glass.widest),
        ExifIFD.FocalLength: (glass.focal, 1),
        ExifIFD.FocalLengthIn35mmFilm: glass.focal * record.make.crop,
        ExifIFD.LensSpecification: (
            (glass.zoom[0], 1),
            (glass.zoom[1], 1),
            ratio(glass.widest),
            ratio(glass.widest),
        ),
        ExifIFD.LensMake: glass.maker,
        ExifIFD.LensModel: glass.model,
    }
    if glass.serial:
        tags[ExifIFD.LensSerialNumber] = glass.serial
    return tags


def _blank_tags(record: Record) -> dict[int, Any]:
    """The ways bodies have of saying that they see no lens."""
    from piexif import ExifIFD

    styles: dict[str, dict[int, Any]] = {
        "absent": {},
        "empty": {ExifIFD.FNumber: (0, 0), ExifIFD.LensModel: "", ExifIFD.LensMake: ""},
        "dashes": {
            ExifIFD.FNumber: (0, 0),
            ExifIFD.FocalLength: (0, 1),
            ExifIFD.FocalLengthIn35mmFilm: 0,
            ExifIFD.LensSpecification: ((0, 0),) * 4,
            ExifIFD.LensModel: "----",
        },
        "zeros": {
            ExifIFD.FNumber: (0, 1),
            ExifIFD.FocalLength: (0, 1),
            ExifIFD.LensSpecification: ((0, 1),) * 4,
            ExifIFD.LensModel: "0 mm f/0",
        },
    }
    tags = styles[record.blank]
    if record.registered:
        tags[ExifIFD.FocalLength] = (record.registered, 1)
        tags[ExifIFD.FocalLengthIn35mmFilm] = record.registered * record.make.crop
    return tags


def ratio(value: Decimal) -> Ratio:
    """The exact rational, in tenths where that does: 2.8 is 28/10."""
    tenths = value * 10
    if tenths == tenths.to_integral_value():
        return int(tenths), 10
    fraction = Fraction(value)
    return fraction.numerator, fraction.denominator


def _apex(f_number: Decimal) -> Ratio:
    return round(200 * math.log2(f_number)), 100


def _with_maker_note(exif: bytes, record: Record) -> bytes:
    """The block with the MakerNote in its place.

    Its offsets count from the start of the TIFF block, and are known once that is laid out.
    """
    at = exif.index(_NOTE)
    note = _maker_note(at - len(b"Exif\0\0"), record)
    assert len(note) == _NOTE_SIZE
    return exif[:at] + note + exif[at + _NOTE_SIZE :]


def _maker_note(at: int, record: Record) -> bytes:
    """A directory of four entries and, behind it, their values; `at` is its place in the block."""
    head = 2 + 4 * 12 + 4
    firmware = f"{record.make.model} fw 1.04".encode().ljust(24, b"\0")
    counters = struct.pack(">4I", 1_000_000 + record.number, 4711, record.number, 2026)
    tuning = Random(record.number).randbytes(_NOTE_SIZE - head - 24 - 16)
    entries = struct.pack(">H", 4)
    entries += struct.pack(">HHII", 0x0001, 7, 4, 0x30313030)
    entries += struct.pack(">HHII", 0x0007, 2, 24, at + head)
    entries += struct.pack(">HHII", 0x0010, 4, 4, at + head + 24)
    entries += struct.pack(">HHII", 0x0020, 7, len(tuning), at + head + 40)
    return entries + struct.pack(">I", 0) + firmware + counters + tuning
