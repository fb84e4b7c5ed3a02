"""What a picture tells of its light and its composition."""

from __future__ import annotations

import math
from io import BytesIO
from pathlib import Path
from random import Random

import pytest
from PIL import Image

from flangeback.frames import read_frame
from flangeback.match.brightness import PictureLight, likenesses, read_picture


def read(folder: Path, picture: Image.Image) -> PictureLight:
    picture.save(folder / "K7_0001.JPG", quality=90)
    found = read_picture(read_frame(folder, "K7_0001.JPG"))
    assert found is not None
    return found


def scene(seed: int) -> Image.Image:
    """A few large shapes, not brighter than a third of white."""
    coarse = Random(seed).randbytes(12)
    small = Image.frombytes("L", (4, 3), coarse).point([40 + n // 3 for n in range(256)])
    return small.resize((160, 120), Image.Resampling.BICUBIC)


def likeness(one: PictureLight, other: PictureLight) -> float | None:
    (found,) = likenesses(one.layout + other.layout)
    return found


def test_a_picture_aimed_a_little_otherwise_is_like_itself(tmp_path: Path) -> None:
    whole = scene(1)
    left, right = (whole.crop((x, 0, x + 150, 120)) for x in (0, 10))
    alike = likeness(read(tmp_path, left), read(tmp_path, right))
    assert alike is not None
    assert alike > 0.75


def test_a_picture_exposed_otherwise_is_like_itself_and_unlike_others(tmp_path: Path) -> None:
    one = read(tmp_path, scene(1))
    # Two stops darker, by the transfer function's power of 2.4 (IEC 61966-2-1).
    darker = scene(1).point([round(n * 2 ** (-2 / 2.4)) for n in range(256)])
    dark = read(tmp_path, darker)
    assert one.brightness - dark.brightness > 1.5
    alike = likeness(one, dark)
    assert alike is not None
    assert alike > 0.95
    others = [likeness(one, read(tmp_path, scene(seed))) for seed in range(2, 8)]
    assert all(other is not None and other < 0.85 for other in others)


def test_a_picture_without_parts_is_like_none(tmp_path: Path) -> None:
    plain = read(tmp_path, Image.new("L", (160, 120), 90))
    assert likeness(plain, plain) is None
    assert likeness(PictureLight(-2.0, 0.2), read(tmp_path, scene(1))) is None


def by_pillow(jpeg: bytes) -> float:
    """log2 of the mean light in the middle of a JPEG, as Pillow opens it (IEC 61966-2-1)."""
    with Image.open(BytesIO(jpeg)) as picture:
        picture.draft("L", picture.size)
        luma = picture.convert("L")
    bar = luma.height // 8
    middle = luma.crop((0, bar, luma.width, luma.height - bar)).tobytes()
    light = [n / 3294.6 if n <= 10 else ((n / 255 + 0.055) / 1.055) ** 2.4 for n in middle]
    return math.log2(sum(light) / len(light))


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
@pytest.mark.parametrize("size", [(160, 120), (319, 400), (121, 91)])
@pytest.mark.parametrize("progressive", [False, True])
def test_small_pictures_are_as_bright_as_pillow_decodes_them(
    tmp_path: Path, mode: str, size: tuple[int, int], progressive: bool
) -> None:
    colours = Image.frombytes("RGB", (4, 3), Random(5).randbytes(36)).resize(size)
    colours.convert(mode).save(tmp_path / "K7_0001.JPG", progressive=progressive)
    found = read_picture(read_frame(tmp_path, "K7_0001.JPG"))
    assert found is not None
    assert found.brightness == pytest.approx(by_pillow((tmp_path / "K7_0001.JPG").read_bytes()))


@pytest.mark.parametrize("kept", [0.5, 0.9])
def test_a_small_picture_that_breaks_off_tells_nothing(tmp_path: Path, kept: float) -> None:
    read(tmp_path, scene(3))
    path = tmp_path / "K7_0001.JPG"
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * kept)])
    with pytest.raises(OSError, match="truncated"), Image.open(path) as picture:
        picture.load()
    assert read_picture(read_frame(tmp_path, "K7_0001.JPG")) is None
