"""Gear and exposure in the outings in weather: lenses that let through less than their f-number
says, rings that aren't quite on their mark, and bodies set by hand or automatically."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from support.field_camera import ISOS, TIMES
from support.field_gear import MARKS, Lens
from support.outing_gear import Setting, exact, nearest
from support.weather_light import Composition

LENSES = (
    Lens("miran58", "Ostrava Optik", "Miran 58mm f/2", (58, 58), (2.0, 2.0), "M42", 0.2),
    Lens("brask135", "Brask", "Brask Tele 135mm f/3.5", (135, 135), (3.5, 3.5), "M42", 0.25),
    Lens("tolvan28", "Ostrava Optik", "Tolvan 28mm f/2.8", (28, 28), (2.8, 2.8), "F", 0.3),
    Lens("sund50", "Brask", "Sund 50mm f/1.4", (50, 50), (1.4, 1.4), "M42", 0.15),
    Lens("varo3570", "Ostrava Optik", "Varo 35-70mm f/3.5-4.5", (35, 70), (3.5, 4.5), "F", 0.4),
    Lens("varo80200", "Brask", "Varo Tele 80-200mm f/4", (80, 200), (4.0, 4.0), "F", 0.5),
)
PRIMES = tuple(lens for lens in LENSES if not lens.zoom)
ZOOMS = tuple(lens for lens in LENSES if lens.zoom)
VIGNETTING = 0.2
"""Stops that a lens loses besides where it is wide open."""
HIGHEST_BY_HAND, HIGHEST_AUTO = 6400, 12_800
LONGEST_S, LONGEST_SLATE_S = 30.0, 8.0
HELD_S = 1 / 50
"""Nobody holds a body still for longer."""
FLASH_S = 1 / 160
CAPPED_EV = -8.0


def marks_at(lens: Lens, focal: float) -> list[float]:
    """The widest and the full stops that the ring has at a focal length. Between the ends of a zoom
    whose widest f-number changes, it has none for wide open."""
    widest = lens.widest[focal != lens.focal[0]]
    marks = [mark for mark in MARKS if mark > widest * 1.05]
    between = focal not in lens.focal and lens.widest[0] != lens.widest[1]
    return marks if between else [widest, *marks]


@dataclass(frozen=True)
class Exposure:
    """Time in s, ISO, and the stops over mid-grey that the picture shows."""

    time_s: float
    iso: int
    leftover: float


class Camera:
    """A body with what is on it. Modes: "aperture" (time automatic, ISO changed by hand where it
    must be), "auto" (ISO automatic), "manual", "flash"."""

    def __init__(self, mode: str, rng: np.random.Generator) -> None:
        self.mode, self._rng = mode, rng
        self.setting: Setting
        self.ring_error = 0.0
        self.compensation = float(rng.choice([0, 0, 0, -0.3, -0.7, 0.3, 0.7]))
        self.flash_stops = 0.0
        self.registered = 0
        self._coming: tuple[int, int] | None = None
        self._iso, self._time_s = 100, 1 / 250
        self._thirds = rng.random() < 0.7
        self._shortest_s = 1 / (8000 if rng.random() < 0.5 else 4000)

    def register(self, how: str) -> None:
        """Key in the focal length for the stabiliser: never anew, in time, or late at times."""
        value, luck = round(self.setting.focal), self._rng.random()
        if how == "never":
            self.registered = self.registered or int(self._rng.choice([50, value]))
        elif how == "follows" or (how == "late" and luck < 0.45):
            self.registered = value
        elif how == "late" and luck < 0.85:
            self._coming = int(self._rng.integers(3, 10)), value

    def next_frame(self) -> None:
        if self._coming:
            wait, value = self._coming
            self._coming = (wait - 1, value) if wait > 1 else None
            if wait <= 1:
                self.registered = value

    def _needed(self, ev: float, composition: Composition) -> float:
        """log2(t * S / 100) that gives mid-grey."""
        setting = self.setting
        loss = setting.lens.loss + (0 if setting.lens.native else self.ring_error)
        if setting.open and not setting.lens.native:
            loss += VIGNETTING
        return 2 * math.log2(exact(setting.f_number)) + loss - ev - composition.level

    def expose(
        self, ev: float, composition: Composition, bias: float = 0.0, *, slate: bool = False
    ) -> Exposure:
        """Expose for light of `ev`. `bias` is what a bracket adds, in stops."""
        needed = self._needed(ev, composition)
        if self.mode == "flash":
            needed = self._needed(0.0, composition) + 0.7 * composition.level
            return Exposure(FLASH_S, 100, self.flash_stops + 6 - needed)
        aim = needed + self.compensation + composition.meter_bias
        if self.mode == "manual":
            time_s, iso = self._time_s * 2**bias, self._iso
        elif self.mode == "auto":
            time_s, iso = self._automatic(aim, bias, slate=slate)
        else:
            time_s, iso = self._priority(aim, bias, slate=slate)
        return Exposure(time_s, iso, math.log2(time_s * iso / 100) - needed)

    def _priority(self, aim: float, bias: float, *, slate: bool) -> tuple[float, int]:
        time_s = 2**aim * 100 / self._iso
        if time_s > HELD_S and self._iso < 3200 and not slate:
            self._raise_iso(time_s)
        elif time_s < self._shortest_s * 1.5:
            self._lower_iso(time_s, 1.5)
        elif time_s < 1 / 1000 and self._iso > 100 and self._rng.random() < 0.1:
            self._iso = 100
        time_s = 2 ** (aim + bias) * 100 / self._iso
        longest = LONGEST_SLATE_S if slate else LONGEST_S
        return self._stepped(min(max(time_s, self._shortest_s), longest)), self._iso

    def _raise_iso(self, time_s: float) -> None:
        while time_s > HELD_S and self._iso < HIGHEST_BY_HAND:
            self._iso, time_s = self._iso * 2, time_s / 2

    def _lower_iso(self, time_s: float, margin: float) -> None:
        while time_s < self._shortest_s * margin and self._iso > 100:
            self._iso, time_s = self._iso // 2, time_s * 2

    def _automatic(self, aim: float, bias: float, *, slate: bool) -> tuple[float, int]:
        time_s = self._time_s
        iso = 100 * 2**aim / time_s
        while iso > 6400 and time_s < 1 and not slate:
            time_s, iso = time_s * 2, iso / 2
            self._time_s = time_s
        if iso < 100:
            time_s, iso = max(time_s * iso / 100, self._shortest_s), 100
        return nearest(time_s * 2**bias, TIMES), nearest(min(iso, HIGHEST_AUTO), ISOS)

    def _stepped(self, time_s: float) -> float:
        return nearest(time_s, TIMES) if self._thirds else time_s

    def set_by_hand(self, ev: float, composition: Composition) -> None:
        """As somebody does who looks at the picture."""
        aim = self._needed(ev, composition) + self.compensation + composition.meter_bias
        self._raise_iso(2**aim * 100 / self._iso)
        self._lower_iso(2**aim * 100 / self._iso, 1.3)
        time_s = 2**aim * 100 / self._iso
        self._time_s = nearest(min(max(time_s, self._shortest_s), LONGEST_S), TIMES)
