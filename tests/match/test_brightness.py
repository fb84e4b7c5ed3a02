"""What a picture tells of its light and its composition."""

from __future__ import annotations

from pathlib import Path
from random import Random

from PIL import Image

from flangeback.frames import read_frame
from flangeback.match.brightness import PictureLight, likeness, read_picture


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
