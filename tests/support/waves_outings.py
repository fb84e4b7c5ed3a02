"""Outings as files whose photographers note each change before they go on, in light that moves in
slow waves. Kinds, light and habits were made apart from those of `field_outings`.

Honest kinds have logs that are right within what they say; faulty kinds have logs or clocks with a
fault that nobody mentions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from support.outing_gear import BODIES, ahead_of_log, clock_line, frame_truth, kit_text, numbered
from support.outing_truth import (
    FRAMES,
    ChangeTruth,
    ClockTruth,
    OutingTruth,
    write_truth,
)
from support.waves_habits import LENSES, STYLES, Change, Habit, Photographer, Shot
from support.waves_pictures import Writing, write

HOUR, DAY = 3600.0, 86_400.0
ZONE = "Europe/Stockholm"
SUMMER, WINTER = "+02:00", "+01:00"
LATE_NOTES_S = 60.0, 180.0
HONEST_STYLES = (
    *("landscape", "street", "portrait", "stage", "studio", "brackets", "auto", "two_bodies"),
    *("zoom", "native", "registered", "even", "few", "many", "manual"),
)
COMMON_STYLES = (
    *("landscape", "street", "portrait", "auto", "two_bodies", "native", "registered"),
    *("brackets", "stage", "manual"),
)
"""Of which a kind with no style of its own takes one."""


@dataclass(frozen=True)
class Told:
    """An outing as its log, its clocks and its bodies tell it.

    `ahead` is by how many seconds each body is ahead of the log's clock, as their faces show it.
    """

    names: tuple[str, ...]
    """Of the frames."""
    shots: tuple[Shot, ...]
    changes: tuple[Change, ...]
    entries: tuple[tuple[float, Change], ...]
    """Each with the time of its note."""
    start: datetime
    ahead: Mapping[str, float]
    stated: Mapping[str, float]
    seconds: bool
    """Notes have seconds."""
    terse: bool
    """The body isn't named where there is but one."""
    zone: str | None = None
    offset: str | None = None
    order: bool = False
    falls: float | None = None
    """When the log's clock falls back an hour."""
    late_s: float = 0.0
    """By how much notes come late as a rule."""
    other: bool = False
    """The log isn't of these frames."""
    tolerance_s: float = 60.0

    def at(self, time: float) -> datetime:
        return self.start + timedelta(seconds=time)


Fault = Callable[[Told, Random], Told]


def as_it_was(told: Told, rng: Random) -> Told:
    return told


def either(rng: Random) -> int:
    return rng.choice((-1, 1))


def off_by(told: Told, rng: Random, seconds: float, *, all_bodies: bool = False) -> Told:
    """One body's clock, or that of all, is ahead by so much more."""
    wrong = told.ahead if all_bodies else [rng.choice(sorted(told.ahead))]
    ahead = {body: s + (seconds if body in wrong else 0) for body, s in told.ahead.items()}
    return replace(told, ahead=ahead)


def clock_hour(told: Told, rng: Random) -> Told:
    return off_by(told, rng, HOUR * either(rng))


def clock_twelve(told: Told, rng: Random) -> Told:
    return off_by(told, rng, 12 * HOUR if told.start.hour < 12 else -12 * HOUR)


def clock_day(told: Told, rng: Random) -> Told:
    return off_by(told, rng, DAY * either(rng))


def clock_year(told: Told, rng: Random) -> Told:
    return off_by(told, rng, rng.choice((-365, 365, -730)) * DAY, all_bodies=True)


def clock_seconds(told: Told, rng: Random) -> Told:
    """20 to 90 s off."""
    return replace(off_by(told, rng, either(rng) * rng.randint(20, 90)), tolerance_s=20.0)


def clock_few_seconds(told: Told, rng: Random) -> Told:
    off = {body: s + either(rng) * rng.uniform(3, 8) for body, s in told.ahead.items()}
    return replace(told, ahead=off, tolerance_s=20.0)


def clock_sign(told: Told, rng: Random) -> Told:
    """`fast` for `slow`, or the other way round."""
    body, off = rng.choice(sorted(told.ahead)), float(either(rng) * rng.randint(120, 1200))
    return replace(told, ahead={**told.ahead, body: off}, stated={**told.stated, body: -off})


def zone_offset(told: Told, rng: Random) -> Told:
    """The zone line is the next country's; bodies have the right offset."""
    return replace(told, zone=rng.choice(("Europe/London", "Europe/Helsinki")), offset=SUMMER)


