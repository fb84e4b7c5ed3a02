"""Proof that an edit kept to a JPEG's metadata, by a walk of its own (ITU-T T.81, annex B)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import BinaryIO

from flangeback.copies.transfer import ProofError
from flangeback.embed.model import Splice

_JFIF, _METADATA, _SCAN = 0xE0, (0xE1, 0xE2), 0xDA
"""Exif and XMP are in APP1, the multi-picture index is in APP2."""
_WITHOUT_LENGTH = (0x01, *range(0xD0, 0xD9))


def check_places(source: BinaryIO, splices: Sequence[Splice]) -> None:
    """Raises ProofError where a splice reaches into the picture, its tables, or what follows."""
    places = list(_places(source))
    for splice in splices:
        if not any(start <= splice.start and splice.end <= end for start, end in places):
            raise ProofError(f"the edit at byte {splice.start} isn't within the metadata")


def _places(file: BinaryIO) -> Iterator[tuple[int, int]]:
    """The segments that hold metadata, and where a new one may begin."""
    at = 2
    yield at, at
    while True:
        file.seek(at)
        head = file.read(4)
        if len(head) < 4 or head[0] != 0xFF or head[1] == _SCAN:
            return
        if head[1] == 0xFF or head[1] in _WITHOUT_LENGTH:
            at += 1 if head[1] == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(head[2:], "big")
        if head[1] in _METADATA:
            yield at, end
        elif head[1] == _JFIF:
            yield end, end
        at = end
