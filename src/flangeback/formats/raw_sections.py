"""X3F-type raw: sections with a directory at the end, properties as texts (published format)."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import ClassVar, cast

from flangeback.formats.jpeg import Jpeg
from flangeback.formats.other_raw import OtherRaw, exif_block, whole
from flangeback.formats.reader import Damaged, FileReader, Stretch
from flangeback.formats.tiff_block import Block

_MOST_SECTIONS, _MOST_PROPERTIES, _LONGEST_PROPERTIES = 256, 1024, 1 << 20
_IMAGE_HEAD = 28
_JPEG_DATA = 18
"""Data type of an image section that holds a JPEG."""


class RawSections(OtherRaw):
    """A raw file of sections; newer ones have a JPEG with Exif data among them."""

    code: ClassVar = "raw-sections"
    mark: ClassVar = (0, b"FOVb")

    def _sections(self) -> Iterator[tuple[bytes, int, int]]:
        """Each section's type, and where it starts and ends."""
        size = self.reader.size
        at = int.from_bytes(self.reader.read(size - 4, size), "little")
        head = whole(self.reader.read(at, at + 12), 12, "directory")
        count = int.from_bytes(head[8:], "little")
        if head[:4] != b"SECd" or count > _MOST_SECTIONS:
            raise Damaged("there is no directory of sections at the end")
        rows = whole(self.reader.read(at + 12, at + 12 + 12 * count), 12 * count, "directory")
        for start, length, kind in struct.iter_unpack("<II4s", rows):
            yield kind, start, start + length

    @cached_property
    def exif(self) -> Block:
        properties: Mapping[str, str] = {}
        for kind, start, end in self._sections():
            if kind == b"PROP":
                properties = self._properties(start, end)
            if kind in (b"IMAG", b"IMA2"):
                jpeg = cast(FileReader, Stretch(self.reader, start + _IMAGE_HEAD, end))
                type_of_data = self.reader.read(start + 12, start + 16)
                is_jpeg = int.from_bytes(type_of_data, "little") == _JPEG_DATA
                block = Jpeg(jpeg).exif if is_jpeg and Jpeg.recognises(jpeg) else None
                if block is not None:
                    return block
        if not properties:
            raise Damaged("there are neither properties nor a JPEG with Exif data")
        return exif_block(
            properties.get("CAMMANUF", ""),
            properties.get("CAMMODEL", ""),
            properties.get("CAMSERIAL", ""),
            int(_number(properties.get("TIME")) or 0),
            _number(properties.get("AP_DESC")) or _number(properties.get("APERTURE")),
            _number(properties.get("FLENGTH")),
            int(_number(properties.get("FLEQ35MM")) or 0),
        )

    def _properties(self, start: int, end: int) -> Mapping[str, str]:
        """Names and values: pairs of offsets, in characters, into a text in UTF-16."""
        data = self.reader.read(start, min(end, start + _LONGEST_PROPERTIES))
        if len(data) < 24:
            raise Damaged("the file breaks off in its properties")
        count = min(int.from_bytes(data[8:12], "little"), _MOST_PROPERTIES)
        places = whole(data[24 : 24 + 8 * count], 8 * count, "properties")
        texts = data[24 + 8 * count :]

        def text(offset: int) -> str:
            return texts[2 * offset :][:512].decode("utf-16-le", "ignore").split("\0")[0]

        return {text(name): text(value) for name, value in struct.iter_unpack("<II", places)}


def _number(text: str | None) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return None
