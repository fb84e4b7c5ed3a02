"""A simulator of outings: what really stood on the bodies, and the log that was kept of it.

Two bodies with clocks of their own, lenses changed and rings turned while no frame is made, frames
in bursts, under light that wanders, with clouds, scenes that differ. Frames are metered as bodies
do, in thirds of a stop; notes and clocks are cut to what people and bodies write. What every frame
has to come to is therefore known.

    python tests/support/simulate.py [--seeds 200]

prints, per kind of log, the shares filled right, filled wrong, left open, and doubts right and
false.
"""

from __future__ import annotations

import argparse
import math
import random
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

from flangeback.frames import CameraTime, Exposure, Frame
from flangeback.kit import Kit
from flangeback.log import parse_log
from flangeback.match import FrameMatch, Outcome, match_frames
from flangeback.match.brightness import PictureLight

START = datetime(2026, 5, 17, 9, 0)
LENGTH = 2.5 * 3600
"""Seconds that an outing lasts."""
LENS_CHANGE = 12.0, 60.0
"""Seconds without a frame that a change of lens takes: at the least and at the most."""
RING_CHANGE = 1.5, 6.0
"""The same of a ring."""
LENS_SHARE = 0.25
"""Of the changes; rings are turned more often than lenses are changed."""
STOPS = ("2.8", "4", "5.6", "8", "11")
_LENSES = {"k7": ("miran58", "brask135", "tolvan28"), "n2": ("miran58", "tolvan28", "brask135")}
_FACTORS = {("k7", "tolvan28"): 0.71}
"""On this body, the lens sits on a reducer."""
_MODELS = {"k7": "Kestrin K7", "n2": "Norrvik N2"}
_RESOLUTION = {"k7": 1.0, "n2": 0.01}


@dataclass(frozen=True)
class Kind:
    """A kind of log. `to_the` is "minute" or "second"; `clock` what it knows of the bodies' clocks:
    the whole seconds of an "offset", or two "photos" of a clock, one at each end, of which drift
    and parts of a second have to be inferred. `forgotten` is the share of ring moves that weren't
    noted; `late` how many seconds late a note may be (the log says slack). With `slates` it goes
    by the order of slate frames, of which the share `unmarked` wasn't made."""

    to_the: str = "minute"
    clock: str = "photos"
    forgotten: float = 0.0
    late: int = 0
    slates: bool = False
    unmarked: float = 0.0


@dataclass(frozen=True)
class Weather:
    """The light, in stops. `wander` is how far it strays in ten minutes, `clouds` how many come in
    an hour, `scenes` how much one scene differs from the next, `lenses` what lenses let through
    besides their f-number.

    A new scene comes after `stays` seconds without a frame; what frames of one scene still differ
    by after 4 seconds is `framing`. `rooms` is how many times an hour they go from one room or
    street to another, whose light differs by 2 stops as a rule.
    """

    wander: float = 0.15
    clouds: float = 1.0
    scenes: float = 0.2
    lenses: float = 0.1
    stays: float = 4.0
    framing: float = 0.0
    rooms: float = 0.0


@dataclass(frozen=True)
class Truth:
    """What stood on a body: a key of the kit, None for no adapted lens; the ring's f-number.
    `noted` is False where the ring had been turned without a note."""

    lens: str | None
    stop: str = ""
    noted: bool = True
    slate: bool = False


@dataclass(frozen=True)
class Change:
    """From `at` (seconds) `now` stands; hands were full from `start` to `end`."""

    at: float
    now: Truth
    start: float
    end: float


@dataclass(frozen=True)
class Clock:
    """How a body's clock runs: seconds ahead at the start, and gained per second."""

    ahead: float
    drift: float = 0.0

    def reads(self, true: float) -> float:
        return true + self.ahead + self.drift * true


@dataclass
class Outing:
    """An outing as it was. `truth` and `pictures` are by file."""

    log: str
    frames: list[Frame] = field(default_factory=list)
    truth: dict[str, Truth] = field(default_factory=dict)
    pictures: dict[str, PictureLight] = field(default_factory=dict)


def simulate(
    seed: int, *, to_the: str = "minute", clock: str = "photos", kind: Kind | None = None,
    weather: Weather = Weather(),
) -> Outing:  # fmt: skip
    """An outing with a log of this kind; `to_the` and `clock` name a plain one."""
    return _Simulation(seed, kind or Kind(to_the, clock), weather).run()


