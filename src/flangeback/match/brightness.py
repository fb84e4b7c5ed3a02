"""How bright a frame's picture is and how much contrast it has, from its thumbnail if it has one.

The thumbnail is the JPEG of the second directory (IFD1; CIPA DC-008, 4.5.4). It stands in the
file's head, and is small enough to be read in a millisecond; without one the picture itself is
decoded to a fraction of its size. Of a TIFF-structured raw file it is the smallest JPEG that a
directory names. Pillow is imported when a picture is read, not before.
"""

from __future__ import annotations

import math
import struct
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from flangeback.formats import Damaged
from flangeback.formats.jpeg import Jpeg
from flangeback.frames.model import Frame
from flangeback.workers import spread_each

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PIL.Image import Image as Picture

_SMALL = 160
"""Pixels, at the least, of each side of a picture that is reduced as it is decoded, by 2, 4 or 8;
thumbnails have 160 x 120 (CIPA DC-008)."""
_HEADER = struct.Struct(">BBHBHHB")
"""A marker, the length of its segment and, where that is a frame header: the bits of a value,
height, width, how many colours (ITU-T T.81, B.2.2)."""
_LONGEST_DECODED = 2 << 20
"""Bytes of a file that is decoded for want of a thumbnail. Bodies write one into every picture of
more than that (common practice), and a match is to take seconds, not minutes."""
_LAYOUT = 8, 6
NO_LAYOUT = bytes(8 * 6)
_LEAST_LAYOUT = 0.15
"""Stops, as a standard deviation, by which a picture's parts must differ to tell it from others."""
_PAIRS = 512
"""Pairs of pictures that are compared at once."""
_DARKEST = 2.0**-12
"""Luminance that stands for black, which has no logarithm."""


@dataclass(frozen=True, slots=True)
class PictureLight:
    """A picture's brightness and contrast, both of its luma.

    `brightness` is log2 of its mean in linear light (white is 0), `contrast` the standard deviation
    of its values as stored (0 to 0.5). `layout` has the stored values of the picture reduced to
    8 x 6, row by row; without contrast where that isn't known.
    """

    brightness: float
    contrast: float
    layout: bytes = NO_LAYOUT


class FrameLight(NamedTuple):
    """A frame's picture, None where it can't be read, and the gain of its exposure."""

    picture: PictureLight | None
    gain: float | None = None

    @property
    def through(self) -> float | None:
        """log2 of the light that came through the lens (APEX, CIPA DC-008): of the scene over N^2.

        None where it isn't known.
        """
        if self.picture is None or self.gain is None:
            return None
        return self.picture.brightness - self.gain

    @classmethod
    def of(cls, frame: Frame, picture: PictureLight | None) -> FrameLight:
        """A frame with this picture."""
        return cls(picture, frame.exposure.gain)


PictureReader = Callable[[Frame], PictureLight | None]
"""Gives a frame's light; None where it can't be read."""
Pictures = Callable[[Sequence[Frame]], Sequence[PictureLight | None]]
"""Gives the light of each of some frames."""


def read_picture(frame: Frame) -> PictureLight | None:
    """The light of a frame's thumbnail, else of its picture, if that isn't long.

    None where neither can be read.
    """
    try:
        small = preview_of(frame)
        if small is None and frame.size > _LONGEST_DECODED:
            return None
        if small is None and frame.format is not Jpeg:
            return _light(_whole(frame.path))
        return _light(_decoded(small or frame.path.read_bytes()))
    except Exception:
        # Decoders fail in every way there is on a broken picture, and such a one tells nothing.
        return None


def read_several(frames: Sequence[Frame], pictures: PictureReader) -> Sequence[PictureLight | None]:
    """The light of these frames, several read at once."""
    if pictures is not read_picture:
        return [*map(pictures, frames)]
    return [*spread_each(read_picture, frames)]


class Remembering:
    """Reads each picture once, and keeps its light until it is taken."""

    def __init__(self, pictures: PictureReader) -> None:
        self._pictures = pictures
        self._known: dict[str, PictureLight | None] = {}

    def __call__(self, frames: Sequence[Frame]) -> Sequence[PictureLight | None]:
        """The light of pictures that may be asked for again."""
        new = [frame for frame in frames if frame.file not in self._known]
        read = read_several(new, self._pictures)
        self._known |= zip((frame.file for frame in new), read, strict=True)
        return [self._known[frame.file] for frame in frames]

    def take(self, frames: Sequence[Frame]) -> Sequence[PictureLight | None]:
        """The light of pictures that aren't asked for again."""
        found = self(frames)
        for frame in frames:
            self._known.pop(frame.file, None)
        return found


def preview_of(frame: Frame) -> bytes | None:
    """The embedded JPEG that is quickest to decode; None without one that can be read."""
    if (source := frame.source) is None:
        return None
    try:
        with source as picture:
            return picture.preview(_LONGEST_DECODED)
    except Damaged:
        return None


