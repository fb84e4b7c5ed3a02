"""PNG files: the eXIf chunk and the XMP packet (PNG, third edition; ISO 16684-3)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from functools import cached_property
from typing import ClassVar

from flangeback.formats.frame_file import SEVERAL_BLOCKS
from flangeback.formats.parts import MOST_PARTS, FileOfParts, Part
from flangeback.formats.reader import Damaged, Stretch
from flangeback.formats.splices import Refused, Splice
from flangeback.formats.tiff_block import Block
from flangeback.tags.table import TagValue

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_XMP = b"XML:com.adobe.xmp\0"
_PROFILES = (b"Raw profile type exif\0", b"Raw profile type APP1\0")
_XMP_PROFILE = b"Raw profile type xmp\0"
"""Texts in which older writers kept Exif data and the XMP packet (common practice)."""
_PLAIN_TEXTS = (b"tEXt", b"zTXt")
_GREATEST = 2**31 - 1
_LONGEST_TEXT = 1 << 24


class Png(FileOfParts):
    """A PNG file."""

    code: ClassVar = "png"
    title: ClassVar = "PNG"
    mark: ClassVar = (0, _SIGNATURE)
    suffixes: ClassVar = (".png",)
    rank: ClassVar = 2

    def walk(self) -> Iterator[Part]:
        at = len(_SIGNATURE)
        for _ in range(MOST_PARTS):
            head = self.reader.read(at, at + 8)
            start = at + 8
            end = start + int.from_bytes(head[:4], "big")
            if len(head) < 8 or end + 4 > self.reader.size:
                raise Damaged(f"the PNG breaks off in the chunk at byte {at}")
            if at == len(_SIGNATURE) and (head[4:] != b"IHDR" or end - start != 13):
                raise Damaged("the PNG doesn't begin with its header")
            yield Part(head[4:], at, start, end, end + 4)
            if head[4:] == b"IEND":
                return
            at = end + 4
        raise Damaged(f"there are more than {MOST_PARTS} chunks")

    def _texts(
        self, keywords: Sequence[bytes], kinds: Sequence[bytes]
    ) -> Iterator[tuple[Part, bytes]]:
        """The chunks of text with one of these keywords, and their contents."""
        for chunk in self.all_of(*kinds):
            if chunk.end - chunk.start <= _LONGEST_TEXT:
                data = self.contents(chunk)
                if data.startswith(tuple(keywords)):
                    yield chunk, data

    @cached_property
    def exif(self) -> Block | None:
        chunk = self.first(b"eXIf")
        if chunk is not None:
            return Block(Stretch(self.reader, chunk.start, chunk.end))
        for profile in self._texts(_PROFILES, _PLAIN_TEXTS):
            return Block(_digits(_plain(*profile)).removeprefix(b"Exif\0\0"))
        return None

    @cached_property
    def packets(self) -> Sequence[bytes]:
        """Those in international texts come first: one in another can't be edited."""
        found = [_text_of(data)[1] for _, data in self._texts((_XMP,), (b"iTXt",))]
        others = list[bytes]()
        for chunk, data in self._texts((_XMP, _XMP_PROFILE), _PLAIN_TEXTS):
            with suppress(Damaged):  # Such a text states nothing.
                text = _plain(chunk, data)
                others.append(text if data.startswith(_XMP) else _digits(text))
        return [*(found or [b""]), *others]

    @property
    def holds_seal(self) -> bool:
        return self.first(b"caBX") is not None

    def obstacle(self, values: Sequence[TagValue]) -> str | None:
        found = self._texts((*_PROFILES, _XMP_PROFILE, _XMP), _PLAIN_TEXTS)
        is_in_text = next(found, None) is not None
        return "its metadata are in a text chunk" if is_in_text else super().obstacle(values)

    def splices(self, values: Sequence[TagValue], packet: bytes | None) -> Iterable[Splice]:
        from flangeback.formats.tiff_edit import applied_to, new_block

        head, chunk = self.parts[0], self.first(b"eXIf")
        if len(self.all_of(b"eXIf")) > 1:
            raise Refused(SEVERAL_BLOCKS)
        block = None if chunk is None else self.exif
        if block is None:
            size = struct.unpack(">II", self.reader.read(head.start, head.start + 8))
            block = new_block(size, has_profile=self.first(b"iCCP") is not None)
        yield self._chunk_splice(chunk, b"eXIf", applied_to(block, values, _GREATEST))
        if packet is not None:
            text, data = next(self._texts((_XMP,), (b"iTXt",)), (None, b""))
            tail = bytes(2) if text is None else _text_of(data)[0]
            yield self._chunk_splice(text, b"iTXt", _XMP + bytes(2) + tail + packet)

    def _chunk_splice(self, chunk: Part | None, kind: bytes, contents: bytes) -> Splice:
        """The chunk with these contents; a new one comes before the picture.

        In a moving one it comes last, or some readers see it stand.
        """
        checksum = struct.pack(">I", zlib.crc32(kind + contents))
        fresh = struct.pack(">I", len(contents)) + kind + contents + checksum
        pictures = self.all_of(b"IDAT")
        if not (chunk or pictures):
            raise Refused("there is no picture in it")
        last_or_first = self.parts[-1] if self.first(b"acTL") or not pictures else pictures[0]
        return self.placed(chunk, fresh, last_or_first.at)


def _text_of(data: bytes) -> tuple[bytes, bytes]:
    """An international text: its language fields, and the text itself. Raises Damaged."""
    language, _, rest = data[len(_XMP) + 2 :].partition(b"\0")
    translated, _, text = rest.partition(b"\0")
    is_compressed = data[len(_XMP) : len(_XMP) + 1] == b"\1"
    return language + b"\0" + translated + b"\0", _inflated(text) if is_compressed else text


def _plain(chunk: Part, data: bytes) -> bytes:
    """The text behind the keyword of a chunk. Raises Damaged."""
    text = data.partition(b"\0")[2]
    return _inflated(text[1:]) if chunk.type == b"zTXt" else text


def _digits(text: bytes) -> bytes:
    """What a text holds in hexadecimal digits, behind its name and length. Raises Damaged."""
    try:
        _, _, _, *lines = text.split(b"\n")
        return bytes.fromhex(b"".join(lines).decode("ascii"))
    except ValueError:
        raise Damaged("the metadata in a text chunk can't be read") from None


def _inflated(data: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(data, _LONGEST_TEXT)
    except zlib.error as error:
        raise Damaged(f"a compressed text can't be read: {error}") from None