class _Simulation:
    def __init__(self, seed: int, kind: Kind, weather: Weather) -> None:
        self.chance = random.Random(seed)
        self.kind = kind
        self.weather = weather
        self.light = _Light(self.chance, weather)
        self.outing = Outing("")

    def run(self) -> Outing:
        notes: list[tuple[float, str]] = []
        heads = [f"date {START:%Y-%m-%d}"]
        if self.kind.late:
            heads.append(f"slack {self.kind.late}s")
        for body in ("k7", "n2"):
            clock = self._clock()
            changes = list(self._changes(_LENSES[body]))
            photos = -240 + 60 * self.chance.random(), LENGTH + 600 + 60 * self.chance.random()
            times = sorted(self._frame_times(changes))
            if self.kind.slates:
                # Marks without a frame between them are one: such changes aren't kept.
                starts = [*(change.at for change in changes[1:]), math.inf]
                changes = [
                    change
                    for change, end in zip(changes, starts, strict=True)
                    if any(change.at < at < end for at in times)
                ]
                begun = replace(changes[0].now, noted=True)
                changes[0] = replace(changes[0], now=begun)
                self._by_order(body, clock, changes, times)
                notes += self._order_notes(body, changes)
                continue
            if self.kind.clock == "photos":
                times = [photos[0], *times, photos[1]]
            self._shoot(body, clock, changes, times)
            heads += _clock_lines(body, clock, photos, len(times), self.kind.clock)
            notes += self._notes(body, changes)
        # A log is kept from top to bottom, late or not.
        notes.sort(key=lambda note: note[0])
        self.outing.log = "\n".join([*heads, *(text for _, text in notes)]) + "\n"
        return self.outing

    def _clock(self) -> Clock:
        if self.kind.clock == "offset":
            return Clock(float(self.chance.randint(-5400, 5400)))
        return Clock(self.chance.uniform(-5400, 5400), self.chance.uniform(-5, 5) / 86_400)

    # By the order of slate frames --------------------------------------------------------------

    def _by_order(
        self, body: str, clock: Clock, changes: Sequence[Change], times: Sequence[float]
    ) -> None:
        """Each change but the first is marked, by one slate frame or more in a row."""
        chance, marks = self.chance, set()
        for change in changes[1:]:
            if chance.random() >= self.kind.unmarked:
                count = chance.choice((1, 1, 1, 2, 3))
                step = (change.end - change.start) / (count + 1)
                marks |= {change.start + step * (n + 1) for n in range(count)}
        begun = [at for at in times if at > changes[0].at]
        self._shoot(body, clock, changes, sorted([*begun, *marks]), frozenset(marks))

    def _order_notes(self, body: str, changes: Sequence[Change]) -> Iterator[tuple[float, str]]:
        held = Truth(None)
        for change in changes:
            now, lens = change.now, change.now.lens
            if now.noted:
                word = "then" if change is not changes[0] else "first"
                words = "off" if lens is None else f"f/{now.stop}"
                yield (
                    change.at,
                    f"{word} {body} {'' if lens in (None, held.lens) else lens} {words}",
                )
                held = now

    # What was done -----------------------------------------------------------------------------

    def _changes(self, lenses: Sequence[str]) -> Iterator[Change]:
        """When what came to stand on a body; the last is no adapted lens."""
        chance = self.chance
        at = chance.uniform(0, 300)
        held = Truth(chance.choice(lenses), chance.choice(STOPS[1:]))
        yield Change(at, held, at - 20, at + 1)
        while True:
            lens = chance.random() < LENS_SHARE
            start = at + 70 + chance.expovariate(1 / 330)
            end = start + chance.uniform(*(LENS_CHANGE if lens else RING_CHANGE))
            at = chance.uniform(start, end)
            if end > LENGTH:
                break
            if lens:
                other = chance.choice([lens for lens in lenses if lens != held.lens])
                held = Truth(other, chance.choice(STOPS[1:]))
            else:
                other = chance.choice([stop for stop in STOPS[1:] if stop != held.stop])
                held = Truth(held.lens, other, chance.random() >= self.kind.forgotten)
            yield Change(at, held, start, end)
        yield Change(LENGTH + 80, Truth(None), LENGTH + 60, LENGTH + 90)

    def _frame_times(self, changes: Sequence[Change]) -> Iterator[float]:
        """Bursts; none while hands are full."""
        chance = self.chance
        at = -120.0
        while (at := at + chance.expovariate(1 / 60)) < LENGTH + 300:
            for _ in range(chance.choice((1, 1, 1, 2, 3, 5, 8))):
                if not any(change.start < at < change.end for change in changes):
                    yield at
                at += chance.uniform(0.2, 3)

    # What was written --------------------------------------------------------------------------

    def _notes(self, body: str, changes: Sequence[Change]) -> Iterator[tuple[float, str]]:
        held, written = Truth(None), 0.0
        for change in changes:
            now, lens = change.now, change.now.lens
            if now.noted:
                # Late or not, notes are made in the order of what they note.
                late = self.chance.uniform(0, self.kind.late) if self.kind.late else 0
                at = written = max(written, change.at + late)
                to_the = self.kind.to_the == "second"
                time = f"{_at(at):%H:%M:%S}" if to_the else f"{_at(at):%H:%M}"
                words = "off" if lens is None else f"f/{now.stop}"
                yield at, f"{time} {body} {'' if lens in (None, held.lens) else lens} {words}"
                held = now

    # What the bodies wrote ---------------------------------------------------------------------

    def _shoot(
        self,
        body: str,
        clock: Clock,
        changes: Sequence[Change],
        times: Sequence[float],
        marks: frozenset[float] = frozenset(),
    ) -> None:
        starts = [change.at for change in changes]
        passes = {lens: self.chance.gauss(0, self.weather.lenses) for lens in _LENSES[body]}
        seen, scene, framing = -math.inf, 0.0, 0.0
        for number, true in enumerate(times, 1):
            done = bisect_right(starts, true)
            truth = changes[done - 1].now if done else Truth(None)
            if true - seen > self.weather.stays:
                scene = _long_tailed(self.chance) * self.weather.scenes
            if self.weather.framing and true - seen > 4:
                framing = self.chance.gauss(0, self.weather.framing)
            seen = true
            value = self.light.at(true) + scene + framing + passes.get(truth.lens or "", 0.0)
            frame = _frame(body, number, clock.reads(true))
            stop = float(truth.stop or 8) * _FACTORS.get((body, truth.lens or ""), 1.0)
            exposure, brightness = _metered(self.chance, value, stop, 100 if body == "k7" else 200)
            self.outing.frames.append(_exposed(frame, exposure))
            self.outing.truth[frame.file] = truth
            self.outing.pictures[frame.file] = PictureLight(brightness, 0.2)
            if true in marks:
                self.outing.truth[frame.file] = Truth(None, slate=True)
                self.outing.pictures[frame.file] = self._covered()

    def _covered(self) -> PictureLight:
        """A cap, or a hand."""
        if self.chance.random() < 0.5:
            return PictureLight(self.chance.uniform(-11, -9), 0.01)
        return PictureLight(self.chance.uniform(-8, -7), self.chance.uniform(0.005, 0.024))


