"""Outings as files: small JPEGs, a session log, a kit, and what is true of every frame.

Two bodies with clocks of their own; lenses are changed and rings turned while no frame is made;
frames come in bursts under light that wanders, and are metered in thirds of a stop. A picture is as
bright as the rest of its metering leaves it, so the files carry the light. Nothing here uses the
program under test. One kind and one seed always give the same bytes (with the same Pillow).
"""

from __future__ import annotations

import json
import math
import random
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import timedelta
from fractions import Fraction
from pathlib import Path

from support.simulated_frames import (
    BODIES,
    FOCAL_LENGTHS,
    START,
    Body,
    Shot,
    Truth,
    frame_name,
    write_frame,
)

LENGTH = 6000.0
"""Seconds that an outing lasts."""
LENS_CHANGE = 12.0, 60.0
"""Seconds without a frame that a change of lens takes: at the least and at the most."""
RING_TURN = 1.5, 6.0
"""The same of a ring."""
LENS_SHARE = 0.25
"""Of the changes; rings are turned more often than lenses are changed."""
STOPS = ("4", "5.6", "8", "11")

KIT = """\
[body.k7]
model = "Kestrin K7"
serial = "0071133"
mount = "E"
sensor = [35.9, 23.9]

[body.n2]
model = "Norrvik N2"
mount = "Micro Four Thirds"
sensor = [17.3, 13.0]

[lens.miran58]
maker = "Ostrava Optik"
name = "Miran 58mm f/2"
focal = 58
widest = 2.0
narrowest = 16
mount = "M42"
serial = "6612345"

[lens.brask135]
maker = "Brask"
name = "Brask Tele 135mm f/3.5"
focal = 135
widest = 3.5
narrowest = 22
mount = "M42"

[lens.tolvan28]
maker = "Ostrava Optik"
name = "Tolvan 28mm f/2.8"
focal = 28
widest = 2.8
narrowest = 22
mount = "F"

[adapter.m42-e]
lens_mount = "M42"
body_mount = "E"

[adapter.m42-mft]
lens_mount = "M42"
body_mount = "Micro Four Thirds"

[adapter.f-mft]
lens_mount = "F"
body_mount = "Micro Four Thirds"

[adapter.f-e-reducer]
lens_mount = "F"
body_mount = "E"
kind = "reducer"
factor = 0.71
"""


@dataclass(frozen=True)
class Kind:
    """A kind of log.

    `clock_by` is what the log knows of the clocks: "offset" (whole seconds) or two "photos" of a
    clock. `forgotten` is the share of ring turns without a note, `late` how many seconds late a
    note may be (the log says slack). With `slates` the log goes by the order of slate frames, of
    which the share `unmarked` wasn't made. With `registered` the bodies write the focal length
    that was registered for the stabiliser, and n2 ends with a native lens.
    """

    to_the_second: bool = False
    clock_by: str = "photos"
    forgotten: float = 0.0
    late: int = 0
    slates: bool = False
    unmarked: float = 0.0
    registered: bool = False


KINDS: Mapping[str, Kind] = {
    "minute-photos": Kind(),
    "second-offset": Kind(to_the_second=True, clock_by="offset"),
    "forgotten": Kind(clock_by="offset", forgotten=0.25),
    "late": Kind(late=90),
    "order": Kind(slates=True, unmarked=0.01),
    "registered": Kind(clock_by="offset", registered=True),
}


@dataclass(frozen=True)
class Change:
    """From second `at` on `now` stands; no frame is made from `start` to `end`."""

    at: float
    now: Truth
    start: float
    end: float


@dataclass(frozen=True)
class Clock:
    """A body's clock: seconds ahead at the start, and gained per second."""

    ahead: float
    drift: float

    def reads(self, true: float) -> float:
        return true + self.ahead + self.drift * true


