"""Frames of the outings in waves: pictures of soft patches with fine grain, and their Exif."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import piexif
from numpy.typing import NDArray
from PIL import Image

from support.field_pictures import Tags, write_frame
from support.outing_gear import BODIES, native_tags, rational
from support.waves_habits import Shot

Pixels = NDArray[np.float32]
SIZE = 160, 106
LARGE = 320, 212
SLATE_CONTRAST = {"hand": 0.12, "cap": 0.02}
SKIN, PAPER = (1.35, 0.8, 0.6), (1.0, 0.97, 0.93)
"""What a hand before the lens and everything else make of red, green and blue."""


@dataclass(frozen=True)
class Writing:
    """How bodies write frames. `blank` is how they leave lens data blank: 0 leaves the tags out,
    1 writes dashes and zeros, 2 f/1, 3 a name of zeros. `soft` highlights clip by a shoulder."""

    seed: int
    blank: int
    soft: bool
    thumbnails: bool
    parts: bool
    """Parts of a second are written."""
    offset: str | None
    manual: bool


@lru_cache(maxsize=8)
def scene(number: int) -> tuple[Pixels, Pixels, float]:
    """Patches and grain, of a standard deviation of 1 and a third, and contrast in stops."""
    drawn = np.random.default_rng(number)
    patches, contrast = drawn.normal(0, 1, (5, 7)), drawn.uniform(0.5, 1.1)
    coarse = Image.fromarray(np.clip(patches * 28 + 128, 0, 255).astype(np.uint8))
    large = coarse.resize((SIZE[0] + 8, SIZE[1] + 6), Image.Resampling.BICUBIC)
    grain = drawn.standard_normal(SIZE[::-1], np.float32) * np.float32(0.35)
    return ((np.asarray(large, np.float32) - 128) / 28).astype(np.float32), grain, contrast


def picture(shot: Shot, writing: Writing, pixels: np.random.Generator) -> Image.Image:
    """Frames of one composition differ by a slight shift, by exposure and noise."""
    number = shot.composition * 7919 + writing.seed * 31 + (5 if shot.slate else 0)
    patches, grain, contrast = scene(number)
    left, top = int(pixels.integers(0, 8)), int(pixels.integers(0, 5))
    shown = patches[top : top + SIZE[1], left : left + SIZE[0]]
    if shot.slate:
        contrast = SLATE_CONTRAST[shot.slate]
    else:
        shown = shown + grain
    linear = np.exp2(shown * np.float32(contrast))
    linear *= 0.18 * 2**shot.leftover / float(linear.mean())
    linear = 1 - np.exp(-1.1 * linear) if writing.soft else np.minimum(linear, 1)
    # The transfer function of IEC 61966-2-1 (sRGB).
    tones = np.where(linear < 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055) * 255
    noise = pixels.standard_normal(tones.shape, np.float32) * np.float32(1 + 0.4 * shot.sv)
    tones = np.clip(tones + noise, 0, 255)
    tint = np.array(SKIN if shot.slate == "hand" else PAPER, np.float32)
    return Image.fromarray(np.minimum(tones[..., None] * tint, 255).astype(np.uint8))


def jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()


def tags(shot: Shot, writing: Writing, at: datetime) -> Tags:
    """Exif as the body writes it when its clock reads `at` (CIPA DC-008)."""
    body, exif, image = BODIES[shot.body], piexif.ExifIFD, piexif.ImageIFD
    stamp = f"{at:%Y:%m:%d %H:%M:%S}".encode()
    values: dict[int, object] = {
        exif.ExposureTime: rational(shot.time_s),
        exif.ExposureProgram: 3,
        exif.ISOSpeedRatings: shot.iso,
        exif.ExifVersion: b"0232",
        exif.DateTimeOriginal: stamp,
        exif.ExposureBiasValue: (round(shot.bias * 10), 10),
        exif.Flash: 1 if shot.flash else 16,
        exif.ExposureMode: 2 if shot.bracket else int(writing.manual),
    }
    if writing.parts:
        values[exif.SubSecTimeOriginal] = f"{at.microsecond // 10_000:02}".encode()
    if writing.offset:
        values[exif.OffsetTimeOriginal] = writing.offset.encode()
    setting = shot.setting
    if setting.lens.native:
        values |= native_tags(setting.f_number, setting.focal, body.crop)
    else:
        values |= blank_tags(writing.blank)
        if shot.registered:
            focal = round(shot.registered)
            values |= {exif.FocalLength: (focal, 1), exif.FocalLengthIn35mmFilm: focal * body.crop}
    first = {image.Make: body.maker.encode(), image.Model: body.model.encode()}
    return {"0th": first | {image.DateTime: stamp}, "Exif": values}


def blank_tags(how: int) -> dict[int, object]:
    exif = piexif.ExifIFD
    nothing = (0, 0)
    ways: tuple[dict[int, object], ...] = (
        {},
        {
            exif.FNumber: nothing,
            exif.FocalLength: (0, 1),
            exif.LensModel: b"----",
            exif.LensSpecification: (nothing,) * 4,
        },
        {exif.FNumber: (1, 1), exif.FocalLength: (0, 1)},
        {exif.FNumber: (0, 10), exif.LensModel: b"0.0 mm f/0.0"},
    )
    return ways[how]


def write(
    path: Path, shot: Shot, writing: Writing, at: datetime, pixels: np.random.Generator
) -> None:
    small = picture(shot, writing, pixels)
    large = small.resize(LARGE) if writing.thumbnails else small
    thumbnail = jpeg(small) if writing.thumbnails else None
    write_frame(path, jpeg(large), thumbnail, tags(shot, writing, at))