def winter_time(told: Told, rng: Random) -> Told:
    """The bodies are still on winter time, and their offset says so."""
    winter = replace(told, zone=ZONE, offset=WINTER)
    return off_by(winter, rng, -HOUR, all_bodies=True)


def summer_night(told: Told, rng: Random) -> Told:
    """The phone falls back an hour in the night, the bodies don't."""
    falls = (datetime(2026, 10, 25, 3) - told.start).total_seconds()
    return replace(told, zone=ZONE, offset=None, falls=falls)


def summer_offset(told: Told, rng: Random) -> Told:
    """The same, but the bodies' offset says so."""
    return replace(summer_night(told, rng), offset=SUMMER)


def noted_at(told: Told, times: Callable[[Change], float]) -> Told:
    """Late or not, notes of a body are written in the order of its changes."""
    found, last = [], dict[str, float]()
    for _, change in told.entries:
        time = last[change.body] = max(last.get(change.body, -DAY), times(change))
        found.append((time, change))
    return replace(told, entries=in_order(found))


def in_order(entries: Iterable[tuple[float, Change]]) -> tuple[tuple[float, Change], ...]:
    return tuple(sorted(entries, key=lambda entry: (entry[0], entry[1].after)))


def late_notes(told: Told, rng: Random) -> Told:
    late = noted_at(told, lambda change: change.after + rng.uniform(*LATE_NOTES_S))
    return replace(late, late_s=sum(LATE_NOTES_S) / 2)


def notes_after(told: Told, rng: Random) -> Told:
    """Each note up to a minute after the change, as a rule when frames were made already."""

    def noted(change: Change) -> float:
        pause = change.after - change.before
        done = change.after - rng.uniform(3, 20) if pause >= 30 else change.before + pause * 0.9
        return min(change.after - 1, done) + rng.uniform(0, 60)

    return noted_at(told, noted)


def ended(told: Told, time: float) -> Told:
    """Nothing is noted from here on."""
    kept = (replace(c, noted=c.noted and c.after <= time) for c in told.changes)
    entries = tuple(entry for entry in told.entries if entry[1].after <= time)
    return replace(told, changes=tuple(kept), entries=entries)


def ended_midway(told: Told, rng: Random) -> Told:
    return ended(told, told.shots[-1].time * rng.uniform(0.4, 0.7))


def ended_before(told: Told, rng: Random) -> Told:
    """Nothing is noted after the long pause."""
    times = [shot.time for shot in told.shots]
    pauses = [(later - sooner, sooner) for sooner, later in pairwise(times)]
    return ended(told, max(pauses)[1])


def by_order(told: Told, rng: Random) -> Told:
    return replace(told, order=True, stated={})


@dataclass(frozen=True)
class Kind:
    """`habit` has what differs from the style's habit; `later_h` is how many hours after the first
    session a second one begins."""

    group: str
    fault: Fault = as_it_was
    style: str | None = None
    habit: Mapping[str, Any] | None = None
    later_h: tuple[float, float] | None = None
    start: datetime | None = None
    log: str | None = None
    """Whose log it is, where it isn't of these frames: of the same "hours", of another "day", of
    other hours of the "same day"."""


NIGHT, LATE_SUMMER = (14.0, 20.0), datetime(2026, 10, 24)
KINDS: Mapping[str, Kind] = {
    **{style: Kind("honest", style=style) for style in HONEST_STYLES},
    "forgetful": Kind("honest", habit={"forget_turn": 0.35}),
    "not_noted": Kind("honest", habit={"unsure": 0.3}),
    "notes_after": Kind("honest-after", notes_after),
    "winter_time": Kind("honest", winter_time),
    "summer_offset": Kind("honest", summer_offset, later_h=NIGHT, start=LATE_SUMMER),
    "slates_hand": Kind("honest", by_order, habit={"slate": "hand"}),
    "slates_cap": Kind("honest", by_order, habit={"slate": "cap"}),
    "slates_by_time": Kind("honest", habit={"slate": "either"}),
    "clock_hour": Kind("faulty", clock_hour),
    "clock_twelve": Kind("faulty", clock_twelve),
    "clock_day": Kind("faulty", clock_day),
    "clock_year": Kind("faulty", clock_year),
    "clock_sign": Kind("faulty", clock_sign),
    "clock_seconds": Kind("faulty", clock_seconds),
    "clock_few_seconds": Kind("faulty", clock_few_seconds),
    "summer_night": Kind("faulty", summer_night, later_h=NIGHT, start=LATE_SUMMER),
    "zone_offset": Kind("faulty", zone_offset),
    "late_notes": Kind("faulty", late_notes),
    "ended_same_day": Kind("faulty", ended_before, later_h=(6.2, 9.0)),
    "ended_next_day": Kind("faulty", ended_before, later_h=NIGHT),
    "ended_midway": Kind("faulty", ended_midway),
    "other_log": Kind("faulty", log="hours"),
    "other_log_day": Kind("faulty", log="day"),
    "other_log_hours": Kind("faulty", log="same day"),
    "slate_missing": Kind("faulty", by_order, habit={"slate": "either", "unmarked": 2}),
}


