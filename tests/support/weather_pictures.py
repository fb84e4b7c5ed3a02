"""Frames of the outings in weather: pictures of patches under a sky, and their Exif."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import piexif
from PIL import Image

from support.field_pictures import Tags, write_frame
from support.outing_gear import Body, native_tags, rational
from support.weather_habits import Shot
from support.weather_light import PATCHES

SIZE, THUMBNAIL = (180, 120), (160, 120)
SKIN = 1.1, 0.9, 0.8
GREY = 1.0, 1.0, 1.0
NOISE = 0.0008
"""In linear light at ISO 100, white being 1."""
CAPPED_STOPS = -12.0


@dataclass(frozen=True)
class Writing:
    """How a body writes its frames. `blank`: it leaves lens data out ("missing"), or writes zeros
    or dashes."""

    body: Body
    mode: str
    serial: str
    blank: str
    parts: bool
    """Parts of a second are written."""
    offset: str | None
    brightness: bool
    thumbnails: bool


def picture(shot: Shot, pixels: np.random.Generator) -> Image.Image:
    stops, mean, tint = shot.composition.patches, shot.leftover, shot.composition.tint
    if shot.slate == "hand":
        stops = np.linspace(0.35, -0.35, PATCHES[1]) + pixels.normal(size=PATCHES) * 0.06
        tint = SKIN
    elif shot.slate == "cap":
        stops, mean, tint = np.zeros(PATCHES), CAPPED_STOPS, GREY
    else:
        stops = stops + pixels.normal(size=PATCHES) * 0.08
        if pixels.random() < 0.3:
            stops = np.roll(stops, int(pixels.integers(-1, 2)), axis=1)
    small = Image.fromarray(stops.astype(np.float32))
    resized = np.asarray(small.resize(SIZE, Image.Resampling.BICUBIC))
    linear = np.float32(0.18 * 2**mean) * np.exp2(resized)
    if shot.slate != "cap":
        noise = np.float32(NOISE * math.sqrt(shot.iso / 100))
        linear += pixels.standard_normal(linear.shape, np.float32) * noise
    shown = np.where(linear > 0.5, 1 - 0.5 * np.exp(1 - 2 * linear), linear)  # a soft shoulder
    tones = 255 * np.clip(shown, 0, 1) ** np.float32(1 / 2.2)
    tinted = tones[..., None] * np.array(tint, np.float32)
    return Image.fromarray(np.minimum(tinted, 255).astype(np.uint8))


def jpeg(image: Image.Image, quality: int) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality)
    return out.getvalue()


def letterboxed(image: Image.Image) -> Image.Image:
    """A picture of 3:2 in a thumbnail of 4:3."""
    thumbnail = Image.new("RGB", THUMBNAIL)
    thumbnail.paste(image.resize((160, 106)), (0, 7))
    return thumbnail


def tags(shot: Shot, writing: Writing, at: datetime) -> Tags:
    """Exif as the body writes it when its clock reads `at` (CIPA DC-008)."""
    exif, image, body = piexif.ExifIFD, piexif.ImageIFD, writing.body
    stamp = f"{at:%Y:%m:%d %H:%M:%S}".encode()
    by_hand = writing.mode in ("manual", "flash")
    values: dict[int, object] = {
        exif.ExposureTime: rational(shot.time_s),
        exif.ExposureProgram: 1 if by_hand else 3,
        exif.ISOSpeedRatings: shot.iso,
        exif.ExifVersion: b"0231",
        exif.DateTimeOriginal: stamp,
        exif.ExposureBiasValue: (round(shot.bias * 10), 10),
        exif.Flash: 9 if writing.mode == "flash" else 16,
        exif.ExposureMode: 2 if shot.bracket else int(by_hand),
        exif.BodySerialNumber: writing.serial.encode(),
    }
    if writing.parts:
        values[exif.SubSecTimeOriginal] = f"{at.microsecond // 10_000:02}".encode()
    if writing.offset:
        values[exif.OffsetTimeOriginal] = writing.offset.encode()
    if writing.brightness:
        # APEX: Bv = Av + Tv - Sv, of a body that takes f/1 for granted and Sv of ISO 3.125 for 0.
        brightness = -math.log2(shot.time_s * shot.iso / 100) - 5
        values[exif.BrightnessValue] = (round(brightness * 100), 100)
    setting = shot.setting
    if setting.lens.native:
        values |= native_tags(setting.f_number, setting.focal, body.crop)
    else:
        values |= blank_tags(writing.blank, shot.registered)
    first = {image.Make: body.maker.encode(), image.Model: body.model.encode()}
    return {"0th": first | {image.DateTime: stamp}, "Exif": values}


def blank_tags(how: str, registered: int) -> dict[int, object]:
    exif, focal = piexif.ExifIFD, {piexif.ExifIFD.FocalLength: (registered, 1)}
    if how == "zeros":
        return {exif.FNumber: (0, 0), exif.LensSpecification: ((0, 0),) * 4, **focal}
    if how == "dashes":
        return {exif.FNumber: (0, 1), exif.LensModel: b"----", **focal}
    return {**focal} if registered else {}


def write(
    path: Path, shot: Shot, writing: Writing, at: datetime, pixels: np.random.Generator
) -> None:
    shown = picture(shot, pixels)
    thumbnail = jpeg(letterboxed(shown), 70) if writing.thumbnails else None
    write_frame(path, jpeg(shown, 78), thumbnail, tags(shot, writing, at))
