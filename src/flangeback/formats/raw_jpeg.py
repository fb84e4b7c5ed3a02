"""RAF-type raw: the Exif data are in an embedded JPEG (as seen)."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import ClassVar, cast

from flangeback.formats.jpeg import Jpeg
from flangeback.formats.other_raw import OtherRaw, whole
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.tiff_block import Block

_PLACE_AT = 84
"""Where the embedded JPEG's place and length stand, big-endian."""


class RawWithJpeg(OtherRaw):
    """A raw file that begins with a name of 16 bytes."""

    code: ClassVar = "raw-jpeg"
    mark: ClassVar = (8, b"CCD-RAW")

    @cached_property
    def _jpeg(self) -> Jpeg:
        place = whole(self.reader.read(_PLACE_AT, _PLACE_AT + 8), 8, "header")
        start, size = int.from_bytes(place[:4], "big"), int.from_bytes(place[4:], "big")
        if not start or start + size > self.reader.size:
            raise Damaged("the embedded JPEG lies outside the file")
        # A stretch is read like a file.
        jpeg = cast(FileReader, Stretch(self.reader, start, start + size))
        if not Jpeg.recognises(jpeg):
            raise Damaged("there is no embedded JPEG where it should be")
        return Jpeg(jpeg)

    @property
    def exif(self) -> Block | None:
        return self._jpeg.exif

    @property
    def packets(self) -> Sequence[bytes]:
        return self._jpeg.packets

    def preview(self, longest: int) -> bytes | None:
        return self._jpeg.preview(longest)
