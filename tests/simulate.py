"""A simulator of outings: what really stood on the bodies, and the log that was kept of it.

Two bodies with clocks of their own, lenses changed and rings turned at random times, frames in
bursts. The notes are right and in time; they are only cut to the minute or the second, as the
bodies' clocks cut their readings. What every frame has to come to is therefore known.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

from flangeback.frames import CameraTime, Frame
from flangeback.kit import Kit
from flangeback.match import FrameMatch, Outcome, match_frames
from flangeback.sessionlog import parse_log

START = datetime(2026, 5, 17, 9, 0)
LENGTH = 2.5 * 3600
"""Seconds that an outing lasts."""
LENS_CHANGE = 12.0
"""Seconds without a frame around a change of lens: nobody is faster."""
RING_CHANGE = 1.2
"""Seconds without a frame around the turn of a ring."""
_STOPS = ("2.8", "4", "5.6", "8", "11")
_LENSES = {"k7": ("miran58", "brask135", "tolvan28"), "n2": ("miran58", "tolvan28", "brask135")}
_MODELS = {"k7": "Kestrin K7", "n2": "Norrvik N2"}
_RESOLUTION = {"k7": 1.0, "n2": 0.01}


@dataclass(frozen=True)
class Truth:
    """What stood on a body: a key of the kit, None for no adapted lens; the ring's f-number."""

    lens: str | None
    stop: str = ""


@dataclass(frozen=True)
class Clock:
    """How a body's clock runs: seconds ahead at the start, and gained per second."""

    ahead: float
    drift: float = 0.0

    def reads(self, true: float) -> float:
        return true + self.ahead + self.drift * true


@dataclass
class Outing:
    """An outing as it was. `truth` is by file."""

    log: str
    frames: list[Frame] = field(default_factory=list)
    truth: dict[str, Truth] = field(default_factory=dict)


def simulate(seed: int, *, to_the: str, clock: str = "offset") -> Outing:
    """An outing whose notes are cut to the "minute" or the "second".

    `clock` says what the log knows of the bodies' clocks: the whole seconds of an "offset", or
    two "photos" of a clock, of which drift and parts of a second have to be inferred.
    """
    chance = random.Random(seed)
    outing = Outing("")
    notes: list[tuple[float, str]] = []
    heads: list[str] = []
    for body in ("k7", "n2"):
        runs = _clock(chance, clock)
        changes = list(_changes(chance, _LENSES[body]))
        notes += _notes(body, changes, to_the)
        times = sorted(_frame_times(chance, changes))
        photos = (-240 + chance.random() * 60, LENGTH + 600 + chance.random() * 60)
        if clock == "photos":
            times = [photos[0], *times, photos[1]]
        for number, true in enumerate(times, 1):
            frame = _frame(body, number, runs.reads(true))
            outing.frames.append(frame)
            outing.truth[frame.file] = _standing(changes, true)
        heads += _clock_lines(body, runs, photos, len(times), clock)
    notes.sort(key=lambda note: note[0])
    outing.log = "\n".join([f"date {START:%Y-%m-%d}", *heads, *(text for _, text in notes)]) + "\n"
    return outing


def _clock(chance: random.Random, known: str) -> Clock:
    if known == "offset":
        return Clock(float(chance.randint(-5400, 5400)))
    return Clock(chance.uniform(-5400, 5400), chance.uniform(-5, 5) / 86_400)


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


def _changes(chance: random.Random, lenses: Sequence[str]) -> Iterator[tuple[float, Truth]]:
    """When what came to stand on a body; the last is no adapted lens."""
    at = chance.uniform(0, 300)
    held = Truth(chance.choice(lenses), chance.choice(_STOPS[1:]))
    yield at, held
    while (at := at + 15 + chance.expovariate(1 / 400)) < LENGTH:
        if chance.random() < 0.4:
            other = [lens for lens in lenses if lens != held.lens]
            held = Truth(chance.choice(other), chance.choice(_STOPS[1:]))
        else:
            other = [stop for stop in _STOPS[1:] if stop != held.stop]
            held = Truth(held.lens, chance.choice(other))
        yield at, held
    yield LENGTH + 20, Truth(None)


def _notes(
    body: str, changes: Sequence[tuple[float, Truth]], to_the: str
) -> Iterator[tuple[float, str]]:
    held = Truth(None)
    for at, now in changes:
        time = f"{_at(at):%H:%M:%S}" if to_the == "second" else f"{_at(at):%H:%M}"
        words = "off" if now.lens is None else f"f/{now.stop}"
        if now.lens is not None and now.lens != held.lens:
            words = f"{now.lens} {words}"
        yield at, f"{time} {body} {words}"
        held = now


def _frame_times(chance: random.Random, changes: Sequence[tuple[float, Truth]]) -> Iterator[float]:
    """Bursts; none while a lens is being changed or a ring is turned."""
    at = -120.0
    while (at := at + chance.expovariate(1 / 60)) < LENGTH + 300:
        for _ in range(chance.choice((1, 1, 1, 2, 3, 5, 8))):
            if not _hands_full(changes, at):
                yield at
            at += chance.uniform(0.2, 3)


def _hands_full(changes: Sequence[tuple[float, Truth]], at: float) -> bool:
    held = None
    for when, now in changes:
        takes = LENS_CHANGE if now.lens != held else RING_CHANGE
        if abs(at - when) < takes / 2:
            return True
        held = now.lens
    return False


def _standing(changes: Sequence[tuple[float, Truth]], at: float) -> Truth:
    done = bisect_right([when for when, _ in changes], at)
    return changes[done - 1][1] if done else Truth(None)


def _frame(body: str, number: int, reading: float) -> Frame:
    unit = _RESOLUTION[body]
    cut = reading // unit * unit
    name = f"{body.upper()}_{number:04}.JPG"
    time = CameraTime(
        START + timedelta(milliseconds=round(cut * 1000)), timedelta(seconds=unit), None
    )
    return Frame(name, Path(name), model=_MODELS[body], time=time)


@dataclass
class Score:
    """How an outing came out. `wrong` describes every frame that was told a falsehood."""

    frames: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def share(self, *outcomes: str) -> float:
        return sum(self.outcomes[outcome] for outcome in outcomes) / max(1, self.frames)


def score(outing: Outing, kit: Kit) -> Score:
    """The outing by its own log, against the truth."""
    found = Score()
    for match in match_frames(outing.frames, [parse_log(outing.log, kit)], kit).frames:
        truth = outing.truth[match.frame.file]
        found.wrong += _wrong(match, truth, kit)
        if truth.lens is not None:
            found.frames += 1
            found.outcomes[str(match.outcome)] += 1
    return found


def _wrong(match: FrameMatch, truth: Truth, kit: Kit) -> Iterator[str]:
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
