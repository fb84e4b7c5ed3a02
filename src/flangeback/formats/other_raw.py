"""What raw files have in common whose structure is read, but not edited."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from typing import ClassVar

from flangeback.formats.frame_file import FrameFile
from flangeback.formats.reader import Damaged
from flangeback.formats.tiff_block import Block
from flangeback.tags.table import TagValue

_EXIF_LEAD = 6


class OtherRaw(FrameFile):
    """A raw file of another structure than TIFF's: a sidecar takes the values."""

    title: ClassVar = "raw of this structure"
    is_raw: ClassVar = True

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        return f"{self.title} is read, but not written"


def exif_block(
    maker: str,
    model: str,
    serial: str,
    seconds: int,
    f_number: float | None,
    focal_length: float | None,
    focal_length_35mm: int | None = None,
) -> Block:
    """What a structure of its own says of a frame, as the Exif block that it would be.

    `seconds` is the camera's clock, counted from the start of 1970; 0 where it isn't known.
    """
    import piexif

    main, tags = piexif.ImageIFD, piexif.ExifIFD
    exif: dict[int, object] = {tags.BodySerialNumber: serial.encode()} if serial else {}
    if seconds:
        at = datetime.fromtimestamp(seconds, UTC)
        exif[tags.DateTimeOriginal] = f"{at:%Y:%m:%d %H:%M:%S}".encode()
    for tag, value in ((tags.FNumber, f_number), (tags.FocalLength, focal_length)):
        if value is not None and 0 < value < 1 << 16:
            ratio = Fraction(value).limit_denominator(100)
            exif[tag] = ratio.numerator, ratio.denominator
    if focal_length_35mm and 0 < focal_length_35mm < 1 << 16:
        exif[tags.FocalLengthIn35mmFilm] = focal_length_35mm
    named = {main.Make: maker.encode(), main.Model: model.encode()}
    return Block(piexif.dump({"0th": named, "Exif": exif})[_EXIF_LEAD:])


def text(data: bytes) -> str:
    """A text up to its first NUL."""
    return data.split(b"\0", 1)[0].decode("latin-1").strip()


def whole(data: bytes, size: int, what: str) -> bytes:
    """The data. Raises Damaged where they have another size: the file ends before."""
    if len(data) != size:
        raise Damaged(f"the file breaks off in its {what}")
    return data
