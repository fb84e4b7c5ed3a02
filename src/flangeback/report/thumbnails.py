"""Small pictures of frames for a page, as data in its HTML."""

from __future__ import annotations

import base64
import warnings
from collections.abc import Callable, Mapping
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

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
_UNIT = 160.0
_TURNS: Mapping[int, Callable[[float, float], str]] = {
    1: lambda w, h: "",
    2: lambda w, h: f"matrix(-1 0 0 1 {w:g} 0)",
    3: lambda w, h: f"matrix(-1 0 0 -1 {w:g} {h:g})",
    4: lambda w, h: f"matrix(1 0 0 -1 0 {h:g})",
    5: lambda w, h: "matrix(0 1 1 0 0 0)",
    6: lambda w, h: f"matrix(0 1 -1 0 {h:g} 0)",
    7: lambda w, h: f"matrix(0 -1 -1 0 {h:g} {w:g})",
    8: lambda w, h: f"matrix(0 -1 1 0 0 {w:g})",
}
"""What turns a stored picture of this width and height right way up, by Exif Orientation."""


class Thumbnail(NamedTuple):
    """A JPEG as a data URI, and how it is shown: cut to the picture's shape, right way up.

    A thumbnail of 160 x 120 has black bars where the picture isn't 4:3 (CIPA DC-008). `width` and
    `height` are of the picture as it is stored, in any unit; `turn` is an SVG transform.
    """

    data: str
    width: float
    height: float
    turn: str = ""
    is_upright: bool = True

    @property
    def box(self) -> str:
        """The SVG view box of the picture, right way up."""
        sides = (self.width, self.height) if self.is_upright else (self.height, self.width)
        return f"0 0 {sides[0]:g} {sides[1]:g}"


def thumbnail(frame: Frame) -> Thumbnail | None:
    """A frame's embedded thumbnail if that is small, else one made from its preview or picture.

    None where none can be read.
    """
    # Decoders fail in every way there is on a broken picture, and such a one isn't shown.
    with suppress(Exception):
        preview, orientation = _embedded(frame)
        if preview is not None and len(preview) <= LONGEST and preview.startswith(b"\xff\xd8"):
            return _shown(preview, frame, orientation)
        if preview is not None or frame.size <= _LONGEST_DECODED:
            source = frame.path if preview is None else BytesIO(preview)
            return _shown(_reduced(source), frame, orientation)
    return None


def _shown(jpeg: bytes, frame: Frame, orientation: int) -> Thumbnail:
    across, down = frame.pixels or _size(jpeg)
    width, height = _UNIT, min(max(_UNIT * down / max(across, 1), _UNIT / 4), _UNIT * 4)
    data = "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")
    return Thumbnail(data, width, height, _TURNS[orientation](width, height), orientation < 5)


def _size(jpeg: bytes) -> tuple[int, int]:
    from PIL import Image

    with Image.open(BytesIO(jpeg)) as picture:
        return picture.size


def _embedded(frame: Frame) -> tuple[bytes | None, int]:
    if (source := frame.source) is None:
        return None, 1
    try:
        with source as picture:
            preview = picture.preview(_LONGEST_PREVIEW)
            turned = None if picture.exif is None else picture.exif.main().number(_ORIENTATION)
    except (Damaged, OSError):
        return None, 1
    return preview, int(turned) if turned and 1 <= turned <= 8 else 1


def _reduced(source: Path | BytesIO) -> bytes:
    from PIL import Image

    made = BytesIO()
    with warnings.catch_warnings():
        # A picture of many pixels is no attack, since it is reduced as it is read; what else is
        # odd about a file, the scan has told.
        warnings.simplefilter("ignore")
        with Image.open(source) as picture:
            scale = _WIDTH / max(picture.size)
            size = round(picture.width * scale) or 1, round(picture.height * scale) or 1
            picture.draft("RGB", size)
            picture.thumbnail(size, Image.Resampling.BOX)
            picture.convert("RGB").save(made, "JPEG", quality=_QUALITY)
    return made.getvalue()