def _decoded(jpeg: bytes) -> Picture:
    """The luma of a JPEG, reduced while it is decoded; a small one goes to the decoder at once."""
    if (size := _small_size(jpeg)) is not None:
        from PIL import Image

        return _without_bars(Image.frombytes("L", size, jpeg, "jpeg", "L", ""))
    from PIL.JpegImagePlugin import JpegImageFile

    with JpegImageFile(BytesIO(jpeg)) as picture:
        picture.draft("L", (_SMALL, _SMALL))
        return _without_bars(picture if picture.mode == "L" else picture.convert("L"))


def _small_size(jpeg: bytes) -> tuple[int, int] | None:
    """Width and height of a JPEG that isn't reduced, from its frame header (ITU-T T.81, B.2.2).

    None where it is larger, or isn't coded as thumbnails are: in grey or three colours of 8 bits.
    """
    at = 2
    while len(head := jpeg[at : at + _HEADER.size]) == _HEADER.size:
        mark, marker, length, bits, height, width, colours = _HEADER.unpack(head)
        if marker in (0xC0, 0xC1, 0xC2):
            is_usual = mark == 0xFF and bits == 8 and colours in (1, 3)
            return (width, height) if is_usual and 0 < min(width, height) < 2 * _SMALL else None
        at += 2 + length
    return None


def _whole(path: Path) -> Picture | None:
    """The luma of a picture that is no JPEG; None where it isn't one."""
    from PIL import Image, UnidentifiedImageError

    with warnings.catch_warnings():
        # A picture of many pixels is no attack, since it is reduced as it is read; what else is
        # odd about a file, the scan has told.
        warnings.simplefilter("ignore")
        try:
            with Image.open(path) as picture:
                return _without_bars(picture.convert("L"))
        except UnidentifiedImageError:
            return None


def _without_bars(picture: Picture) -> Picture:
    """Its middle.

    Thumbnails of 4:3 show wider pictures with a bar above and below (CIPA DC-008 leaves that to
    makers; common practice).
    """
    bar = picture.height // 8
    return picture.crop((0, bar, picture.width, picture.height - bar))


def _light(picture: Picture | None) -> PictureLight | None:
    if picture is None:
        return None
    import numpy as np
    from PIL.Image import Resampling

    counts = np.array(picture.histogram())
    mean, middle, square = (counts @ _values() / (picture.width * picture.height)).tolist()
    contrast = math.sqrt(max(0.0, square - middle * middle)) / 255
    layout = picture.resize(_LAYOUT, Resampling.BOX).tobytes()
    return PictureLight(math.log2(max(mean, _DARKEST)), contrast, layout)


def likenesses(pairs: bytes) -> Sequence[float | None]:
    """The correlation of two pictures' layouts in log2 of their light, -1 to 1, for pairs of them.

    Exposed otherwise, a picture keeps its layout; aimed a little otherwise, it is shifted by a part
    at the most, and the greatest correlation counts. None where one has hardly any layout.
    """
    several = _PAIRS * 2 * len(NO_LAYOUT)
    parts = (pairs[at : at + several] for at in range(0, len(pairs), several))
    return [one for part in parts for one in _likenesses(part)]


def _likenesses(pairs: bytes) -> Sequence[float | None]:
    import numpy as np

    across, down = _LAYOUT
    logs = _logs()[np.frombuffer(pairs, np.uint8)].reshape(-1, 2, down, across)
    best = np.full(len(logs), -np.inf)
    for x, y in product((-1, 0, 1), repeat=2):
        one = logs[:, 0, max(0, y) : down + min(0, y), max(0, x) : across + min(0, x)]
        other = logs[:, 1, max(0, -y) : down + min(0, -y), max(0, -x) : across + min(0, -x)]
        one, other = (each - each.mean(axis=(1, 2), keepdims=True) for each in (one, other))
        sizes = [np.sqrt((each * each).mean(axis=(1, 2))) for each in (one, other)]
        has_layout = np.minimum(*sizes) >= _LEAST_LAYOUT
        found = (one * other).mean(axis=(1, 2)) / np.where(has_layout, sizes[0] * sizes[1], 1.0)
        best = np.maximum(best, np.where(has_layout, found, -np.inf))
    return [None if one == -np.inf else one for one in best.tolist()]


@cache
def _logs() -> NDArray[Any]:
    """Of each stored value: log2 of its light."""
    import numpy as np

    logs = [math.log2(max(to_linear(value / 255), _DARKEST)) for value in range(256)]
    return np.array(logs, np.float32)


@cache
def _values() -> NDArray[Any]:
    """Of each stored value: its light, itself and its square."""
    import numpy as np

    return np.array([(to_linear(value / 255), value, value * value) for value in range(256)])


def to_linear(value: float) -> float:
    """Light, 0 to 1, from a stored value, 0 to 1: the sRGB curve undone (IEC 61966-2-1)."""
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)
