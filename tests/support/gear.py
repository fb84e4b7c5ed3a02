"""A made-up lens, and outcomes that fill frames with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from flangeback.frames import Frame, read_frame
from flangeback.kit import Lens
from flangeback.match import FrameMatch, Matches, Outcome
from flangeback.tags import Fill

MIRAN = Lens(
    "miran58",
    "Miran 58mm f/2",
    "M42",
    focal=(Decimal(58), Decimal(58)),
    widest=(Decimal(2), Decimal(2)),
    narrowest=Decimal(16),
    maker="Ostrava Optik",
    serial="6612345",
)
AT_2_8 = Fill(MIRAN, None, Decimal("2.8"), Decimal(58), 58)
AT_5_6 = replace(AT_2_8, f_number=Decimal("5.6"))

IN_EXIF: Mapping[str, str] = {
    "FNumber": "28/10",
    "ApertureValue": "29709/10000",
    "MaxApertureValue": "2/1",
    "FocalLength": "58/1",
    "FocalLengthIn35mmFilm": "58",
    "LensSpecification": "58/1 58/1 2/1 2/1",
    "LensMake": "Ostrava Optik",
    "LensModel": "Miran 58mm f/2",
    "LensSerialNumber": "6612345",
}
"""AT_2_8 by the tags' standard names, worked by hand: 2 log2 2.8 = 2.9709, 2 log2 2 = 2."""

TAG_NUMBERS = {
    0x829D: "FNumber",
    0x9202: "ApertureValue",
    0x9205: "MaxApertureValue",
    0x920A: "FocalLength",
    0xA405: "FocalLengthIn35mmFilm",
    0xA432: "LensSpecification",
    0xA433: "LensMake",
    0xA434: "LensModel",
    0xA435: "LensSerialNumber",
}
"""CIPA DC-008, 4.6.6 and 4.6.10."""


def filled(frame: Frame, fill: Fill = AT_2_8) -> FrameMatch:
    """The outcome that fills this frame whatever it says; a damaged one is left alone."""
    if frame.damage is not None:
        return FrameMatch(frame, Outcome.UNREADABLE, reason=frame.damage)
    return FrameMatch(frame, Outcome.FILL, body="k7", fill=fill, log="session.txt", log_line=8)


def all_filled(folder: Path, names: Iterable[str], fill: Fill = AT_2_8) -> Matches:
    """The files of a folder, each filled."""
    return Matches(tuple(filled(read_frame(folder, name), fill) for name in names))
