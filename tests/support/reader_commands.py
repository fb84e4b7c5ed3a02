"""What commands of other projects find in a picture: Exiv2, FFmpeg, the tools of libheif, libjxl,
libtiff and libwebp. One that isn't there says nothing."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from support.gear import TAG_NUMBERS

Seen = Mapping[str, Any]
Reader = Callable[[bytes, Path], Seen]


def said(*command: str) -> list[str]:
    """The lines that a command prints, but for the file's own name; none where it isn't there."""
    if shutil.which(command[0]) is None:
        return []
    done = subprocess.run(command, capture_output=True, timeout=60, check=False)
    own = command[-1].encode()
    return done.stdout.replace(own, b"").decode("utf-8", "replace").splitlines()


def needed(command: str) -> None:
    """Skips a test where a command isn't there."""
    if shutil.which(command) is None:
        pytest.skip(f"there is no {command} command")


def commands_for(kind: str) -> Mapping[str, Reader]:
    """The commands that read files of a format, by its short code."""
    return {**_FOR_ALL, **_BY_KIND.get(kind, {})}


def _exiv2(data: bytes, path: Path) -> Seen:
    found: dict[str, list[str]] = {}
    for line in said("exiv2", "-q", "-PEXIkv", str(path)):
        name, _, value = line.partition(" ")
        found.setdefault(name, []).append(value.strip())
    return found


def _ffprobe(data: bytes, path: Path) -> Seen:
    """The streams, and the Exif tags of the first frame."""
    asked = ("-of", "json", "-show_streams", "-show_frames", "-read_intervals", "%+#1")
    found = json.loads("".join(said("ffprobe", "-v", "quiet", *asked, str(path))) or "{}")
    streams = {
        f"stream {n} {name}": value
        for n, stream in enumerate(found.get("streams", ()))
        for name, value in stream.items()
        if name in _OF_A_PICTURE
    }
    tags: Seen = next((frame.get("tags", {}) for frame in found.get("frames", ())), {})
    by_number = {f"0x{number:04X}": name for number, name in TAG_NUMBERS.items()}
    return streams | {f"EXIF {by_number.get(name, name)}": tags[name] for name in tags}


_OF_A_PICTURE = ("codec_name", "width", "height", "pix_fmt", "color_range", "color_space")


def _ffmpeg(data: bytes, path: Path) -> Seen:
    shown = said("ffmpeg", "-v", "quiet", "-i", str(path), "-frames:v", "1", "-f", "md5", "-")
    return {"pixels": shown[0]} if shown else {}


def _lines(apart: str, *command: str) -> Reader:
    """A command's lines, without those that say where metadata are, and how long."""
    passed_over = re.compile(apart)

    def read(data: bytes, path: Path) -> Seen:
        kept = [one for one in said(*command, str(path)) if not passed_over.match(one)]
        return {f"line {n}": line for n, line in enumerate(kept)}

    return read


def _decoded(suffix: str, *command: str) -> Reader:
    """The picture that a command decodes into a file."""

    def read(data: bytes, path: Path) -> Seen:
        target = path.with_suffix(suffix)
        said(command[0], str(path), *command[1:], str(target))
        decoded = target.read_bytes() if target.is_file() else b""
        target.unlink(missing_ok=True)
        return {"pixels": hashlib.sha256(decoded).hexdigest()} if decoded else {}

    return read


def _tiffinfo(data: bytes, path: Path) -> Seen:
    return dict(_fields(said("tiffinfo", str(path))))


def _fields(lines: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Each directory's fields, but for the XMP packet, whose lines go on to its end."""
    section, within = "", False
    for line in lines:
        field = _FIELD.match(line)
        if line.startswith(("===", "---")):
            section = line.removeprefix("--- ")
        elif field is not None:
            within = field[1] == "XMLPacket (XMP Metadata)"
            number = re.fullmatch(r"Tag (\d+)", field[1])
            name = TAG_NUMBERS.get(int(number[1])) if number else None
            if not within:
                yield f"{section} {name or field[1]}", field[2]
        elif not within and not line.startswith(_DIRECTORY):
            yield f"{section} {line}", ""


_FIELD = re.compile(r"  ([A-Z][\w/()+ -]*):(.*)")
_DIRECTORY = "TIFF Directory at offset"


def unlike(source: Path, copy: Path, kind: str) -> Iterator[str]:
    """What the command that holds two TIFF files side by side finds different, directories' names
    and what it can't read of the source left out."""
    if kind in ("tiff", "raw-tiff"):
        itself, other = (
            {line.replace(str(source), "") for line in said("tiffcmp", str(source), str(one))}
            for one in (source, copy)
        )
        yield from (f"tiffcmp: {line}" for line in other - itself if not line.endswith(":"))


_FOR_ALL: Mapping[str, Reader] = {"exiv2": _exiv2, "ffprobe": _ffprobe, "ffmpeg": _ffmpeg}
_METADATA = r"MIME|  Exif:|  XMP:|  mime:"
_BOXES = r"box: type: .(Exif|xml )|Uncompressed (Exif|xml )"
_CHUNKS = r"File|  File size|Chunk (EXIF|XMP )|  (EXIF|XMP):|(Size of the|Features present:)"
_BY_KIND: Mapping[str, Mapping[str, Reader]] = {
    "heif": {"heif-info": _lines(_METADATA, "heif-info")},
    "jpeg-xl": {"djxl": _decoded(".ppm", "djxl"), "jxlinfo": _lines(_BOXES, "jxlinfo", "-v")},
    "webp": {
        "dwebp": _decoded(".ppm", "dwebp", "-ppm", "-o"),
        "webpinfo": _lines(_CHUNKS, "webpinfo"),
        "webpmux": _lines(_CHUNKS, "webpmux", "-info"),
    },
    "tiff": {"tiffinfo": _tiffinfo},
    "raw-tiff": {"tiffinfo": _tiffinfo},
}
