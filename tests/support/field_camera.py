"""How a body exposes: time and ISO in steps or without, and what is left over for the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from support.field_gear import Body

_SECONDS = (30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4)
_PARTS: tuple[int, ...] = (
    3,
    4,
    5,
    6,
    8,
    10,
    13,
    15,
    20,
    25,
    30,
    40,
    50,
    60,
    80,
    100,
    125,
    160,
    200,
    250,
    320,
    400,
)
_PARTS += (500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000)
TIMES = (*map(float, _SECONDS), *(1 / part for part in _PARTS))
"""Exposure times as bodies write them (common practice). In truth each is 2 ** (5 - n / 3) s."""
ISOS: tuple[int, ...] = (
    100,
    125,
    160,
    200,
    250,
    320,
    400,
    500,
    640,
    800,
    1000,
    1250,
    1600,
    2000,
    2500,
    3200,
)
ISOS += (4000, 5000, 6400, 8000, 10_000, 12_800)
SHORTEST = 13.0
"""Tv of the shortest time."""


@dataclass(frozen=True)
class Exposure:
    """Time in s and ISO as written; `leftover` in stops over mid-grey, which the picture shows."""

    time_s: float
    iso: int
    leftover: float


class Meter:
    """A body's automatic or manual exposure, which remembers its settings from frame to frame.

    Modes: "priority" (ISO by hand, time automatic), "auto" (both automatic), "manual" (both by
    hand, set anew when the picture is far off), "flash" (both constant).
    """

    def __init__(self, body: Body, mode: str, rng: Random) -> None:
        self._body, self._mode, self._rng = body, mode, rng
        self._sv = 0.0  # stops over ISO 100
        self._tv = math.log2(160)
        self._next_look = True

    def new_scene(self) -> None:
        self._next_look = True

    def expose(
        self, ev: float, f_number: float, bias: float, focal: float, *, slate: bool = False
    ) -> Exposure:
        """Expose for light of `ev` at the f-number. `bias` is what a bracket adds, in stops. For a
        slate frame nobody sets anything by hand."""
        need = ev - 2 * math.log2(f_number)  # Tv - Sv that gives mid-grey
        aim = need + self._rng.gauss(0, 0.12) - bias
        if self._mode in ("manual", "flash"):
            if not slate:
                self._by_hand(aim)
            tv, sv = self._tv - bias, self._sv
        elif self._mode == "auto":
            tv, sv = self._automatic(aim, focal)
        else:
            tv, sv = self._priority(aim, slate=slate)
        return self._written(tv, sv, need)

    def _by_hand(self, aim: float) -> None:
        off = aim - (self._tv - self._sv)
        if self._mode == "manual" and (self._next_look or abs(off) > 2.2):
            self._sv = float(min(max(math.ceil(8 - aim), 0), 6))
            self._tv = min(round(aim + self._sv), SHORTEST)
            self._next_look = False

    def _automatic(self, aim: float, focal: float) -> tuple[float, float]:
        slowest = math.log2(max(focal, 40.0))
        highest = math.log2(self._body.highest_iso / 100)
        sv = min(max(slowest - aim, 0.0), highest)
        return min(max(aim + sv, -math.log2(self._body.longest_s)), SHORTEST), sv

    def _priority(self, aim: float, *, slate: bool) -> tuple[float, float]:
        if not slate and (self._next_look or not 3.0 < aim + self._sv < SHORTEST):
            self._sv = float(min(max(math.ceil(7 - aim), 0), 6))
            self._next_look = False
        return min(max(aim + self._sv, -math.log2(self._body.longest_s)), SHORTEST), self._sv

    def _written(self, tv: float, sv: float, need: float) -> Exposure:
        if not self._body.thirds:
            iso = round(100 * 2**sv)
            return Exposure(2**-tv, iso, need - tv + math.log2(iso / 100))
        step = min(max(round(3 * (tv + 5)), 0), len(TIMES) - 1)
        iso_step = min(max(round(3 * sv), 0), len(ISOS) - 1)
        return Exposure(TIMES[step], ISOS[iso_step], need - (step / 3 - 5) + iso_step / 3)
