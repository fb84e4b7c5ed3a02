"""What the two made-up bodies write into their frames: Exif, blank where a lens can't speak."""

from __future__ import annotations

import math
import struct
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from io import BytesIO
from random import Random
from typing import Any, NamedTuple

import piexif
from piexif import ExifIFD, ImageIFD
from PIL import Image

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


class Make(NamedTuple):
    """A body as its frames' Exif shows it."""

    maker: str
    model: str
    iso: int
    crop: int
    """Whole-number crop factor, for FocalLengthIn35mmFilm."""
    ahead: timedelta
    """How far its clock was ahead."""
    serial: str | None = None
    offset: str | None = None
    split_seconds: bool = False


class Glass(NamedTuple):
    """A lens that makes itself known: one of the body's own, or one registered in its menu."""

    maker: str
    model: str
    focal: int
    zoom: tuple[int, int]
    widest: Decimal
    serial: str | None = None


KESTRIN = Make(
    "Kestrin", "Kestrin K7", 100, 1, timedelta(minutes=3, seconds=20), "0071133", "+02:00"
)
NORRVIK = Make(
    "Norrvik", "Norrvik N2", 200, 2, timedelta(hours=1, minutes=7, seconds=23), split_seconds=True
)
_ZOOM = ("Kestrin", "Kestrin 24-70mm F4")
GLASS = {
    "named58": Glass("Ostrava Optik", "Miran 58mm f/2", 58, (58, 58), Decimal(2), "6612345"),
    "native20": Glass("Norrvik", "Norrvik 20mm F1.8", 20, (20, 20), Decimal("1.8")),
    **{f"native{focal}": Glass(*_ZOOM, focal, (24, 70), Decimal(4)) for focal in (24, 35, 70)},
}


def meter(make: Make, f_number: float, cloud: float = 0.0) -> tuple[Fraction, float]:
    """What the body, on aperture priority, makes of the light: N^2 / (t S/100) = 2^EV.

    The shutter time in seconds, and by how many stops the picture comes out over or under.
    """
    wanted = f_number**2 * 100 / make.iso / 2 ** (_LIGHT + cloud)
    speed = min(_SHUTTER, key=lambda n: abs(math.log2(wanted * n)))
    return Fraction(1, speed), math.log2(1 / speed / wanted)


class Release(NamedTuple):
    """All that the body knows of one frame.

    `shutter` is in seconds, `glass` a lens that makes itself known; `blank` is how it leaves out
    one that doesn't; `registered` the focal length set for its stabiliser, in mm.
    """

    make: Make
    number: int
    camera_time: datetime
    shutter: Fraction
    glass: Glass | None
    f_number: Decimal
    blank: str
    registered: int | None
    upright: bool


def jpeg(picture: Image.Image, release: Release) -> bytes:
    """The frame as the body would store it."""
    if release.upright:
        picture = picture.transpose(Image.Transpose.ROTATE_90)
    small = BytesIO()
    picture.resize((160, 107), reducing_gap=3.0).save(small, "JPEG", quality=75)
    exif = piexif.dump(
        {
            "0th": {
                ImageIFD.Make: release.make.maker,
                ImageIFD.Model: release.make.model,
                ImageIFD.Orientation: 6 if release.upright else 1,
                ImageIFD.XResolution: (300, 1),
                ImageIFD.YResolution: (300, 1),
                ImageIFD.ResolutionUnit: 2,
                ImageIFD.Software: f"{release.make.model} v1.04",
                ImageIFD.DateTime: f"{release.camera_time:%Y:%m:%d %H:%M:%S}",
            },
            "Exif": _exif_tags(release, picture.size),
            "1st": {ImageIFD.Compression: 6},
            "thumbnail": small.getvalue(),
        }
    )
    # The offsets in a MakerNote count from the start of the block: now it is known where that lies.
    at = exif.index(_NOTE)
    note = _maker_note(at - len(b"Exif\0\0"), release)
    out = BytesIO()
    whole = exif[:at] + note + exif[at + _NOTE_SIZE :]
    picture.save(out, "JPEG", quality=85, exif=whole)
    return out.getvalue()