class _Light:
    """Exposure value by the second: it wanders, and clouds come and go."""

    def __init__(self, chance: random.Random, weather: Weather) -> None:
        step = weather.wander / math.sqrt(10)
        self.minutes = [13.0]
        for _ in range(200):
            self.minutes.append(self.minutes[-1] + chance.gauss(0, step))
        self.clouds = []
        at = -600.0
        while weather.clouds and (at := at + chance.expovariate(weather.clouds / 3600)) < LENGTH:
            stays = chance.expovariate(1 / 300)
            self.clouds.append((at, at + stays, chance.uniform(0.5, 1.5)))
        at = -600.0
        while weather.rooms and (at := at + chance.expovariate(weather.rooms / 3600)) < LENGTH:
            stays = chance.expovariate(1 / 600)
            self.clouds.append((at, at + stays, chance.gauss(0, 2)))

    def at(self, seconds: float) -> float:
        minutes = (seconds + 600) / 60
        whole = int(minutes)
        part = minutes - whole
        wander = self.minutes[whole] * (1 - part) + self.minutes[whole + 1] * part
        return wander - sum(deep for start, end, deep in self.clouds if start < seconds < end)


def _long_tailed(chance: random.Random) -> float:
    """Student's t with 5 degrees of freedom: now and then a scene is quite another."""
    return chance.gauss(0, 1) / math.sqrt(chance.gammavariate(2.5, 2) / 5)


