"""Small pictures of frames for a page, as data in its HTML."""

from __future__ import annotations

import base64
import warnings
from contextlib import suppress
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from flangeback.formats import Damaged
from flangeback.frames.model import Frame

LONGEST = 12 << 10
"""Bytes of an embedded thumbnail that is taken as it is."""
_WIDTH = 240
"""Pixels of the longer side of one that is made."""
_QUALITY = 60
_LONGEST_PREVIEW = 4 << 20
_LONGEST_DECODED = 64 << 20
_ORIENTATION = 0x0112
"""Exif Orientation (CIPA DC-008): how the picture is to be turned, 1 to 8."""


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """A JPEG as a data URI; `orientation` is Exif's, 1 where it stands upright already."""

    data: str
    orientation: int = 1


def thumbnail(frame: Frame) -> Thumbnail | None:
    """A frame's embedded thumbnail if that is small, else one made from its preview or picture.

    None where none can be read.
    """
    # Decoders fail in every way there is on a broken picture, and such a one isn't shown.
    with suppress(Exception):
        preview, orientation = _embedded(frame)
        if preview is not None and len(preview) <= LONGEST and preview.startswith(b"\xff\xd8"):
            return Thumbnail(_uri(preview), orientation)
        if preview is not None:
            return Thumbnail(_uri(_reduced(BytesIO(preview))), orientation)
        if frame.size <= _LONGEST_DECODED:
            return Thumbnail(_uri(_reduced(frame.path)), orientation)
    return None


def _embedded(frame: Frame) -> tuple[bytes | None, int]:
    if frame.source is None:
        return None, 1
    try:
        preview = frame.source.preview(_LONGEST_PREVIEW)
        block = frame.source.exif
        turned = None if block is None else block.main().number(_ORIENTATION)
    except (Damaged, OSError):
        return None, 1
    return preview, int(turned) if turned and 1 <= turned <= 8 else 1


def _reduced(source: Path | BytesIO) -> bytes:
    from PIL import Image

    made = BytesIO()
    with warnings.catch_warnings():
        # A picture of many pixels is no attack: it is reduced as it is read.
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        with Image.open(source) as picture:
            picture.draft("RGB", (_WIDTH, _WIDTH))
            picture.thumbnail((_WIDTH, _WIDTH))
            picture.convert("RGB").save(made, "JPEG", quality=_QUALITY, optimize=True)
    return made.getvalue()


def _uri(jpeg: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")