def write_outing(folder: Path, kind: str, seed: int) -> dict[str, Truth]:
    """Write an outing of a kind of KINDS into a new folder: frames, `session.txt`, `kit.toml`.

    Gives the truth by file. Raises KeyError for an unknown kind, FileExistsError for a folder that
    exists.
    """
    chance = random.Random(f"{kind} {seed}")
    chosen = KINDS[kind]
    light = Light(chance)
    heads = [f"date {START:%Y-%m-%d}"] + ([f"slack {chosen.late}s"] if chosen.late else [])
    notes: list[tuple[float, str]] = []
    folder.mkdir()
    truth = {}
    for body in BODIES:
        clock = make_clock(chance, chosen)
        changes = list(make_changes(chance, chosen))
        times = sorted(frame_times(chance, changes))
        if chosen.slates:
            changes = with_frames_between(changes, times)
            times = [time for time in times if time > changes[0].at]
            slates = slate_times(chance, chosen, changes)
            notes += order_entries(body, changes)
        else:
            slates = []
            if chosen.clock_by == "photos":
                times = [-240 + 60 * chance.random(), *times, LENGTH + 600 + 60 * chance.random()]
            heads += clock_lines(body, clock, times, chosen)
            notes += timed_entries(chance, chosen, body, changes)
        for shot in shoot(chance, light, body, clock, changes, times, slates):
            write_frame(folder / shot.file, body, shot, registered=chosen.registered)
            truth[shot.file] = shot.truth
    notes.sort(key=lambda note: note[0])
    log = [*heads, *(text for _, text in notes)]
    (folder / "session.txt").write_text("\n".join(log) + "\n", "utf-8")
    (folder / "kit.toml").write_text(KIT, "utf-8")
    return truth


def truth_as_json(truth: Mapping[str, Truth]) -> str:
    """The truth as one JSON document, by file."""
    return json.dumps({file: asdict(one) for file, one in truth.items()}, indent=1)


# What was done -----------------------------------------------------------------------------------


def make_clock(chance: random.Random, kind: Kind) -> Clock:
    if kind.clock_by == "offset":
        return Clock(float(chance.randint(-5400, 5400)), 0.0)
    return Clock(chance.uniform(-5400, 5400), chance.uniform(-5, 5) / 86_400)


def make_changes(chance: random.Random, kind: Kind) -> Iterator[Change]:
    """When what came to stand on a body; the last is no adapted lens."""
    lenses = tuple(FOCAL_LENGTHS)
    at = chance.uniform(0, 300)
    held = Truth(chance.choice(lenses), chance.choice(STOPS))
    yield Change(at, held, at - 20, at + 1)
    while True:
        is_lens = chance.random() < LENS_SHARE
        start = at + 70 + chance.expovariate(1 / 330)
        end = start + chance.uniform(*(LENS_CHANGE if is_lens else RING_TURN))
        at = chance.uniform(start, end)
        if end > LENGTH:
            break
        if is_lens:
            others = [lens for lens in lenses if lens != held.lens]
            held = Truth(chance.choice(others), chance.choice(STOPS))
        else:
            turned = chance.choice([stop for stop in STOPS if stop != held.f_number])
            held = Truth(held.lens, turned, chance.random() >= kind.forgotten)
        yield Change(at, held, start, end)
    yield Change(LENGTH + 80, Truth(), LENGTH + 60, LENGTH + 90)


def frame_times(chance: random.Random, changes: Sequence[Change]) -> Iterator[float]:
    """Bursts, in true seconds; none while hands are full."""
    at = -120.0
    while (at := at + chance.expovariate(1 / 210)) < LENGTH + 300:
        for _ in range(chance.choice((1, 1, 1, 2, 3, 5, 8))):
            if not any(change.start < at < change.end for change in changes):
                yield at
            at += chance.uniform(0.2, 3)


def with_frames_between(changes: Sequence[Change], times: Sequence[float]) -> list[Change]:
    """The changes that a frame follows before the next one: slates in a row mark one change."""
    starts = [*(change.at for change in changes[1:]), math.inf]
    return [
        change
        for change, end in zip(changes, starts, strict=True)
        if any(change.at < time < end for time in times)
    ]


def slate_times(chance: random.Random, kind: Kind, changes: Sequence[Change]) -> list[float]:
    """Each change but the first is marked by one slate frame or more in a row."""
    times = []
    for change in changes[1:]:
        if chance.random() >= kind.unmarked:
            count = chance.choice((1, 1, 1, 2, 3))
            step = (change.end - change.start) / (count + 1)
            times += [change.start + step * (n + 1) for n in range(count)]
    return times


# What was noted ----------------------------------------------------------------------------------