def _metered(chance: random.Random, value: float, stop: float, iso: int) -> tuple[Exposure, float]:
    """Aperture priority: the time in thirds of a stop, and what the picture makes of it."""
    wanted = value - 2 * math.log2(stop) + math.log2(iso / 100) + chance.gauss(0, 0.1)
    named = min(13.0, round(wanted * 3) / 3)
    time = Fraction(2**-named).limit_denominator(100_000)
    return Exposure(time, iso), math.log2(0.18) + wanted - named + chance.gauss(0, 0.03)


def _exposed(frame: Frame, exposure: Exposure) -> Frame:
    return Frame(frame.file, frame.folder, model=frame.model, time=frame.time, exposure=exposure)


def _frame(body: str, number: int, reading: float) -> Frame:
    unit = _RESOLUTION[body]
    cut = reading // unit * unit
    name = f"{body.upper()}_{number:04}.JPG"
    time = CameraTime(
        START + timedelta(milliseconds=round(cut * 1000)), timedelta(seconds=unit), None
    )
    return Frame(name, Path(), model=_MODELS[body], time=time)


def _clock_lines(
    body: str, runs: Clock, photos: tuple[float, float], count: int, known: str
) -> Iterator[str]:
    if known == "offset":
        seconds = int(abs(runs.ahead))
        way = "fast" if runs.ahead >= 0 else "slow"
        yield f"clock {body} {way} {seconds // 60}m{seconds % 60}s"
        return
    for number, true in zip((1, count), photos, strict=True):
        yield f"clock {body} {body.upper()}_{number:04} shows {_at(true):%H:%M:%S}"


def _at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


# The score -------------------------------------------------------------------------------------


@dataclass
class Score:
    """How outings came out. `wrong` describes every frame that was told a falsehood, but for those
    of moves that weren't noted; `lens` and `stop` count right, wrong and open; `steps` the doubts
    on the light: right, missed, false; `undoubted` describes falsehoods without any doubt."""

    frames: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    lens: Counter[str] = field(default_factory=Counter)
    stop: Counter[str] = field(default_factory=Counter)
    steps: Counter[str] = field(default_factory=Counter)
    placed: Counter[str] = field(default_factory=Counter)
    undoubted: list[str] = field(default_factory=list)

    def share(self, *outcomes: str) -> float:
        return sum(self.outcomes[outcome] for outcome in outcomes) / max(1, self.frames)

    def add(self, other: Score, name: str = "") -> None:
        self.frames += other.frames
        self.wrong += [f"{name}{wrong}" for wrong in other.wrong]
        self.undoubted += [f"{name}{wrong}" for wrong in other.undoubted]
        for counts in ("outcomes", "lens", "stop", "steps", "placed"):
            getattr(self, counts).update(getattr(other, counts))


def score(outing: Outing, kit: Kit) -> Score:
    """The outing by its own log, against the truth."""
    found = Score()
    log = parse_log(outing.log, kit)
    pictures: Mapping[str, PictureLight] = outing.pictures
    matches = match_frames(
        outing.frames, [log], kit, pictures=lambda frame: pictures.get(frame.file)
    )
    for match in matches.frames:
        truth = outing.truth[match.frame.file]
        wrong = list(_wrong(match, truth, kit))
        if truth.noted:
            found.wrong += wrong
        if not match.doubts:
            found.undoubted += wrong
        if truth.lens is not None:
            found.frames += 1
            found.outcomes[str(match.outcome)] += 1
            _count(found, match, truth, kit)
    return found


