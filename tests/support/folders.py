"""Folders of small made-up frames, and what stands in a folder."""

from __future__ import annotations

import hashlib
import os
import struct
from pathlib import Path

from support.plain_jpeg import picture, small_block, with_block
from support.tiff_blocks import GREATEST

SOUND = tuple(
    f"{folder}K7_{n:04d}.JPG" for n, folder in enumerate(("", "", "quay/", "quay/b/") * 3)
)
FULL = "quay/K7_0090.JPG"
"""A frame whose Exif block is full: there is no room for values."""
BROKEN = "K7_0091.JPG"
ALL = (*SOUND, FULL, BROKEN)
BESIDE = FULL.replace(".JPG", ".xmp")
"""The sidecar that takes the values of the full frame."""
MADE = (*ALL, BESIDE)


def make_frames(folder: Path) -> Path:
    """A dozen sound frames at three depths, a full one, a broken one; each with its own time."""
    for n, name in enumerate(ALL):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_content(name, n))
        os.utime(path, ns=(1_779_000_000_123_456_789, 1_779_000_000_987_654_321 + n))
    return folder


def _content(name: str, n: int) -> bytes:
    if name == BROKEN:
        return b"\xff\xd8\xff\xe1\xff\xffcut short"
    if name == FULL:
        return with_block(small_block().ljust(GREATEST, b"x"))
    if n % 4 == 3:
        return picture((20 + n, 10))
    return with_block(small_block(n * 40)) + struct.pack("<I", n) * 5000


def snapshot(folder: Path) -> dict[str, tuple[str, int]]:
    """Every file below a folder, by digest and time of modification."""
    return {
        path.relative_to(folder).as_posix(): (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            path.stat().st_mtime_ns,
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def marks(folder: Path) -> dict[str, tuple[int, int]]:
    """Inode and time of modification of every file: what changes when a file is made anew."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_ino, path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def litter(folder: Path) -> list[Path]:
    """What half-made copies leave."""
    return [path for path in folder.rglob("*") if "part" in path.name]