def _exif_tags(release: Release, size: tuple[int, int]) -> dict[int, Any]:
    stamp = f"{release.camera_time:%Y:%m:%d %H:%M:%S}"
    tags: dict[int, Any] = {
        ExifIFD.ExifVersion: b"0232",
        ExifIFD.DateTimeOriginal: stamp,
        ExifIFD.DateTimeDigitized: stamp,
        ExifIFD.ExposureTime: release.shutter.as_integer_ratio(),
        ExifIFD.ExposureProgram: 3,
        ExifIFD.ISOSpeedRatings: release.make.iso,
        ExifIFD.MeteringMode: 5,
        ExifIFD.ColorSpace: 1,
        ExifIFD.PixelXDimension: size[0],
        ExifIFD.PixelYDimension: size[1],
        ExifIFD.MakerNote: _NOTE.ljust(_NOTE_SIZE, b"@"),
    }
    if release.make.serial:
        tags[ExifIFD.BodySerialNumber] = release.make.serial
    if release.make.offset:
        tags[ExifIFD.OffsetTimeOriginal] = release.make.offset
    if release.make.split_seconds:
        tags[ExifIFD.SubSecTimeOriginal] = f"{release.camera_time.microsecond // 10_000:02d}"
    return tags | (_lens_tags(release, release.glass) if release.glass else _blank_tags(release))


def _lens_tags(release: Release, glass: Glass) -> dict[int, Any]:
    """What is written with a lens the body knows."""
    widest = ratio(glass.widest)
    tags: dict[int, Any] = {
        ExifIFD.FNumber: ratio(release.f_number),
        ExifIFD.ApertureValue: _apex(release.f_number),
        ExifIFD.MaxApertureValue: _apex(glass.widest),
        ExifIFD.FocalLength: (glass.focal, 1),
        ExifIFD.FocalLengthIn35mmFilm: glass.focal * release.make.crop,
        ExifIFD.LensSpecification: (*((end, 1) for end in glass.zoom), widest, widest),
        ExifIFD.LensMake: glass.maker,
        ExifIFD.LensModel: glass.model,
    }
    if glass.serial:
        tags[ExifIFD.LensSerialNumber] = glass.serial
    return tags


def _blank_tags(release: Release) -> dict[int, Any]:
    """The ways bodies have of saying that they see no lens."""
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
    tags = styles[release.blank]
    if release.registered:
        tags[ExifIFD.FocalLength] = (release.registered, 1)
        tags[ExifIFD.FocalLengthIn35mmFilm] = release.registered * release.make.crop
    return tags


def ratio(value: Decimal) -> Ratio:
    """The exact rational, in tenths where that does: 2.8 is 28/10."""
    tenths = value * 10
    if tenths == tenths.to_integral_value():
        return int(tenths), 10
    return value.as_integer_ratio()


def _apex(f_number: Decimal) -> Ratio:
    return round(200 * math.log2(f_number)), 100


def _maker_note(at: int, release: Release) -> bytes:
    """A directory of four entries and, behind it, their values; `at` is its place in the block."""
    head = 2 + 4 * 12 + 4
    firmware = f"{release.make.model} fw 1.04".encode().ljust(24, b"\0")
    counters = struct.pack(">4I", 1_000_000 + release.number, 4711, release.number, 2026)
    tuning = Random(release.number).randbytes(_NOTE_SIZE - head - 24 - 16)
    entries = struct.pack(">H", 4)
    entries += struct.pack(">HHII", 0x0001, 7, 4, 0x30313030)
    entries += struct.pack(">HHII", 0x0007, 2, 24, at + head)
    entries += struct.pack(">HHII", 0x0010, 4, 4, at + head + 24)
    entries += struct.pack(">HHII", 0x0020, 7, len(tuning), at + head + 40)
    return entries + struct.pack(">I", 0) + firmware + counters + tuning