def _count(found: Score, match: FrameMatch, truth: Truth, kit: Kit) -> None:
    fill = match.fill if match.outcome.is_filled else None
    found.lens[_verdict(fill and fill.lens.key, truth.lens)] += 1
    stepped = "light-step" in [doubt.kind for doubt in match.doubts]
    factor = fill.adapter.factor if fill and fill.adapter else Decimal(1)
    told = _verdict(fill and fill.f_number, Decimal(truth.stop) * factor)
    if truth.noted:
        found.stop[told] += 1
        found.steps["false" if stepped else "none"] += 1
    elif told == "right":
        # Turned there and back without a note: what the log says is true again.
        found.steps["turned back"] += 1
    elif told == "open":
        found.steps["open"] += 1
    else:
        found.steps["right" if stepped else "missed"] += 1
    for doubt in match.doubts:
        if doubt.kind == "placed-in-gap":
            found.placed[
                "wrong" if truth.noted and list(_wrong(match, truth, kit)) else "right"
            ] += 1


def _verdict(told: object, truth: object) -> str:
    return "open" if told is None else "right" if told == truth else "wrong"


def _wrong(match: FrameMatch, truth: Truth, kit: Kit) -> Iterator[str]:
    if truth.slate or match.outcome == Outcome.SLATE:
        if match.outcome.is_filled or not truth.slate:
            yield f"{match.frame.file}, really {truth}: {match.outcome}"
        return
    told = f"{match.frame.file} at {match.time}, really {truth}: {match.outcome}"
    if truth.lens is None:
        # Before the first entry nothing is claimed but for that entry's own minute.
        unclaimed = match.outcome in (Outcome.UNLOGGED, Outcome.UNSURE, Outcome.NATIVE)
        if not unclaimed and not match.doubts:
            yield told
        return
    if match.outcome == Outcome.NATIVE:
        yield told
    if not match.outcome.is_filled:
        return
    assert match.fill is not None
    factor = match.fill.adapter.factor if match.fill.adapter else Decimal(1)
    if match.fill.lens.key != truth.lens:
        yield f"{told} with {match.fill.lens.key}"
    elif match.fill.f_number not in (None, Decimal(truth.stop) * factor):
        yield f"{told} with f/{match.fill.f_number}"
    elif match.fill.focal_length != kit.lenses[truth.lens].focal[0] * factor:
        yield f"{told} with {match.fill.focal_length} mm"


def over_seeds(seeds: range, kit: Kit, kind: Kind, weather: Weather = Weather()) -> Score:
    """The score of many outings."""
    total = Score()
    for seed in seeds:
        total.add(score(simulate(seed, kind=kind, weather=weather), kit), f"seed {seed}: ")
    return total


KINDS = {
    "to the second": Kind("second"),
    "to the minute": Kind("minute"),
    "to the minute, a quarter of ring moves not noted": Kind("minute", forgotten=0.25),
    "to the minute, up to 90 s late, slack 90s": Kind("minute", late=90),
    "by the order of slate frames": Kind(slates=True),
    "by order, a quarter of ring moves not noted": Kind(slates=True, forgotten=0.25),
    "by order, a tenth of the slate frames not made": Kind(slates=True, unmarked=0.1),
}


def report(found: Score) -> Iterator[str]:
    """The shares, in percent of the frames, in a few lines."""
    for name, counts in (("lens", found.lens), ("f-number", found.stop)):
        total = max(1, sum(counts.values()))
        shares = (f"{key} {100 * counts[key] / total:.3f} %" for key in ("right", "wrong", "open"))
        yield f"{name}: " + ", ".join(shares)
    unnoted = found.steps["right"] + found.steps["missed"] + found.steps["open"]
    right = 100 * found.steps["right"] / max(1, unnoted)
    left = 100 * found.steps["open"] / max(1, unnoted)
    false = 100 * found.steps["false"] / max(1, found.frames)
    yield f"light-step: {right:.1f} % of {unnoted} un-noted frames, {left:.1f} % of them open"
    yield f"light-step where there was none: {false:.2f} % of all frames"
    yield f"placed-in-gap: {found.placed['right']} right, {found.placed['wrong']} wrong"


def main() -> None:
    from support.kits import whole_kit

    parser = argparse.ArgumentParser(description="The shares filled right, over made-up outings.")
    parser.add_argument("--seeds", type=int, default=100)
    seeds = range(parser.parse_args().seeds)
    for name, kind in KINDS.items():
        found = over_seeds(seeds, whole_kit(), kind)
        print(f"{name} ({len(seeds)} outings, {found.frames} frames)")
        for line in report(found):
            print(f"  {line}")


if __name__ == "__main__":
    main()
