"""What independent readers see in a file, in a form that compares: ExifRead, Exiv2, Pillow."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

import exifread
import pytest
from PIL import Image, UnidentifiedImageError

logging.getLogger("exifread").setLevel(logging.CRITICAL)

Reading = Mapping[str, Any]
"""Each tag's name and what stands there."""

STANDARD_GROUPS = ("Image ", "EXIF ", "GPS ", "Thumbnail ", "Interoperability ", "IFD ")
"""What ExifRead calls tags of the standard's own directories; all others are the MakerNote's."""
EXIV2_GROUPS = tuple(
    f"Exif.{name}." for name in ("Image", "Photo", "GPSInfo", "Iop", "Thumbnail", "SubImage")
)


def by_exifread(data: bytes) -> Reading:
    """Every tag that ExifRead finds, MakerNote entries too, as type and values."""
    tags = exifread.process_file(io.BytesIO(data), details=True, truncate_tags=False)
    return {name: _plain(tag) for name, tag in tags.items()}


def _plain(tag: Any) -> Any:
    if isinstance(tag, bytes):
        return tag
    values = tag.values
    if isinstance(values, list):
        values = [(v.num, v.den) if hasattr(v, "num") else repr(v) for v in values]
    return int(tag.field_type), values


def by_exiv2(data: bytes) -> Reading:
    """Every tag that the Exiv2 library finds, as text; empty where it takes no such file."""
    pyexiv2 = pytest.importorskip("pyexiv2")
    pyexiv2.set_log_level(4)
    try:
        with pyexiv2.ImageData(data) as image:
            return dict(image.read_exif("latin-1"))
    except RuntimeError:
        return {}


def xmp_by_exiv2(data: bytes) -> Reading:
    pyexiv2 = pytest.importorskip("pyexiv2")
    pyexiv2.set_log_level(4)
    with pyexiv2.ImageData(data) as image:
        return dict(image.read_xmp())


def pixels(data: bytes) -> bytes | None:
    """The picture as Pillow decodes it, None where it doesn't."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(io.BytesIO(data)) as image:
                return image.tobytes()
        except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
            return None


def is_standard(name: str) -> bool:
    """Whether a tag is of the standard's own directories, by either reader's name."""
    return name.startswith((*STANDARD_GROUPS, *EXIV2_GROUPS, "JPEGThumbnail", "TIFFThumbnail"))


def differing(before: Reading, after: Reading) -> set[str]:
    """The names of the tags that don't read the same."""
    return {n for n in before.keys() | after.keys() if before.get(n) != after.get(n)}


def as_numbers(text: str) -> list[Fraction]:
    """Numbers as a reader's text has them: ExifRead reduces 28/10 to 14/5."""
    return [Fraction(part) for part in text.split()]


def exifread_text(seen: Reading, tag: str) -> str:
    """One tag as text, several numbers with spaces between; empty where it isn't there."""
    values = seen.get(f"EXIF {tag}", (0, ""))[1]
    if isinstance(values, str):
        return values
    return " ".join(v if isinstance(v, str) else f"{v[0]}/{v[1]}" for v in values)


Reader = Callable[[bytes], Reading]
READERS: Mapping[str, Reader] = {"ExifRead": by_exifread, "Exiv2": by_exiv2}