def clock_lines(body: Body, clock: Clock, times: Sequence[float], kind: Kind) -> Iterator[str]:
    """An offset, or the first and the last frame as photos of a clock."""
    if kind.clock_by == "offset":
        seconds = int(abs(clock.ahead))
        way = "fast" if clock.ahead >= 0 else "slow"
        yield f"clock {body.key} {way} {seconds // 60}m{seconds % 60}s"
        return
    for number in (1, len(times)):
        shown = START + timedelta(seconds=times[number - 1])
        yield f"clock {body.key} {frame_name(body, number)} shows {shown:%H:%M:%S}"


def timed_entries(
    chance: random.Random, kind: Kind, body: Body, changes: Sequence[Change]
) -> Iterator[tuple[float, str]]:
    """Late or not, entries are written in the order of what they note."""
    held, written = Truth(), 0.0
    for change in changes:
        if change.now.noted:
            late = chance.uniform(0, kind.late) if kind.late else 0.0
            written = max(written, change.at + late)
            time = START + timedelta(seconds=written)
            shown = f"{time:%H:%M:%S}" if kind.to_the_second else f"{time:%H:%M}"
            yield written, f"{shown} {gear_words(body, change.now, held)}"
            held = change.now


def order_entries(body: Body, changes: Sequence[Change]) -> Iterator[tuple[float, str]]:
    held = Truth()
    for change in changes:
        place = "then" if change is not changes[0] else "first"
        yield change.at, f"{place} {gear_words(body, change.now, held)}"
        held = change.now


def gear_words(body: Body, now: Truth, held: Truth) -> str:
    if now.lens is None:
        return f"{body.key} off"
    lens = "" if now.lens == held.lens else f"{now.lens} "
    return f"{body.key} {lens}f/{now.f_number}"


# What the bodies wrote ---------------------------------------------------------------------------


class Light:
    """The scene's exposure value (at ISO 100) by the second: it wanders, and clouds come and go."""

    def __init__(self, chance: random.Random) -> None:
        self.minutes = [13.0]
        for _ in range(150):
            self.minutes.append(self.minutes[-1] + chance.gauss(0, 0.05))
        self.clouds = []
        at = -600.0
        while (at := at + chance.expovariate(1 / 3600)) < LENGTH:
            self.clouds.append((at, at + chance.expovariate(1 / 300), chance.uniform(0.5, 1.5)))

    def at(self, seconds: float) -> float:
        part, whole = math.modf((seconds + 600) / 60)
        before, after = self.minutes[int(whole) : int(whole) + 2]
        clouded = sum(deep for start, end, deep in self.clouds if start < seconds < end)
        return before * (1 - part) + after * part - clouded


def shoot(
    chance: random.Random, light: Light, body: Body, clock: Clock,
    changes: Sequence[Change], times: Sequence[float], slates: Sequence[float],
) -> Iterator[Shot]:  # fmt: skip
    """The frames of one body, numbered in the order they were made; scenes differ from burst to
    burst, and lenses let through what they do besides their f-number."""
    starts = [change.at for change in changes]
    passes = {lens: chance.gauss(0, 0.1) for lens in FOCAL_LENGTHS}
    seen, scene = -math.inf, 0.0
    for number, true in enumerate(sorted([*times, *slates]), 1):
        done = bisect_right(starts, true)
        truth = changes[done - 1].now if done else Truth()
        if true - seen > 4:
            scene = chance.gauss(0, 0.25)
        seen = true
        value = light.at(true) + scene + passes.get(truth.lens or "", 0.0)
        f_number = float(truth.f_number or 8) * body.factors.get(truth.lens or "", 1.0)
        time, brightness = meter(chance, value, f_number, body.iso)
        if true in slates:
            truth, brightness = Truth(slate=True), chance.uniform(-11, -9)
        yield Shot(frame_name(body, number), clock.reads(true), time, brightness, truth)


def meter(chance: random.Random, value: float, f_number: float, iso: int) -> tuple[Fraction, float]:
    """Aperture priority: the exposure time in s, to a third of a stop, and log2 of the picture's
    mean luminance, which takes the rest (APEX: Ev = Av + Tv - Sv; a mean of 18 % grey)."""
    wanted = value - 2 * math.log2(f_number) + math.log2(iso / 100) + chance.gauss(0, 0.1)
    named = min(13.0, round(wanted * 3) / 3)
    time = Fraction(2**-named).limit_denominator(100_000)
    return time, math.log2(0.18) + wanted - named + chance.gauss(0, 0.03)