def habit_of(style: str, changed: Mapping[str, Any], rng: Random) -> Habit:
    bodies = ("k7", "n2") if style == "two_bodies" or rng.random() < 0.15 else ("k7",)
    frames = {"few": rng.randint(6, 18), "many": rng.randint(260, 420)}
    mode = {"studio": "flash", "auto": "auto", "manual": "manual"}
    habit = Habit(
        style if style in STYLES else rng.choice(("landscape", "street")),
        bodies,
        frames.get(style, rng.randint(45, 130)),
        mode.get(style) or rng.choice(("aperture", "aperture", "auto")),
        zoom=style == "zoom",
        native=style == "native",
        registered=style == "registered" or rng.random() < 0.15,
        brackets=style == "brackets",
    )
    if "slate" in changed:
        habit = replace(habit, bodies=("k7",), native=False)
    if "unmarked" in changed:
        changed = {**changed, "unmarked": rng.randint(changed["unmarked"], 4)}
    return replace(habit, **changed)


def clocks_of(bodies: tuple[str, ...], rng: Random) -> tuple[dict[str, float], dict[str, float]]:
    """By how many seconds each body is ahead, and what the log states of it."""
    ahead, stated = {}, {}
    for body in bodies:
        if rng.random() < 0.45:
            ahead[body] = float(either(rng) * rng.randint(0, 3))
        else:
            stated[body] = float(either(rng) * rng.randint(20, 1200))
            ahead[body] = stated[body] + rng.choice((-0.5, 0, 0.5))
    return ahead, stated


def note_time(change: Change, rng: Random) -> float:
    """Within the pause in which the change was made, mostly towards its end."""
    after, before = change.after, max(change.before, change.after - 900)
    pause = after - before
    if pause <= 1:
        return (before + after) / 2
    if rng.random() < 0.5:
        return rng.uniform(before + 0.2 * pause, after - 0.05 * pause)
    return rng.uniform(max(before + 1, after - 90) if pause > 3 else before, after - 0.3)


def other_entries(
    habit: Habit, whose: str, end: float, rng: Random
) -> tuple[tuple[float, Change], ...]:
    """Somebody else's notes, with another outing's changes."""
    other = Photographer(habit, rng)
    other.session(0.0, habit.frames)
    changes = sorted(other.changes, key=lambda change: change.after)
    shift = 0.0
    if whose == "day":
        shift = rng.choice((-7, -2, -1, 1, 3)) * DAY
    elif whose == "same day":
        shift = rng.uniform(1.2, 4) * HOUR
        shift = end + shift if rng.random() < 0.5 else -shift - changes[-1].after
    return in_order((rng.uniform(c.before, c.after) + shift, c) for c in changes)


def tell(kind: str, seed: int) -> Told:
    chosen, rng = KINDS[kind], Random(f"waves {kind} {seed}")
    style = chosen.style or rng.choice(COMMON_STYLES)
    habit = habit_of(style, chosen.habit or {}, rng)
    start = datetime(2026, rng.randint(4, 9), rng.randint(1, 28), rng.randint(7, 15))
    start += timedelta(seconds=rng.randrange(3600))
    if chosen.start:
        start = chosen.start.replace(hour=rng.randint(14, 18), minute=5)
    player = Photographer(habit, rng)
    end = player.session(0.0, habit.frames)
    if chosen.later_h:
        player.session(end + rng.uniform(*chosen.later_h) * HOUR, rng.randint(20, 50))
    changes = sorted(player.changes, key=lambda change: change.after)
    entries = [(note_time(change, rng), change) for change in changes if change.noted]
    ahead, stated = clocks_of(habit.bodies, rng)
    shots = tuple(sorted(player.shots, key=lambda shot: shot.time))
    told = Told(
        numbered(shots, {body: rng.randint(101, 901) for body in BODIES}),
        shots,
        tuple(changes),
        in_order(entries),
        start,
        ahead,
        stated,
        seconds=rng.random() < 0.12,
        terse=len(habit.bodies) == 1 and rng.random() < 0.4,
        zone=ZONE if rng.random() < 0.5 else None,
    )
    if told.zone and rng.random() < 0.5:
        told = replace(told, offset=SUMMER)
    if chosen.log:
        others = other_entries(habit, chosen.log, end, rng)
        told = replace(told, entries=others, other=True)
    return chosen.fault(told, rng)


