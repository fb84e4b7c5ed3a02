"""What is true of a made outing, apart from what its frames and its log say.

Only a scorer reads it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

TRUTH = "truth.json"
FRAMES = "frames"
Document = Mapping[str, Any]
"""What `match --json` prints (schema flangeback/match-1)."""


@dataclass(frozen=True)
class FrameTruth:
    """One frame. Its lens is a key of the kit, None where a native lens was on the body; the focal
    length is in mm. A slate frame has the settings that the lens had when it was made."""

    file: str
    body: str
    time: str
    lens: str | None
    f_number: float | None
    focal_length: float | None
    slate: bool


@dataclass(frozen=True)
class ChangeTruth:
    """One change of lens, f-number or focal length, made after `place` frames of that body.
    `stops` is how far the ring was turned, 0 for a change of lens."""

    body: str
    place: int
    kind: str
    stops: float
    noted: bool


@dataclass(frozen=True)
class ClockTruth:
    """By how many seconds the body's clock was ahead of the log's: more than one figure where it
    changed on the way or where two readings are right, none where the log isn't of these frames."""

    body: str
    ahead_s: tuple[float, ...]
    stated_s: float | None
    tolerance_s: float


@dataclass(frozen=True)
class OutingTruth:
    """A whole outing; `group` is "honest" or "faulty", or "honest-after" where notes are right, but
    written after frames were made with what they note."""

    kind: str
    group: str
    seed: int
    frames: tuple[FrameTruth, ...]
    changes: tuple[ChangeTruth, ...]
    clocks: tuple[ClockTruth, ...]


def write_truth(truth: OutingTruth, folder: Path) -> None:
    (folder / TRUTH).write_text(json.dumps(asdict(truth), indent=1) + "\n", "utf-8")


def read_truth(folder: Path) -> OutingTruth:
    data = json.loads((folder / TRUTH).read_text("utf-8"))
    return OutingTruth(
        data["kind"],
        data["group"],
        data["seed"],
        tuple(FrameTruth(**frame) for frame in data["frames"]),
        tuple(ChangeTruth(**change) for change in data["changes"]),
        tuple(ClockTruth(**{**c, "ahead_s": tuple(c["ahead_s"])}) for c in data["clocks"]),
    )
