"""Photographers in weather of several kinds, who change lenses, turn rings and take their time by
what they shoot. Times are seconds from the start of the outing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from support.field_gear import Lens
from support.outing_gear import NATIVE, Setting, exact
from support.weather_camera import CAPPED_EV, PRIMES, ZOOMS, Camera, marks_at
from support.weather_light import Composition, Light


@dataclass(frozen=True)
class Pace:
    """Mean number of frames of a composition; medians of the seconds between compositions and
    between frames."""

    frames: float
    pause_s: float
    gap_s: float


PACES = {
    "landscape": Pace(1.4, 90, 10),
    "street": Pace(2.5, 45, 3),
    "portrait": Pace(7, 25, 1.2),
    "stage": Pace(4, 20, 1),
    "studio": Pace(5, 20, 4),
    "brackets": Pace(3, 90, 0.8),
}
PACE = Pace(2.5, 45, 2.5)
RING_TURN, LENS_CHANGE, TO_NATIVE, FROM_NATIVE = 0.16, 0.1, 0.08, 0.25
"""Chances of each after a composition."""
CHANCES = {"few": (0.2, 0.12), "many": (0.08, 0.04)}
SLATE_STOPS = 5, 9


@dataclass(frozen=True)
class Habit:
    """`registered` says how focal lengths are keyed in for the stabiliser ("none", "follows",
    "late", "never"). A slate is "hand", "cap" or "either"; one may be left out, some made twice,
    and `accidents` frames made with the lens covered though nothing was changed."""

    scene: str
    light: str
    mode: str
    frames: int
    bodies: tuple[str, ...] = ("k7",)
    registered: str = "none"
    slate: str | None = None
    leaves_one_out: bool = False
    makes_twice: bool = False
    accidents: int = 0


@dataclass(frozen=True)
class Shot:
    """One frame. `leftover`: stops over mid-grey that the picture shows; `registered` in mm."""

    body: str
    time: float
    setting: Setting
    composition: Composition
    time_s: float
    iso: int
    leftover: float
    bias: float
    registered: int
    bracket: bool
    slate: str | None


@dataclass(frozen=True)
class Change:
    """A change, and by how many seconds its note would be late."""

    body: str
    time: float
    setting: Setting
    kind: str
    stops: float
    delay: float
    noted: bool = True
    known: bool = True


class Photographer:
    """Plays a habit; draws everything from one random generator."""

    def __init__(self, habit: Habit, rng: np.random.Generator) -> None:
        self.habit, self._rng = habit, rng
        self.shots: list[Shot] = []
        self.changes: list[Change] = []
        self._time = 0.0
        self._light = Light(habit.light, rng)
        self._pace = PACES.get(habit.scene, PACE)
        self._every_s = float(rng.choice([8, 12, 20, 30, 45])) if habit.scene == "even" else 0.0
        primes = [PRIMES[n] for n in rng.permutation(len(PRIMES))][: rng.integers(2, 5)]
        self._bag = [*ZOOMS, primes[0]] if habit.scene == "zoom" else primes
        if len(habit.bodies) > 1:
            self._bag = list(PRIMES)
        self._cameras = {body: Camera(habit.mode, rng) for body in habit.bodies}
        self._compositions = {body: self._light.composition() for body in habit.bodies}
        places = rng.integers(3, max(habit.frames - 3, 4), habit.accidents)
        self._accidents = {int(place) for place in places}
        self._left_out = False

    def play(self) -> None:
        used: list[Lens] = []
        for body, camera in self._cameras.items():
            self._put_on(camera, self._one([lens for lens in self._bag if lens not in used]))
            used.append(camera.setting.lens)
            before, delay = self._rng.uniform(20, 600), self._rng.uniform(0, 15)
            self.changes.append(Change(body, -before, camera.setting, "lens", 0.0, delay))
        body = self.habit.bodies[0]
        self._compose(body)
        while len(self.shots) < self.habit.frames:
            self._go_on(body)
            if len(self.habit.bodies) > 1 and self._rng.random() < 0.35:
                body = self.habit.bodies[1 - self.habit.bodies.index(body)]
                self._time += self._rng.uniform(5, 40)
                self._compositions[body] = self._light.composition()
            self._compose(body)

    def _one(self, lenses: Sequence[Lens]) -> Lens:
        return lenses[int(self._rng.integers(len(lenses)))]

    def _wait(self, median_s: float, spread: float) -> None:
        """Where frames come at even steps, no time passes besides."""
        if not self._every_s:
            self._time += self._rng.lognormal(math.log(median_s), spread)

    # What is done --------------------------------------------------------------------------------

    def _compose(self, body: str) -> None:
        """The frames of one composition."""
        rng, camera, by_hand = self._rng, self._cameras[body], self.habit.mode == "manual"
        if by_hand and rng.random() < 0.75:
            self._set_by_hand(body)
        if self.habit.scene == "brackets" and rng.random() < 0.7:
            step = float(rng.choice([1, 2]))
            for bias in (0, -step, step):
                self._shoot(body, bias=bias)
                self._time += 0.35
            return
        for number in range(1 if self._every_s else int(rng.poisson(self._pace.frames - 1)) + 1):
            self._shoot(body)
            leftover = self.shots[-1].leftover
            if len(self.shots) in self._accidents:
                self._time += 0.7
                self._slate(body)
            self._time += self._every_s
            self._wait(self._pace.gap_s, 0.5)
            aim = self._compositions[body].meter_bias + camera.compensation
            if by_hand and number == 0 and abs(leftover - aim) > 0.7:
                self._time += rng.uniform(3, 9)
                self._set_by_hand(body)

    def _go_on(self, body: str) -> None:
        """A change, or on to the next composition."""
        rng, camera, luck = self._rng, self._cameras[body], self._rng.random()
        native = camera.setting.lens.native
        ring, lens = CHANCES.get(self.habit.scene, (RING_TURN, LENS_CHANGE))
        if luck < ring and not native:
            self._turn_ring(body)
        elif luck < ring + lens + (FROM_NATIVE if native else 0) and len(self._bag) > 1:
            self._change_lens(body)
        elif luck < ring + lens + TO_NATIVE and self.habit.scene == "native" and not native:
            self._take_native(body)
        else:
            self._wait(self._pace.pause_s, 0.9)
            if rng.random() < 0.04 and not self._every_s:
                self._time += rng.uniform(300, 1200)
            if rng.random() < 0.85:
                self._compositions[body] = self._light.composition()
            if rng.random() < 0.06:
                camera.compensation = float(rng.choice([0, 0, -0.3, -0.7, 0.3, 0.7, 1]))

    def _turn_ring(self, body: str) -> None:
        rng, camera = self._rng, self._cameras[body]
        old, same = camera.setting, rng.random() < 0.4
        self._time += 0 if self._every_s else rng.uniform(2, 8)
        camera.setting = Setting(old.lens, self._turned(old), old.focal)
        turn = 2 * math.log2(exact(camera.setting.f_number) / exact(old.f_number))
        if rng.random() < 0.5:
            camera.flash_stops += turn
        self._record(body, self._time, "ring", abs(turn))
        if self.habit.slate:
            self._time += rng.uniform(2, 6)
            self._mark(body)
        if same and not self._every_s:
            self._time += rng.uniform(2, 6)
        elif not same:
            self._wait(self._pace.pause_s / 2 + 4, 0.6)
            self._compositions[body] = self._light.composition()
        if self.habit.mode == "manual" and rng.random() < 0.85:
            self._set_by_hand(body)

    def _turned(self, old: Setting) -> float:
        """One to three marks on, either way."""
        marks = marks_at(old.lens, old.focal)
        here = marks.index(old.f_number)
        for _ in range(20):
            there = here + int(self._rng.choice([1, 2, 3], p=[0.35, 0.45, 0.2]) * self._way())
            if 0 <= there < len(marks):
                return marks[there]
        return marks[0] if here else marks[-1]

    def _way(self) -> int:
        return int(self._rng.choice([-1, 1]))

    def _change_lens(self, body: str) -> None:
        rng, camera = self._rng, self._cameras[body]
        steps = math.ceil(rng.uniform(20, 60) / self._every_s) if self._every_s else 0
        self._time += self._every_s * steps or rng.uniform(20, 90)
        # No lens is on two bodies at once.
        gone = [each.setting.lens for each in self._cameras.values()]
        self._put_on(camera, self._one([lens for lens in self._bag if lens not in gone]))
        self._record(body, self._time - rng.uniform(1, 8), "lens")
        self._mark(body)
        self._wait(10, 0.8)
        self._compositions[body] = self._light.composition()
        if self.habit.mode == "manual":
            self._set_by_hand(body)

    def _take_native(self, body: str) -> None:
        """The change is marked while the adapted lens is still on."""
        rng, camera = self._rng, self._cameras[body]
        self._mark(body)
        self._time += rng.uniform(20, 70)
        focal = float(rng.choice([24, 35, 50, 70]))
        camera.setting = Setting(NATIVE, float(rng.choice([4, 5.6, 8])), focal)
        self._record(body, self._time - 3, "off")
        self._wait(10, 0.8)
        self._compositions[body] = self._light.composition()

    def _put_on(self, camera: Camera, lens: Lens) -> None:
        rng, (low, high) = self._rng, lens.focal
        focal = float(rng.choice([low, high, (low + high) // 2]))
        marks = marks_at(lens, focal)
        weights = np.array([2.0] + [3.0] * 4 + [0.7] * 9)[: len(marks)]
        f_number = float(rng.choice(marks, p=weights / weights.sum()))
        camera.setting, camera.ring_error = Setting(lens, f_number, focal), rng.normal(0, 0.07)
        camera.register(self.habit.registered)

    def _record(self, body: str, time: float, kind: str, stops: float = 0.0) -> None:
        delay = self._rng.uniform(0, 60)
        setting = self._cameras[body].setting
        self.changes.append(Change(body, time, setting, kind, stops, delay))

    # What the bodies make ------------------------------------------------------------------------

    def _set_by_hand(self, body: str) -> None:
        self._cameras[body].set_by_hand(self._light.at(self._time), self._compositions[body])

    def _mark(self, body: str) -> None:
        """The slate frame of a change, if that is the habit."""
        habit, rng = self.habit, self._rng
        if not habit.slate:
            return
        if habit.leaves_one_out and not self._left_out and rng.random() < 0.3:
            self._left_out = True
            return
        for _ in range(2 if habit.makes_twice and rng.random() < 0.35 else 1):
            self._slate(body)

    def _slate(self, body: str) -> None:
        how = self.habit.slate or "either"
        self._shoot(body, slate=str(self._rng.choice(["cap", "hand"])) if how == "either" else how)

    def _shoot(self, body: str, *, bias: float = 0.0, slate: str | None = None) -> None:
        camera, composition = self._cameras[body], self._compositions[body]
        camera.next_frame()
        ev = self._light.at(self._time)
        if slate:
            ev = CAPPED_EV if slate == "cap" else ev - self._rng.uniform(*SLATE_STOPS)
        exposure = camera.expose(ev, composition, bias, slate=slate is not None)
        self.shots.append(
            Shot(
                body,
                self._time,
                camera.setting,
                composition,
                exposure.time_s,
                exposure.iso,
                exposure.leftover,
                camera.compensation + bias,
                camera.registered,
                bias != 0,
                slate,
            )
        )
        self._time += min(exposure.time_s, 8)
