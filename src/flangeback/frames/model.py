"""A frame as its file tells it."""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from flangeback.formats import FileReader, FrameFile
from flangeback.formats.jpeg import Jpeg
from flangeback.system import Identity

_NOTHING = r"[\s0.\-‐-―_]*"
_BLANK = re.compile(
    rf"{_NOTHING}(mm\s*f\s*/?{_NOTHING})?|none|n/?a|no[- ]?lens|unknown|manual lens", re.IGNORECASE
)


@lru_cache(maxsize=1024)
def is_blank(text: str | None) -> bool:
    """Whether a text tag says nothing.

    It is absent or empty, has only dashes, spaces or zeros, 0 mm f/0 or -- mm f/--, or one of the
    names that bodies make up for no lens (common practice).
    """
    return text is None or _BLANK.fullmatch(text) is not None


MANIFEST = "flangeback-manifest.jsonl"
"""What a folder of copies is known by."""


def without_suffix(file: str) -> str:
    """A file's path without the suffix of its name; folders may have dots, names no suffix."""
    folder, slash, name = file.rpartition("/")
    return folder + slash + (name.rpartition(".")[0] or name)


def filled(value: Fraction | None) -> Fraction | None:
    """A number, or None where the tag is absent, zero, or a rational over zero."""
    return value if value is not None and value.numerator > 0 else None


@dataclass(frozen=True, slots=True)
class CameraTime:
    """When the body says the frame was made.

    `at` is its own clock's reading, naive; `resolution` the width of that reading (a second, less
    with sub-seconds); `offset` from UTC where the frame states one (Exif OffsetTimeOriginal).
    """

    at: datetime
    resolution: timedelta = timedelta(seconds=1)
    offset: timedelta | None = None


@dataclass(frozen=True, slots=True)
class LensData:
    """The lens data a frame carries; what is blank is None.

    Focal lengths are in mm, `widest_f_number` is the lens's at the focal length it was used at.
    """

    lens: str | None = None
    f_number: Fraction | None = None
    focal_length: Fraction | None = None
    focal_length_35mm: int | None = None
    maker: str | None = None
    serial: str | None = None
    specification: tuple[Fraction | None, ...] = ()
    widest_f_number: Fraction | None = None

    @property
    def says_lens(self) -> bool:
        """Whether a lens is named: by its name, or by a specification with an aperture in it.

        A focal length alone may be one registered for the stabiliser.
        """
        if self.lens is not None or not self.specification:
            return self.lens is not None
        return any(map(filled, self.specification[2:4]))

    @property
    def is_native(self) -> bool:
        """Whether a lens is named and gave its f-number."""
        return self.says_lens and self.f_number is not None

    @property
    def is_whole(self) -> bool:
        """Whether lens, f-number and focal length are all there."""
        return self.is_native and self.focal_length is not None

    @property
    def registered_focal_length(self) -> Fraction | None:
        """In mm, the focal length that a body with no lens data wrote.

        It was keyed in for the stabiliser (common practice).
        """
        return None if self.says_lens or self.f_number is not None else self.focal_length


@dataclass(frozen=True, slots=True)
class Exposure:
    """How the frame was exposed; None where it doesn't say.

    `time` is in seconds, `iso` the sensitivity (Exif PhotographicSensitivity).
    """

    time: Fraction | None = None
    iso: int | None = None
    gain: float | None = field(init=False, repr=False, compare=False)
    """log2 of time times ISO / 100; frames share it with their exposure."""

    def __post_init__(self) -> None:
        time, iso = self.time or 0, self.iso or 0
        known = math.log2(float(time) * iso / 100) if min(time, iso) > 0 else None
        object.__setattr__(self, "gain", known)


@dataclass(frozen=True, slots=True)
class FocalPlane:
    """The sensor as the frame tells it: the picture's size in pixels, and pixels per mm."""

    width: int
    height: int
    x_resolution: Fraction
    y_resolution: Fraction


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame of `folder`. `file` is relative to it, with `/`.

    A frame of several files (a JPEG and a raw file with one stem and one time) is described by its
    first; the others are its `companions`. `lens_data` is what Exif and XMP state together, in the
    file and its sidecars, and `stated` what each of these places does. `format` is the file's,
    `identity` tells the file that was read from any other; `sidecars` are the XMP files beside it,
    relative to the folder, the one for its own suffix first. `damage` says why the file can't be
    read as a picture; it is None for a sound one. `pixels` is the picture's width and height as the
    Exif data has them, `digital_zoom` a ratio above 1 where the picture was enlarged from a part of
    the sensor; `exif_version` is the standard's by which the file's Exif data are ("0220"), empty
    where it doesn't say; `is_sealed` says that a seal covers the file, which any change breaks
    (C2PA), `may_refuse` that its structure may allow no edit.
    """

    file: str
    folder: Path = field(compare=False)
    size: int = 0
    modified_ns: int = 0
    make: str | None = None
    model: str | None = None
    serial: str | None = None
    time: CameraTime | None = None
    lens_data: LensData = LensData()
    damage: str | None = None
    exposure: Exposure = Exposure()
    focal_plane: FocalPlane | None = None
    pixels: tuple[int, int] | None = None
    digital_zoom: Fraction | None = None
    gps_time: datetime | None = None
    format: type[FrameFile] = Jpeg
    identity: Identity | None = field(default=None, compare=False, repr=False)
    companions: tuple[Frame, ...] = ()
    sidecars: tuple[str, ...] = ()
    stated: tuple[LensData, ...] = ()
    exif_version: str = ""
    is_sealed: bool = False
    may_refuse: bool = False

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return self.folder / self.file

    @property
    def source(self) -> FrameFile | None:
        """The file itself; None where its content isn't of its format."""
        if self.identity is None:
            return None
        # Joined as texts: of each path's parts pathlib would keep a table.
        return self.format(FileReader(os.path.join(self.folder, self.file), self.identity))  # noqa: PTH118

    @property
    def files(self) -> tuple[Frame, ...]:
        """Each file of the frame, as a frame of its own; the one that describes it comes first."""
        alone = replace(self, companions=()) if self.companions else self
        return (alone, *self.companions)

    @property
    def stem(self) -> str:
        """The name without folder and suffix."""
        return without_suffix(self.file).rsplit("/", 1)[-1]
