"""Small JPEG frames as bodies write them, made with piexif."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import piexif

from support.plain_jpeg import APP1, EXIF, picture, segment, with_segments

DATE_TIME_ORIGINAL, DATE_TIME_DIGITIZED = 0x9003, 0x9004
SUB_SEC, SUB_SEC_DIGITIZED, OFFSET = 0x9291, 0x9292, 0x9011
F_NUMBER, APERTURE_VALUE, FOCAL_LENGTH, FOCAL_LENGTH_35MM = 0x829D, 0x9202, 0x920A, 0xA405
BODY_SERIAL, SPECIFICATION, LENS_MAKE, LENS_MODEL = 0xA431, 0xA432, 0xA433, 0xA434
LENS_SERIAL = 0xA435
"""CIPA DC-008, 4.6.5 and 4.6.6."""

_PICTURE = picture()


def frame_bytes(exif: dict[int, Any] | None = None, model: str | None = "Kestrin K7") -> bytes:
    """A frame whose Exif directory holds these tags."""
    main = {} if model is None else {0x0110: model.encode(), 0x010F: b"Kestrin"}
    block: bytes = piexif.dump({"0th": main, "Exif": exif or {}})
    return with_segments(_PICTURE, segment(APP1, EXIF + block[6:]))


def put_frame(folder: Path, file: str, exif: dict[int, Any] | None = None, **more: Any) -> Path:
    """Such a frame as a file of the folder."""
    path = folder / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(frame_bytes(exif, **more))
    return path
