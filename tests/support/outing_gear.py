"""What the generators of outings in waves and in weather share: bodies, the kit file, figures as
bodies and rings have them, and names and truth of frames."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import count
from typing import Protocol, TypeVar
from zoneinfo import ZoneInfo

import piexif

from support.field_gear import Lens
from support.outing_truth import FrameTruth

Number = TypeVar("Number", int, float)
RATIONAL_LIMIT = 10_000


@dataclass(frozen=True)
class Body:
    """`crop` is the 35 mm equivalent over the focal length."""

    key: str
    maker: str
    model: str
    mount: str
    sensor: tuple[float, float]
    crop: int

    def toml(self) -> str:
        return (
            f'[body.{self.key}]\nmodel = "{self.model}"\nmount = "{self.mount}"\n'
            f"sensor = {list(self.sensor)}\n"
        )


K7 = Body("k7", "Kestrin", "Kestrin K7", "E", (35.9, 23.9), 1)
N2 = Body("n2", "Norrvik", "Norrvik N2", "Micro Four Thirds", (17.3, 13.0), 2)
BODIES = {body.key: body for body in (K7, N2)}
NATIVE = Lens("", "Kestrin", "Kestrin 24-70mm F4", (24, 70), (4.0, 4.0), "E", 0.0, native=True)
"""A lens with contacts, which the kit needn't have."""


@dataclass(frozen=True)
class Setting:
    """What is on a body; the f-number as engraved, the focal length in mm."""

    lens: Lens
    f_number: float
    focal: float

    @property
    def open(self) -> bool:
        return self.f_number == self.lens.widest[0]


class Shot(Protocol):
    """What the shots of all outings have."""

    @property
    def body(self) -> str: ...
    @property
    def setting(self) -> Setting: ...
    @property
    def slate(self) -> str | None: ...


def frame_truth(name: str, shot: Shot, at: datetime) -> FrameTruth:
    setting = shot.setting
    lens = None if setting.lens.native else setting.lens.key
    time, slate = at.isoformat(timespec="milliseconds"), shot.slate is not None
    return FrameTruth(name, shot.body, time, lens, setting.f_number, setting.focal, slate)


def numbered(shots: Iterable[Shot], first: Mapping[str, int]) -> tuple[str, ...]:
    """Names of frames; `first` is the number of each body's first."""
    counts = {body: count(number) for body, number in first.items()}
    return tuple(f"{shot.body.upper()}_{next(counts[shot.body]):04}.JPG" for shot in shots)


def kit_text(bodies: Iterable[Body], lenses: Iterable[Lens]) -> str:
    return "\n".join([*(body.toml() for body in bodies), *(lens.toml() for lens in lenses)])


def exact(mark: float) -> float:
    """The f-number that a mark of the ring stands for, to a sixth of a stop: 5.6 is 2 ** 2.5."""
    return float(2 ** (round(6 * math.log2(mark)) / 6))


def nearest(value: float, steps: Iterable[Number]) -> Number:
    """The step that is fewest stops away."""
    return min(steps, key=lambda step: abs(math.log2(step / value)))


def rational(value: float) -> tuple[int, int]:
    """As Exif has it: a short time is one part of a second."""
    if 0 < value < 0.3:
        return 1, round(1 / value)
    return Fraction(value).limit_denominator(RATIONAL_LIMIT).as_integer_ratio()


def native_tags(f_number: float, focal_mm: float, crop: int) -> dict[int, object]:
    """What a lens with contacts tells the body (CIPA DC-008)."""
    exif, (low, high), (widest, _) = piexif.ExifIFD, NATIVE.focal, NATIVE.widest
    return {
        exif.FNumber: rational(f_number),
        exif.FocalLength: (round(focal_mm), 1),
        exif.FocalLengthIn35mmFilm: round(focal_mm) * crop,
        exif.LensModel: NATIVE.name.encode(),
        exif.LensSpecification: tuple(rational(v) for v in (low, high, widest, widest)),
    }


def clock_line(body: str, ahead_s: float) -> str:
    minutes, seconds = divmod(round(abs(ahead_s)), 60)
    return f"clock {body} {'fast' if ahead_s > 0 else 'slow'} {minutes}m{seconds:02}s"


def ahead_of_log(ahead_s: float, at: datetime, zone: str | None, offset: str | None) -> float:
    """By how much a body is ahead of the log, where its offset and the log's zone differ.

    `ahead_s` is counted on the faces of the clocks; `offset` is OffsetTimeOriginal ("+02:00").
    """
    shift = at.replace(tzinfo=ZoneInfo(zone)).utcoffset() if zone and offset else None
    if shift is None or offset is None:
        return ahead_s
    told = datetime.strptime(offset, "%z").utcoffset()
    return ahead_s + (shift - told).total_seconds() if told is not None else ahead_s
