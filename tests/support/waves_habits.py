"""Photographers who write down each change before they go on, in light that rises and sinks in
three slow waves. Within that light each composition has a level of its own.

Times are seconds from the start of the outing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from support.field_camera import ISOS, TIMES
from support.field_gear import Lens
from support.outing_gear import NATIVE, Setting, exact, nearest

LENSES = (
    Lens("miran58", "Ostrava Optik", "Miran 58mm f/2", (58, 58), (2.0, 2.0), "M42", 0),
    Lens("brask135", "Brask", "Brask Tele 135mm f/2.8", (135, 135), (2.8, 2.8), "M42", 0),
    Lens("tolvan28", "Ostrava Optik", "Tolvan 28mm f/2.8", (28, 28), (2.8, 2.8), "F", 0),
    Lens("selka85", "Brask", "Selka 85mm f/1.4", (85, 85), (1.4, 1.4), "K", 0),
    Lens("orlan35", "Ostrava Optik", "Orlan 35mm f/2", (35, 35), (2.0, 2.0), "K", 0),
    Lens("varo3570", "Brask", "Varo 35-70mm f/3.5", (35, 70), (3.5, 3.5), "M42", 0),
    Lens("varo80200", "Brask", "Varo 80-200mm f/4-5.6", (80, 200), (4.0, 5.6), "F", 0),
)
PRIMES = tuple(lens for lens in LENSES if not lens.zoom)
ZOOMS = tuple(lens for lens in LENSES if lens.zoom)
ENGRAVED = 35, 50, 70, 80, 100, 135, 200
"""Focal lengths in mm at which zooms are set."""
NARROWEST_USED = 11
SHORTEST_S = 1 / 8000
PLACES_OF_A_BRACKET = 0.0, -2.0, 2.0


@dataclass(frozen=True)
class Style:
    """Standard deviations in stops of a composition, of a frame in it, and the size of the waves;
    seconds between compositions and between frames; frames of a composition."""

    composition: float
    frame: float
    waves: float
    pause_s: tuple[float, float]
    gap_s: tuple[float, float]
    frames: tuple[int, int]


STYLES = {
    "landscape": Style(0.45, 0.05, 0.5, (40, 400), (3, 25), (1, 4)),
    "street": Style(1.1, 0.15, 0.4, (15, 150), (1, 8), (1, 5)),
    "portrait": Style(0.3, 0.08, 0.3, (10, 90), (0.3, 1.5), (4, 14)),
    "stage": Style(1.0, 0.5, 0.2, (8, 90), (0.5, 8), (2, 8)),
    "studio": Style(0.06, 0.05, 0.0, (10, 90), (2, 8), (3, 10)),
    "even": Style(0.5, 0.1, 0.3, (30, 30), (30, 30), (1, 3)),
}


@dataclass(frozen=True)
class Habit:
    """How somebody works. Modes: "aperture" (time automatic), "auto" (time and ISO automatic),
    "manual", "flash" (the flash is set to each f-number). A slate is "hand", "cap" or "either";
    the change number `unmarked` gets none. Shares: turns that aren't noted, f-numbers noted as not
    known."""

    style: str = "landscape"
    bodies: tuple[str, ...] = ("k7",)
    frames: int = 80
    mode: str = "aperture"
    zoom: bool = False
    native: bool = False
    registered: bool = False
    brackets: bool = False
    slate: str | None = None
    unmarked: int | None = None
    forget_turn: float = 0.0
    unsure: float = 0.0


@dataclass(frozen=True)
class Shot:
    """One frame. `ev` is the light at ISO 100, `registered` the focal length keyed in, in mm."""

    body: str
    time: float
    setting: Setting
    composition: int
    ev: float
    time_s: float
    iso: int
    registered: float | None
    bias: float = 0.0
    bracket: bool = False
    flash: bool = False
    slate: str | None = None

    @property
    def leftover(self) -> float:
        """Stops over mid-grey, which the picture shows (APEX: Bv + Sv - Av - Tv)."""
        apex_time = -math.log2(self.time_s)
        return self.ev - 2 * math.log2(exact(self.setting.f_number)) - apex_time + self.sv

    @property
    def sv(self) -> float:
        return math.log2(self.iso / 100)


@dataclass(frozen=True)
class Change:
    """A change made between two frames of its body, the second of which may be a slate frame."""

    body: str
    before: float
    after: float
    setting: Setting
    kind: str
    stops: float
    noted: bool = True
    known: bool = True


@dataclass
class Held:
    """A body as it is held: what is on it, and how it exposes."""

    mode: str
    iso: int
    slowest_s: float
    longest_s: float
    setting: Setting | None = None
    frames: int = 0
    until: int = 0
    registered: float | None = None
    level: float = 0.0
    meter_error: float = 0.0
    by_hand: tuple[float, int] = (1 / 250, 200)

    def expose(
        self, ev: float, f_number: float, bias: float, slate: str | None
    ) -> tuple[float, int]:
        """Time in s and ISO for light of `ev`."""
        if self.mode == "flash":
            return 1 / 160, 100
        if self.mode == "manual":
            return self.by_hand
        metered = ev - bias + (0 if slate else self.meter_error)
        needed = exact(f_number) ** 2 / 2**metered  # seconds at ISO 100
        if self.mode == "aperture":
            longest = self.longest_s if slate == "cap" else 15.0
            return timed(needed * 100 / self.iso, longest), self.iso
        if needed <= self.slowest_s:
            return timed(needed, self.longest_s), 100
        iso = nearest(min(100 * needed / self.slowest_s, ISOS[-1]), ISOS)
        return timed(needed * 100 / iso, self.longest_s), iso

    def set_by_hand(self, ev: float) -> None:
        assert self.setting is not None
        needed = exact(self.setting.f_number) ** 2 / 2**ev
        self.by_hand = timed(needed * 100 / self.iso, 4.0), self.iso


def timed(seconds: float, longest: float) -> float:
    return nearest(min(max(seconds, SHORTEST_S), longest), TIMES)


class Photographer:
    """Plays a habit, session by session; draws everything from one random generator."""

    def __init__(self, habit: Habit, rng: Random) -> None:
        self.habit, self.rng, self.style = habit, rng, STYLES[habit.style]
        self.shots: list[Shot] = []
        self.changes: list[Change] = []
        self._composition = self._made = 0

    def session(self, start: float, frames: int) -> float:
        """Gives the time of the last frame. Each session begins with other light, with lenses
        picked anew and a note of them."""
        rng = self.rng
        indoors = self.habit.style in ("stage", "studio")
        self._base = rng.uniform(5, 7.5) if indoors else rng.uniform(8.5, 14.5)
        self._phases = [rng.uniform(0, 2 * math.pi) for _ in range(3)]
        primes = rng.sample(PRIMES, len(PRIMES))[: rng.choice((2, 3, 4))]
        self._bag = [*primes[:2], rng.choice(ZOOMS)] if self.habit.zoom else primes
        self._held = {body: self._taken(indoors) for body in self.habit.bodies}
        body, time, end = rng.choice(self.habit.bodies), start, self._made + frames
        while self._made < end:
            body = rng.choice(self.habit.bodies) if rng.random() < 0.35 else body
            time = self._next(body, time)
        return time

    def _taken(self, indoors: bool) -> Held:
        rng = self.rng
        iso = rng.choice(
            (1600, 3200, 6400) if self.habit.style == "stage" else (100, 100, 200, 400)
        )
        slowest, longest = 1 / rng.choice((60, 125, 250)), rng.choice((1 / 4, 1, 15))
        return Held(self.habit.mode, iso, slowest, longest)

    def _light(self, time: float) -> float:
        waves = zip((1900, 700, 250), (1, 0.6, 0.3), self._phases, strict=True)
        swell = sum(size * math.sin(time / period + phase) for period, size, phase in waves)
        return self._base + self.style.waves * swell

    def _next(self, body: str, last: float) -> float:
        """A change perhaps, then a composition; gives the time of its last frame."""
        rng, held, old = self.rng, self._held[body], self._held[body].setting
        kind = self._change(body)
        same = kind == "ring" and rng.random() < 0.4
        if kind:
            portrait = self.habit.style == "portrait"
            held.frames, held.until = 0, rng.randint(8, 30) if portrait else rng.randint(4, 16)
        time = last + self._pause(kind, same=same)
        if not same:
            self._composition += 1
            held.level, held.meter_error = rng.gauss(0, self.style.composition), rng.gauss(0, 0.2)
            if held.mode == "manual" and (kind or rng.random() < 0.15):
                held.set_by_hand(self._light(time) + rng.gauss(0, 0.2))
        elif held.mode == "manual":
            held.set_by_hand(self._light(time) + held.level)
        if kind:
            self._record(body, kind, old, time)
        return self._burst(body, time)

    def _pause(self, kind: str | None, *, same: bool) -> float:
        rng = self.rng
        pause = rng.uniform(*self.style.pause_s)
        if self.habit.style == "even":
            return pause
        if not kind and rng.random() < 0.05:
            pause += rng.uniform(200, 1200)
        if kind == "lens":
            pause = max(pause, rng.uniform(22, 90))
        return rng.uniform(3, 20) if same else pause

    def _change(self, body: str) -> str | None:
        """Puts on another lens or turns the ring, where it is time to."""
        rng, held = self.rng, self._held[body]
        old = held.setting
        if old is None or (held.frames >= held.until and (rng.random() < 0.45 or old.lens.native)):
            self._put_on(held, self._picked(body, old.lens if old else NATIVE))
            return "lens"
        if held.frames < held.until:
            return None
        marks = used_marks(old.lens)
        here = marks.index(old.f_number)
        near = [m for n, m in enumerate(marks) if 0 < abs(n - here) <= 3]
        focal = old.focal
        if old.lens.zoom and rng.random() < 0.4:
            focal = rng.choice(engraved(old.lens))
        held.setting = Setting(old.lens, rng.choice(near), focal)
        return "ring"

    def _picked(self, body: str, old: Lens) -> Lens:
        """No lens is on two bodies at once."""
        if self.habit.native and not old.native and self.rng.random() < 0.3:
            return NATIVE
        others = (held.setting for key, held in self._held.items() if key != body)
        gone = [old, *(setting.lens for setting in others if setting)]
        free = [lens for lens in self._bag if lens not in gone]
        return self.rng.choice(free or [lens for lens in PRIMES if lens not in gone])

    def _put_on(self, held: Held, lens: Lens) -> None:
        rng = self.rng
        if lens.native:
            held.setting = Setting(lens, rng.choice((4.0, 5.6, 8.0)), rng.choice((24, 35, 50, 70)))
            return
        focal = rng.choice(engraved(lens))
        held.setting = Setting(lens, rng.choice(used_marks(lens)), focal)
        if self.habit.registered and (held.registered is None or rng.random() < 0.85):
            held.registered = focal

    def _record(self, body: str, kind: str, old: Setting | None, time: float) -> None:
        habit, rng, new = self.habit, self.rng, self._held[body].setting
        assert new is not None
        own = [shot.time for shot in self.shots if shot.body == body]
        before = max(own, default=time - rng.uniform(20, 500))
        stops = 0.0
        if kind == "ring" and old:
            stops = abs(2 * math.log2(exact(new.f_number) / exact(old.f_number)))
        noted = kind != "ring" or rng.random() >= habit.forget_turn
        known = new.lens.native or rng.random() >= habit.unsure
        marked = habit.slate and own and len(self.changes) != habit.unmarked
        after = self._slate(body, before, time) if marked else time
        self.changes.append(Change(body, before, after, new, kind, stops, noted, known))

    def _slate(self, body: str, before: float, next_time: float) -> float:
        rng, pause = self.rng, next_time - before
        time = next_time - rng.uniform(2, min(15, pause / 2))
        if pause < 8:
            time = rng.uniform(before + pause / 2, next_time - 0.5)
        kind = rng.choice(("hand", "cap")) if self.habit.slate == "either" else self.habit.slate
        drop = rng.uniform(5.2, 9) if kind == "hand" else rng.uniform(13, 17)
        self._shoot(body, time, self._light(time) + self._held[body].level - drop, slate=kind)
        return time

    def _burst(self, body: str, time: float) -> float:
        rng, held, style = self.rng, self._held[body], self.style
        count = rng.randint(*style.frames)
        if self.habit.brackets and rng.random() < 0.6:
            count = 3 * rng.randint(1, 2)
        bracket = self.habit.brackets and count % 3 == 0
        for number in range(count):
            if number and bracket:
                time += rng.uniform(0.2, 0.5) if number % 3 else rng.uniform(4, 10)
            elif number:
                time += rng.uniform(*style.gap_s)
            ev = self._light(time) + held.level + rng.gauss(0, style.frame)
            if held.mode == "flash" and held.setting:
                enough = 2 * math.log2(exact(held.setting.f_number)) + math.log2(160)
                ev = enough + rng.gauss(0, 0.12) + held.level
            bias = PLACES_OF_A_BRACKET[number % 3] if bracket else 0.0
            self._shoot(body, time, ev, bias=bias, bracket=bracket)
        held.frames += count
        self._made += count
        return time

    def _shoot(
        self,
        body: str,
        time: float,
        ev: float,
        *,
        bias: float = 0.0,
        bracket: bool = False,
        slate: str | None = None,
    ) -> None:
        held = self._held[body]
        assert held.setting is not None
        time_s, iso = held.expose(ev, held.setting.f_number, bias, slate)
        self.shots.append(
            Shot(
                body,
                time,
                held.setting,
                self._composition,
                ev,
                time_s,
                iso,
                held.registered,
                bias,
                bracket,
                held.mode == "flash",
                slate,
            )
        )


def used_marks(lens: Lens) -> list[float]:
    return [mark for mark in lens.marks() if mark <= NARROWEST_USED]


def engraved(lens: Lens) -> list[float]:
    if not lens.zoom:
        return [lens.focal[0]]
    return [float(focal) for focal in ENGRAVED if lens.focal[0] <= focal <= lens.focal[1]]
