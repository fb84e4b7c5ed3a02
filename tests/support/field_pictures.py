"""Small JPEG files as a body would write them: Exif, a thumbnail, and a picture of the scene."""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from random import Random

import piexif
from PIL import Image, ImageChops

THUMBNAIL = 160, 120
PICTURE = 96, 64
NOISES = 4
Tags = Mapping[str, Mapping[int, object]]
"""Values by Exif directory ("0th", "Exif") and tag."""


def _random_image(rng: Random, width: int, height: int) -> Image.Image:
    return Image.frombytes("L", (width, height), rng.randbytes(width * height))


@lru_cache(maxsize=64)
def _scene(scene: int, variant: int) -> Image.Image:
    """Large, middle and small shapes; 128 is the middle of the range."""
    coarse, middle = Random(f"{scene}"), Random(f"{scene} {variant}")
    image = _random_image(coarse, 4, 3).resize(THUMBNAIL, Image.Resampling.BICUBIC)
    for rng, size, share in ((middle, 12, 0.4), (middle, 60, 0.25)):
        layer = _random_image(rng, size, size * 3 // 4)
        image = Image.blend(image, layer.resize(THUMBNAIL, Image.Resampling.BICUBIC), share)
    return image


@lru_cache(maxsize=NOISES)
def _noise(number: int) -> Image.Image:
    grain = _random_image(Random(f"noise {number}"), *THUMBNAIL)
    return grain.point([round(128 + (value - 128) * 0.07) for value in range(256)])


def _tone(linear: float, soft: bool) -> int:
    """The transfer function of IEC 61966-2-1 (sRGB), clipped hard or, `soft`, by a shoulder."""
    lin = 1 - 2.718281828 ** (-1.25 * linear) if soft else min(linear, 1.0)
    value = 12.92 * lin if lin <= 0.0031308 else 1.055 * lin ** (1 / 2.4) - 0.055
    return round(255 * value)


def _curve(image: Image.Image, stops: float, contrast: float, soft: bool) -> list[int]:
    """The table that shows the image with its mean `stops` over 18 % grey."""
    shares = image.histogram()
    linear = [2 ** ((value - 128) / 128 * contrast) for value in range(256)]
    mean = sum(map(float.__mul__, linear, map(float, shares))) / sum(shares)
    return [_tone(0.18 * 2**stops * value / mean + 0.001, soft) for value in linear]


@lru_cache(maxsize=4096)
def jpegs(
    scene: int,
    variant: int,
    twentieths: int,
    contrast: float,
    look: tuple[bool, bool, bool],
    noise: int,
) -> tuple[bytes, bytes]:
    """Picture and thumbnail. Exposure in twentieths of a stop over mid-grey; contrast in stops to
    either side; `look` is whether the body clips softly, whether its thumbnail has bars, and
    whether the picture is of skin."""
    image = _scene(scene, variant)
    soft, letterbox, skin = look
    red, blue = (1.25, 0.72) if skin else (1.04, 0.95)
    grey = image.point(_curve(image, twentieths / 20, contrast, soft))
    grey = ImageChops.add(grey, _noise(noise), 1, -128)
    warm = grey.point([min(255, round(v * red)) for v in range(256)])
    cold = grey.point([round(v * blue) for v in range(256)])
    whole = Image.merge("RGB", (warm, grey, cold))
    small = whole
    if letterbox:  # a 3:2 picture in a thumbnail of 4:3
        small = Image.new("RGB", THUMBNAIL)
        small.paste(whole.resize((160, 106)), (0, 7))
    return _encoded(whole.resize(PICTURE)), _encoded(small)


def _encoded(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


def write_frame(path: Path, picture: bytes, thumbnail: bytes | None, tags: Tags) -> None:
    """A JPEG with an Exif block (CIPA DC-008)."""
    block: dict[str, object] = {
        "0th": dict(tags["0th"]),
        "Exif": dict(tags["Exif"]),
        "1st": {},
        "GPS": {},
    }
    if thumbnail is not None:
        block |= {"1st": {piexif.ImageIFD.Compression: 6}, "thumbnail": thumbnail}
    out = io.BytesIO()
    piexif.insert(piexif.dump(block), picture, out)
    path.write_bytes(out.getvalue())
