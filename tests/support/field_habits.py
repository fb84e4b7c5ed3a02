"""Photographers of several habits: what they shoot, change and note, in true time.

A session is played once, from its first frame to its last. Times are seconds from midnight before
the first session.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from support import field_light
from support.field_gear import K7, NATIVE, PRIMES, ZOOM, Body, Lens, stops_between
from support.field_light import DAY, Light


@dataclass(frozen=True)
class Session:
    """A stretch of shooting. Without `noted` nothing in it is written down."""

    start_h: float
    frames: int
    day: int = 0
    noted: bool = True
    fresh: bool = True
    """It begins with an entry of its own."""


@dataclass(frozen=True)
class Habit:
    """How somebody works. Spreads are standard deviations in stops; ranges of seconds are drawn
    evenly in their logarithm."""

    sessions: tuple[Session, ...] = (Session(10.0, 110),)
    bodies: tuple[Body, ...] = (K7,)
    lenses: tuple[Lens, ...] = PRIMES
    light: Callable[[Random, float, float], Light] = field_light.overcast
    mode: str = "priority"
    burst: tuple[int, int] = (1, 5)
    gap_s: tuple[float, float] = (0.4, 2.5)
    pause_s: tuple[float, float] = (8.0, 600.0)
    scene_bursts: float = 4.0
    scene_spread: float = 0.7
    burst_spread: float = 0.25
    frame_spread: float = 0.06
    pan: float = 0.0
    """How many stops the light may swing within a burst."""
    lens_change: float = 0.13
    ring_turn: float = 0.3
    turn_within: float = 0.05
    forget_turn: float = 0.0
    unsure: float = 0.0
    """The share of f-numbers that are noted as not known."""
    native: float = 0.0
    bracket: float = 0.0
    slate: str | None = None
    """"cap" or "hand": each change that is noted gets a slate frame."""
    power_follows: float = 1.2
    """The studio flash is set anew after a turn of the ring by more stops than this."""


@dataclass(frozen=True)
class Setting:
    """What is on a body. The f-number is the true one, at this focal length in mm."""

    lens: Lens
    f_number: float
    focal: float
    open: bool = False


@dataclass(frozen=True)
class Shot:
    """`ev` is the light in the picture at ISO 100, before the lens's loss."""

    time: float
    body: Body
    setting: Setting
    ev: float
    scene: int
    variant: int
    bias: float = 0.0
    slate: str | None = None


@dataclass(frozen=True)
class Turn:
    """A change, done at `time`, and when a note of it would be written. `known`: the f-number is
    noted too."""

    time: float
    body: Body
    kind: str
    setting: Setting
    stops: float
    noted: bool
    written: float
    known: bool = True
    slate: str | None = None


@dataclass(frozen=True)
class Script:
    shots: tuple[Shot, ...]
    turns: tuple[Turn, ...]


