"""Kinds of pictures that one meets beside plain ones, built by libraries: filled, and by every
second reader at hand all else as it was.

Pillow and pillow-heif build them; what is laid out by hand: multi-picture index (CIPA DC-007).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from flangeback.copies import FillOptions, fill, verify
from flangeback.frames import read_frame
from flangeback.raw_mode import RawMode
from support.camera_files import frame_bytes
from support.chunk_files import BLOCK, PACKET
from support.gear import all_filled
from support.plain_jpeg import APP1, XMP, segment
from support.second_readers import harm

EXIF = b"Exif\0\0" + BLOCK
FRAME = frame_bytes({0x9003: b"2026:05:17 09:13:00", 0x927C: bytes(range(90))})
MOVIE = (
    struct.pack(">I4s4sI", 16, b"ftyp", b"mp42", 0) + struct.pack(">I4s", 500, b"mdat") + bytes(492)
)


def still(number: int = 0, size: tuple[int, int] = (96, 64)) -> Image.Image:
    return Image.linear_gradient("L").resize(size).rotate(90 * number).convert("RGB")


def saved(format: str, count: int = 1, **more: Any) -> bytes:
    out = io.BytesIO()
    if count > 1:
        more |= {"save_all": True, "append_images": [still(n) for n in range(1, count)]}
    still().save(out, format, **more)
    return out.getvalue()


def heif(count: int = 1, **more: Any) -> bytes:
    made: Any = pytest.importorskip("pillow_heif").HeifFile()
    for number in range(count):
        made.add_from_pillow(still(number, (128 - 32 * number, 96)))
    out = io.BytesIO()
    made.save(out, exif=EXIF, **more)
    return out.getvalue()


def with_second_picture(order: str) -> bytes:
    """A gain map behind the picture, with XMP of its own, and the index that leads to it."""
    map_of_gains = FRAME[:2] + segment(APP1, XMP + PACKET) + FRAME[2:]

    def whole(first: int, second: int) -> bytes:
        mark = b"II*\0" if order == "<" else b"MM\0*"
        entries = struct.pack(order + "III4x", 0x30000, first, 0)
        entries += struct.pack(order + "III4x", 0, len(map_of_gains), second)
        rows = struct.pack(order + "HHI4s", 0xB000, 7, 4, b"0100")
        rows += struct.pack(order + "HHII", 0xB001, 4, 1, 2)
        rows += struct.pack(order + "HHII", 0xB002, 7, 32, 50)
        index = mark + struct.pack(order + "IH", 8, 3) + rows + bytes(4) + entries
        return FRAME[:2] + segment(0xE2, b"MPF\0" + index) + FRAME[2:]

    first = whole(0, 0)
    return whole(len(first), len(first) - first.index(b"MPF\0") - 4) + map_of_gains


KINDS: Mapping[str, Callable[[], bytes]] = {
    "gain map.jpg": lambda: with_second_picture("<"),
    "gain map, big-endian.jpg": lambda: with_second_picture(">"),
    "moving picture behind.jpg": lambda: FRAME + MOVIE,
    "progressive.jpg": lambda: saved("JPEG", progressive=True, exif=EXIF),
    "animated.webp": lambda: saved("WEBP", 3, exif=BLOCK),
    "lossless.webp": lambda: saved("WEBP", lossless=True, exif=BLOCK, xmp=PACKET),
    "animated.png": lambda: saved("PNG", 3, exif=BLOCK),
    "pages.tif": lambda: saved("TIFF", 3),
    "strips.tif": lambda: saved("TIFF", compression="tiff_lzw", strip_size=1024),
    "several pictures.heic": lambda: heif(2),
    "with XMP.heic": lambda: heif(xmp=PACKET),
    "with XMP.avif": lambda: saved("AVIF", exif=BLOCK, xmp=PACKET),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("xmp", [False, True])
def test_no_reader_finds_more_changed_than_was_written(
    tmp_path: Path, kind: str, xmp: bool
) -> None:
    frames, out, name = tmp_path / "frames", tmp_path / "out", f"K7_0001{Path(kind).suffix}"
    frames.mkdir()
    (frames / name).write_bytes(KINDS[kind]())
    done = fill(all_filled(frames, [name]), frames, out, FillOptions(RawMode.EMBED, xmp=xmp))
    (copy,) = done.copies
    assert (copy.failure, copy.match.reason, copy.copies) == (None, None, (name,))
    assert not verify(out).failed
    code = read_frame(frames, name).format.code
    assert list(harm(frames / name, out / name, code)) == []
    assert read_frame(out, name).lens_data.lens == "Miran 58mm f/2"