def words(change: Change, last: Change | None) -> str:
    """What an entry says of a change, after the last one of that body."""
    new, old = change.setting, last.setting if last else None
    if new.lens.native:
        return "off"
    turned = change.kind == "ring" and old is not None and old.lens == new.lens
    said = [] if turned else [new.lens.key]
    if new.lens.zoom and not (turned and old and old.focal == new.focal):
        said.append(f"{new.focal:g}mm")
    return " ".join([*said, f"f/{new.f_number:g}" if change.known else "f/?"])


def log_text(told: Told) -> str:
    lines = [f"zone {told.zone}"] if told.zone and not told.order else []
    lines += [clock_line(body, ahead) for body, ahead in told.stated.items()]
    last: dict[str, Change] = {}
    day: date | None = None
    for time, change in told.entries:
        said = words(change, last.get(change.body))
        if not told.terse:
            said = f"{change.body} {said}"
        if told.order:
            lines.append(f"{'then' if last else 'first'} {said}")
        else:
            at = told.at(time)
            if told.falls is not None and time > told.falls:
                at -= timedelta(hours=1)
            if at.date() != day:
                day = at.date()
                lines.append(f"date {day}")
            lines.append(f"{at:%H:%M:%S} {said}" if told.seconds else f"{at:%H:%M} {said}")
        last[change.body] = change
    return "\n".join(lines) + "\n"


def clock_truth(body: str, told: Told) -> ClockTruth:
    ahead = told.ahead[body]
    fits = [ahead_of_log(ahead, told.start, told.zone, told.offset) - told.late_s]
    if told.falls is not None and not told.offset:
        fits.append(ahead + HOUR)
    if told.order or told.other:
        fits = []
    return ClockTruth(body, tuple(fits), told.stated.get(body), told.tolerance_s)


def change_truth(change: Change, told: Told) -> ChangeTruth:
    place = sum(s.body == change.body and s.time < change.after for s in told.shots)
    kind = "off" if change.setting.lens.native else change.kind
    return ChangeTruth(change.body, place, kind, change.stops, change.noted and not told.other)


def truth_of(kind: str, seed: int, told: Told) -> OutingTruth:
    frames = (
        frame_truth(name, shot, told.at(shot.time))
        for name, shot in zip(told.names, told.shots, strict=True)
    )
    changes = (change_truth(change, told) for change in told.changes)
    clocks = (clock_truth(body, told) for body in told.ahead)
    return OutingTruth(kind, KINDS[kind].group, seed, tuple(frames), tuple(changes), tuple(clocks))


def make(kind: str, seed: int, folder: Path) -> OutingTruth:
    """Make one outing in the folder: `frames/` with log and kit, and `truth.json`.

    Raises KeyError for a kind that isn't there.
    """
    told, rng = tell(kind, seed), Random(f"waves written {kind} {seed}")
    writing = Writing(
        seed,
        blank=rng.choice((0, 1, 1, 2, 3)),
        soft=rng.random() < 0.5,
        thumbnails=rng.random() < 0.5,
        parts=rng.random() < 0.6,
        offset=told.offset,
        manual=KINDS[kind].style == "manual",
    )
    frames, pixels = folder / FRAMES, np.random.default_rng(seed * 13 + 1)
    frames.mkdir()
    (frames / "kit.toml").write_text(kit_text(BODIES.values(), LENSES), "utf-8")
    (frames / "session.txt").write_text(log_text(told), "utf-8")
    for name, shot in zip(told.names, told.shots, strict=True):
        write(frames / name, shot, writing, told.at(shot.time + told.ahead[shot.body]), pixels)
    truth = truth_of(kind, seed, told)
    write_truth(truth, folder)
    return truth
