"""Small JPEGs as bodies without lens contacts write them, made with piexif and Pillow."""

from __future__ import annotations

import math
import os
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import cache
from io import BytesIO
from pathlib import Path

import piexif
from PIL import Image

START = datetime(2026, 5, 17, 9, 0)
SIZE = 64, 48
"""Pixels of a picture."""
FOCAL_LENGTHS = {"miran58": 58, "brask135": 135, "tolvan28": 28}
NATIVE_FOCAL_LENGTH = 20
"""Of the lens with contacts that comes onto n2 once it is `off`; both in mm."""


@dataclass(frozen=True)
class Body:
    """A body: `resolution` is the unit of its clock's readings in seconds; `factors` are those of
    the adapters that lenses sit on, where not 1."""

    key: str
    model: str
    iso: int
    resolution: float
    factors: Mapping[str, float]


BODIES = (
    Body("k7", "Kestrin K7", 100, 1.0, {"tolvan28": 0.71}),
    Body("n2", "Norrvik N2", 200, 0.01, {}),
)


@dataclass(frozen=True)
class Truth:
    """What stood on a body: a kit key, None for no adapted lens; the f-number on the ring.
    `noted` is False where the ring had been turned without a note."""

    lens: str | None = None
    f_number: str | None = None
    noted: bool = True
    slate: bool = False


@dataclass(frozen=True)
class Shot:
    """One frame to be written; `brightness` is log2 of the picture's mean luminance, white is 0."""

    file: str
    reads: float
    exposure_time: Fraction
    brightness: float
    truth: Truth


def write_day(folder: Path) -> None:
    """Write frames of both bodies into a new folder, from 9:00 to midnight at even steps."""
    folder.mkdir()
    for body, numbers in zip(BODIES, (range(201, 261), range(401, 421)), strict=True):
        step = 15 * 3600 / len(numbers)
        for at, number in enumerate(numbers):
            file = frame_name(body, number)
            shot = Shot(file, at * step + 20, Fraction(1, 250), math.log2(0.18), Truth())
            write_frame(folder / file, body, shot, registered=False)


def frame_name(body: Body, number: int) -> str:
    return f"{body.key.upper()}_{number:04}.JPG"


def write_frame(path: Path, body: Body, shot: Shot, *, registered: bool) -> None:
    """A JPEG with the Exif that a body without lens contacts writes, its own comment (so that no
    two pictures are the same bytes) and the camera's time as the file's."""
    unit = body.resolution
    time = START + timedelta(seconds=shot.reads // unit * unit)
    exif = {
        piexif.ExifIFD.ExifVersion: b"0232",
        piexif.ExifIFD.DateTimeOriginal: f"{time:%Y:%m:%d %H:%M:%S}",
        piexif.ExifIFD.ExposureTime: (shot.exposure_time.numerator, shot.exposure_time.denominator),
        piexif.ExifIFD.ISOSpeedRatings: body.iso,
    }
    if unit < 1:
        exif[piexif.ExifIFD.SubSecTimeOriginal] = f"{time.microsecond // 10_000:02}"
    if body.key == "k7":
        exif[piexif.ExifIFD.BodySerialNumber] = "0071133"
        exif[piexif.ExifIFD.FNumber] = (0, 0)
        exif[piexif.ExifIFD.FocalLength] = (0, 1)
        exif[piexif.ExifIFD.LensModel] = "----"
    if registered:
        exif |= registered_entries(body, shot.truth)
    main = {piexif.ImageIFD.Make: body.model.split()[0], piexif.ImageIFD.Model: body.model}
    block = piexif.dump({"0th": main, "Exif": exif})
    comment = shot.file.encode()
    plain = picture(round(shot.brightness * 32))
    data = BytesIO()
    piexif.insert(block, plain[:2] + segment(0xFE, comment) + plain[2:], data)
    path.write_bytes(data.getvalue())
    seconds = time.replace(tzinfo=UTC).timestamp()
    os.utime(path, (seconds, seconds))


def registered_entries(body: Body, truth: Truth) -> dict[int, object]:
    """The focal length registered for the adapted lens; a native lens writes all of its own."""
    if truth.lens is not None:
        return {piexif.ExifIFD.FocalLength: (FOCAL_LENGTHS[truth.lens], 1)}
    if body.key == "k7":
        return {}
    return {
        piexif.ExifIFD.FNumber: (8, 1),
        piexif.ExifIFD.FocalLength: (NATIVE_FOCAL_LENGTH, 1),
        piexif.ExifIFD.FocalLengthIn35mmFilm: 2 * NATIVE_FOCAL_LENGTH,
        piexif.ExifIFD.LensModel: f"Norrvik {NATIVE_FOCAL_LENGTH}mm F1.8",
    }


def segment(marker: int, contents: bytes) -> bytes:
    """A JPEG marker segment (ISO/IEC 10918-1, B.1.1.4)."""
    return bytes((0xFF, marker)) + (len(contents) + 2).to_bytes(2, "big") + contents


@cache
def picture(brightness: int) -> bytes:
    """A grey JPEG whose mean luminance in linear light is 2 ** (brightness / 32), white being 1.

    Its tones vary by up to three quarters; a picture darker than 2 ** -8 is even.
    """
    mean = 2 ** (brightness / 32)
    chance = random.Random(brightness)
    spread = 0.0 if mean < 2**-8 else 0.75
    tones = [1 + spread * (2 * chance.random() - 1) for _ in range(SIZE[0] * SIZE[1] // 64)]
    scale = mean * len(tones) / sum(tones)
    columns = SIZE[0] // 8
    grey = Image.new("L", (columns, SIZE[1] // 8))
    grey.putdata([round(255 * to_srgb(min(1.0, scale * tone))) for tone in tones])
    data = BytesIO()
    grey.resize(SIZE, Image.Resampling.NEAREST).save(data, "JPEG", quality=95)
    return data.getvalue()


def to_srgb(light: float) -> float:
    """A stored value, 0 to 1, from linear light, 0 to 1 (IEC 61966-2-1)."""
    return 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
