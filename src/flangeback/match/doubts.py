"""Reasons for a person to look at a frame."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class DoubtKind(StrEnum):
    """Kinds of reasons to look at a frame."""

    NEAR_CHANGE = "near-change"
    TOLD_BY_LIGHT = "told-by-light"
    PLACED_IN_GAP = "placed-in-gap"
    LIGHT_STEP = "light-step"
    REGISTERED_FOCAL = "registered-focal"
    NATIVE_LENS = "native-lens"
    PAIR_DIFFERS = "pair-differs"
    CLOCK_UNSURE = "clock-unsure"
    NO_TIME = "no-time"
    SENSOR_UNSURE = "sensor-unsure"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reason, in words and as a kind, for a person to look at a frame.

    `f_number` is the mark on the ring that it would mean, of a step of the light.
    """

    kind: DoubtKind
    text: str
    f_number: Decimal | None = None