class Photographer:
    """Plays a habit; draws everything from one random generator."""

    def __init__(self, habit: Habit, rng: Random) -> None:
        self._habit, self._rng = habit, rng
        self._now: dict[Body, Setting] = {}
        self._shots: list[Shot] = []
        self._turns: list[Turn] = []
        self._scene, self._scene_ev, self._power = rng.randrange(1_000_000), 0.0, 0.0

    def play(self) -> Script:
        for session in self._habit.sessions:
            self._session(session)
        return Script(tuple(self._shots), tuple(self._turns))

    def _session(self, session: Session) -> None:
        habit, rng = self._habit, self._rng
        time = session.day * DAY + session.start_h * 3600 + rng.uniform(0, 600)
        light = habit.light(rng, time, time + 4 * 3600)
        self._new_scene()
        if session.fresh:
            for body in habit.bodies:
                self._first(body, time + rng.uniform(0, 20), noted=session.noted)
            time += rng.uniform(10, 200)
        end = len(self._shots) + session.frames
        body, until_next = habit.bodies[0], 1
        while len(self._shots) < end:
            time = self._burst(body, time, light, noted=session.noted)
            last, body = time, rng.choice(habit.bodies)
            time += self._even(habit.pause_s)
            until_next -= 1
            if until_next <= 0:
                time += self._even((30, 300))
                until_next = 1 + int(rng.expovariate(1 / habit.scene_bursts))
                self._new_scene()
            if len(self._shots) < end:
                time = self._maybe_change(body, last, time, light, noted=session.noted)

    def _even(self, limits: tuple[float, float]) -> float:
        low, high = limits
        return float(low * (high / low) ** self._rng.random())

    def _new_scene(self) -> None:
        self._scene += 1
        self._scene_ev = self._rng.gauss(0, self._habit.scene_spread)

    def _first(self, body: Body, time: float, *, noted: bool) -> None:
        setting = self._with_lens(self._rng.choice(self._habit.lenses))
        self._now[body] = setting
        self._set_flash(setting, "first", 0.0)
        self._turns.append(Turn(time, body, "first", setting, 0, noted, time))

    def _with_lens(self, lens: Lens) -> Setting:
        focal = self._rng.choice(lens.focal)
        if lens.native:
            return Setting(lens, self._rng.choice(lens.marks()), float(self._rng.randint(24, 70)))
        return self._at(lens, focal, self._rng.choice([*lens.marks()[:4], 0.0]))

    def _at(self, lens: Lens, focal: float, mark: float) -> Setting:
        """A mark of 0, or the widest, is wide open."""
        widest = lens.widest[lens.focal.index(focal)] if focal in lens.focal else max(lens.widest)
        wide = mark <= widest
        return Setting(lens, widest if wide else mark, focal, wide)

    def _maybe_change(
        self, body: Body, last: float, start: float, light: Light, *, noted: bool
    ) -> float:
        """Change something before the burst at `start`; gives when that burst begins now."""
        habit, rng, old = self._habit, self._rng, self._now[body]
        luck, turn_below = rng.random(), habit.lens_change + habit.ring_turn
        if luck < habit.lens_change:
            new, kind, takes = self._other_lens(old), "lens", self._even((20, 90))
            if new.lens.native:
                kind = "off"
        elif luck < turn_below and not old.lens.native:
            new, takes = self._turned(old), self._even((1, 5))
            kind = "zoom" if new.focal != old.focal else "ring"
            noted = noted and rng.random() >= habit.forget_turn
        else:
            return start
        note = rng.uniform(5, 16) if noted else 0.0
        start = max(start, last + takes + note + 2)
        done = last + rng.uniform(takes, start - last - note - 1)
        if noted and habit.slate:
            start = max(start, done + note + 8)
            self._shoot(body, done - 0.4, light, slate=habit.slate)
        known = rng.random() >= habit.unsure
        self._record(body, new, kind, done, done + rng.uniform(0, note), noted=noted, known=known)
        return start

    def _record(
        self,
        body: Body,
        new: Setting,
        kind: str,
        done: float,
        written: float,
        *,
        noted: bool,
        known: bool = True,
    ) -> None:
        old = self._now[body]
        same_lens = kind in ("ring", "zoom")
        stops = stops_between(old.f_number, new.f_number) if same_lens else 0.0
        self._set_flash(new, kind, stops)
        self._now[body] = new
        slate = self._habit.slate if noted else None
        self._turns.append(
            Turn(done, body, kind, new, round(stops, 3), noted, written, known, slate)
        )

    def _set_flash(self, new: Setting, kind: str, stops: float) -> None:
        """As a flash meter has it after a change of lens, by the turn after a turn."""
        if self._habit.mode != "flash":
            return
        if kind in ("first", "lens"):
            self._power = stops_between(11.0, new.f_number)
        elif abs(stops) > self._habit.power_follows:
            self._power += stops

    def _other_lens(self, old: Setting) -> Setting:
        if not old.lens.native and self._rng.random() < self._habit.native:
            return self._with_lens(NATIVE)
        others = [lens for lens in self._habit.lenses if lens != old.lens]
        return self._with_lens(self._rng.choice(others or list(self._habit.lenses)))

    def _turned(self, old: Setting) -> Setting:
        lens, rng = old.lens, self._rng
        if lens is ZOOM and rng.random() < 0.5:
            focal = rng.choice([f for f in (35.0, 50.0, 70.0) if f != old.focal])
            if old.open and focal not in lens.focal:
                focal = sum(lens.focal) - old.focal if old.focal in lens.focal else lens.focal[1]
            return self._at(lens, focal, 0.0 if old.open else old.f_number)
        marks = [0.0, *lens.marks()] if old.focal in lens.focal else list(lens.marks())
        choices = [self._at(lens, old.focal, mark) for mark in marks]
        moved = [c for c in choices if 0.4 < abs(stops_between(old.f_number, c.f_number)) < 4.5]
        weights = [1 / abs(stops_between(old.f_number, c.f_number)) for c in moved]
        return rng.choices(moved, weights)[0]

    def _burst(self, body: Body, time: float, light: Light, *, noted: bool) -> float:
        """Gives the time of the last frame."""
        habit, rng = self._habit, self._rng
        count, bias = rng.randint(*habit.burst), [0.0]
        swing, around = rng.gauss(0, habit.pan), rng.gauss(0, habit.burst_spread)
        variant = rng.randrange(3)
        if rng.random() < habit.bracket:
            step, count = rng.choice((1.0, 2.0)), rng.choice((3, 5))
            bias = [0.0, -step, step, -2 * step, 2 * step][:count]
        turn_after = rng.randrange(1, count) if count > 1 and len(bias) == 1 else 0
        if rng.random() >= habit.turn_within or self._now[body].lens.native or habit.slate:
            turn_after = 0
        for number in range(count):
            if turn_after and number == turn_after:
                done = time + self._even((1, 5))
                mark = noted and rng.random() >= habit.forget_turn
                self._record(body, self._turned(self._now[body]), "ring", done, done, noted=mark)
                time = done + 0.5
            drift = around + swing * (number / max(count - 1, 1) - 0.5)
            self._shoot(body, time, light, drift, variant, bias[number % len(bias)])
            last = time
            time += self._even(habit.gap_s if len(bias) == 1 else (0.15, 0.4))
        return last

    def _shoot(
        self,
        body: Body,
        time: float,
        light: Light,
        drift: float = 0.0,
        variant: int = 0,
        bias: float = 0.0,
        slate: str | None = None,
    ) -> None:
        ev = light(time) + self._scene_ev + self._power + drift
        ev += self._rng.gauss(0, self._habit.frame_spread)
        shot = Shot(time, body, self._now[body], ev, self._scene, variant, bias, slate)
        self._shots.append(shot)


def play(habit: Habit, rng: Random) -> Script:
    return Photographer(habit, rng).play()
