"""Outings as files in weather of several kinds, by photographers of two habits: some note a change
before they go on, others up to a minute after it, as a rule when frames were made already. Kinds,
light and habits were made apart from those of `field_outings` and `waves_outings`.

Honest kinds have logs that are right within what they say; those of the second habit are a group of
their own, "honest-after". Faulty kinds, of either habit, have logs or clocks with a fault that
nobody mentions.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from support.outing_gear import (
    BODIES,
    K7,
    ahead_of_log,
    clock_line,
    frame_truth,
    kit_text,
    numbered,
)
from support.outing_truth import (
    FRAMES,
    ChangeTruth,
    ClockTruth,
    OutingTruth,
    write_truth,
)
from support.weather_camera import LENSES
from support.weather_habits import Change, Habit, Photographer, Shot
from support.weather_pictures import Writing, write

HOUR, DAY = 3600.0, 86_400.0
ZONE, SUMMER = "Europe/Stockholm", "+02:00"
OTHER_ZONES = "Europe/London", "Europe/Helsinki", "America/New_York"
LATE_NOTES_S = 60.0, 180.0
AFTER = "_after"
SCENES: Mapping[str, tuple[str, ...]] = {
    "landscape": ("sun", "clouds", "fog", "dusk"),
    "street": ("sun", "clouds", "shade", "indoors"),
    "portrait": ("shade", "indoors", "sun"),
    "stage": ("stage",),
    "studio": ("studio",),
    "brackets": ("indoors", "clouds", "sun"),
    **dict.fromkeys(
        (
            *("auto", "two_bodies", "zoom", "native", "registered", "registered_late"),
            *("registered_never", "even", "few", "many"),
        ),
        ("sun", "clouds", "shade", "indoors", "dusk", "fog"),
    ),
}
"""Kinds of weather in which each is done."""
COMMON_SCENES = (
    *("landscape", "street", "portrait", "native", "registered", "registered_late"),
    *("registered_never", "auto", "zoom", "two_bodies"),
)
"""Of which a kind with no scene of its own takes one."""
MODES = {"stage": ("manual", "auto", "aperture"), "studio": ("flash",), "auto": ("auto",)}
COMMON_MODES = ("aperture", "aperture", "aperture", "auto", "manual")
KEYED_IN = {
    "registered": "follows",
    "registered_late": "late",
    "registered_never": "never",
}
Rng = np.random.Generator


@dataclass(frozen=True)
class Told:
    """An outing as its log, its clocks and its bodies tell it.

    `ahead` is by how many seconds each body is ahead of the log's clock, as their faces show it.
    """

    seed: tuple[int, ...]
    """Of what is drawn as log and frames are written."""
    names: tuple[str, ...]
    """Of the frames."""
    shots: tuple[Shot, ...]
    changes: tuple[Change, ...]
    mode: str
    """How the bodies expose."""
    start: datetime
    before: bool
    """Notes are written before going on."""
    terse: bool
    """A turn of the ring is noted as an f-number alone."""
    ahead: Mapping[str, float]
    stated: Mapping[str, float] = field(default_factory=dict)
    zone: str | None = None
    offsets: Mapping[str, str] = field(default_factory=dict)
    order: bool = False
    late: bool = False
    log_start: datetime | None = None
    """By what the log's date is reckoned, where it isn't that of `start`."""
    other: tuple[Change, ...] = ()
    """The changes that the log is of, where it isn't of these frames."""
    tolerance_s: float = 60.0

    def at(self, time: float) -> datetime:
        return self.start + timedelta(seconds=time)

    @property
    def entries(self) -> list[tuple[float, Change]]:
        """The changes with the times of their notes. Early or late, those of a body are written in
        the order of its changes."""
        written, found = dict.fromkeys(BODIES, -DAY), []
        for change in self.other or self.changes:
            if not change.noted:
                continue
            time = change.time + change.delay
            if self.before:
                own = (s.time for s in self.shots if s.body == change.body)
                next_one = min((shot for shot in own if shot >= change.time), default=time)
                time = min(time, max(change.time, next_one - 1))
            written[change.body] = max(written[change.body], time)
            found.append((written[change.body], change))
        return sorted(found, key=lambda entry: entry[0])


Fault = Callable[[Told, Rng], Told]


def way(rng: Rng) -> int:
    return int(rng.choice([-1, 1]))


def as_it_was(told: Told, rng: Rng) -> Told:
    """Two in five bodies are some minutes off, which the log states; others a few seconds."""
    ahead, stated = {}, {}
    for body in told.ahead:
        if rng.random() < 0.4:
            stated[body] = float(way(rng) * rng.integers(5, 900))
            ahead[body] = stated[body] + rng.uniform(-2, 2)
        else:
            ahead[body] = rng.uniform(-4, 4)
    return replace(told, ahead=ahead, stated=stated)


def off_by(seconds: Callable[[Rng], float]) -> Fault:
    """All clocks are off by that, and nobody says so."""

    def fault(told: Told, rng: Rng) -> Told:
        off = seconds(rng)
        return replace(told, ahead={body: off + rng.uniform(-3, 3) for body in told.ahead})

    return fault


def clock_year(told: Told, rng: Rng) -> Told:
    """The body's year is the last one's, or that of the log's date is."""
    if rng.random() < 0.5:
        return off_by(lambda rng: -365 * DAY)(told, rng)
    year_before = replace(told, start=told.start - timedelta(days=365))
    return off_by(lambda rng: 365 * DAY)(year_before, rng)


def summer_left_on(told: Told, rng: Rng) -> Told:
    """In November bodies are still on summer time; in every third outing their offset says so."""
    start = datetime(2026, 11, int(rng.integers(2, 22)), 9, 20, int(rng.integers(60)))
    offsets = dict.fromkeys(told.ahead, SUMMER) if rng.random() < 1 / 3 else {}
    fast = off_by(lambda rng: HOUR)(told, rng)
    return replace(fast, start=start, zone=ZONE, offsets=offsets)


def clock_seconds(told: Told, rng: Rng) -> Told:
    """20 to 90 s off."""
    off = way(rng) * rng.uniform(20, 90)
    return replace(told, ahead=dict.fromkeys(told.ahead, off), tolerance_s=20.0)


def clock_sign(told: Told, rng: Rng) -> Told:
    """`fast` for `slow`, or the other way round."""
    ahead = {body: float(way(rng) * rng.integers(180, 1500)) for body in told.ahead}
    return replace(told, ahead=ahead, stated={body: -off for body, off in ahead.items()})


def zone_offset(told: Told, rng: Rng) -> Told:
    """The zone line is another country's; bodies have the right offset."""
    right = off_by(lambda rng: 0.0)(told, rng)
    zone, offsets = str(rng.choice(OTHER_ZONES)), dict.fromkeys(told.ahead, SUMMER)
    return replace(right, zone=zone, offsets=offsets)


def late_notes(told: Told, rng: Rng) -> Told:
    """Notes one to three minutes late, and no `slack`."""
    changes = (replace(c, delay=rng.uniform(*LATE_NOTES_S)) for c in told.changes)
    return replace(as_it_was(told, rng), changes=tuple(changes), before=False, late=True)


def ended(later_h: tuple[float, float]) -> Fault:
    """Somewhere in the middle the notes end, and the photographer goes on so many hours later."""

    def fault(told: Told, rng: Rng) -> Told:
        cut = told.shots[int(len(told.shots) * rng.uniform(0.35, 0.65))].time
        wait = rng.uniform(*later_h) * HOUR
        shots = (replace(s, time=s.time + wait) if s.time >= cut else s for s in told.shots)
        changes = (
            replace(c, time=c.time + wait, noted=False) if c.time >= cut else c
            for c in told.changes
        )
        plain = as_it_was(told, rng)
        return replace(plain, shots=tuple(shots), changes=tuple(changes))

    return fault


def other_log(told: Told, rng: Rng) -> Told:
    """The log of another outing of that day, or of a day up to a month before."""
    player = Photographer(replace(habit_of("", {}, rng), frames=60), rng)
    player.play()
    begun = told.start + timedelta(minutes=rng.uniform(-40, 40))
    if rng.random() < 0.5:
        begun -= timedelta(days=int(rng.integers(1, 30)))
    other = tuple(
        replace(c, body=c.body if c.body in told.ahead else K7.key)
        for c in sorted(player.changes, key=lambda change: change.time)
    )
    return replace(as_it_was(told, rng), other=other, log_start=begun, before=False)


def forgetful(told: Told, rng: Rng) -> Told:
    """One to three turns of the ring aren't noted."""
    turns = [number for number, c in enumerate(told.changes) if c.kind == "ring"]
    gone = set(rng.permutation(turns)[: rng.integers(1, 4)])
    changes = (replace(c, noted=n not in gone) for n, c in enumerate(told.changes))
    return replace(as_it_was(told, rng), changes=tuple(changes))


def not_noted(told: Told, rng: Rng) -> Told:
    """Two in five f-numbers stand as f/? in the log."""
    changes = (replace(c, known=rng.random() >= 0.4 or c.kind == "off") for c in told.changes)
    return replace(as_it_was(told, rng), changes=tuple(changes))


def by_order(told: Told, rng: Rng) -> Told:
    return replace(as_it_was(told, rng), stated={}, zone=None, order=True)


@dataclass(frozen=True)
class Kind:
    """`habit` has what differs from the scene's habit. `before` says whether notes are written
    before going on, None that both is done."""

    group: str
    fault: Fault = as_it_was
    scene: str = ""
    habit: Mapping[str, Any] = field(default_factory=dict)
    before: bool | None = None


def both_habits() -> Iterator[tuple[str, Kind]]:
    plain = {scene: Kind("honest", scene=scene, before=True) for scene in SCENES}
    plain["forgetful"] = Kind("honest", forgetful, before=True)
    plain["not_noted"] = Kind("honest", not_noted, before=True)
    yield from plain.items()
    for name, kind in plain.items():
        yield name + AFTER, replace(kind, group="honest-after", before=False)


KINDS: Mapping[str, Kind] = {
    **dict(both_habits()),
    "slates_hand": Kind("honest", by_order, habit={"slate": "hand"}),
    "slates_cap": Kind("honest", by_order, habit={"slate": "cap"}),
    "clock_hour": Kind("faulty", off_by(lambda rng: way(rng) * HOUR)),
    "clock_twelve": Kind("faulty", off_by(lambda rng: way(rng) * 12 * HOUR)),
    "clock_day": Kind("faulty", off_by(lambda rng: way(rng) * DAY)),
    "clock_year": Kind("faulty", clock_year),
    "clock_sign": Kind("faulty", clock_sign),
    "clock_seconds": Kind("faulty", clock_seconds),
    "summer_left_on": Kind("faulty", summer_left_on),
    "zone_offset": Kind("faulty", zone_offset),
    "late_notes": Kind("faulty", late_notes),
    "ended_same_day": Kind("faulty", ended((6.2, 9.0))),
    "ended_next_day": Kind("faulty", ended((20.0, 27.0))),
    "ended_midway": Kind("faulty", ended((0.0, 0.0))),
    "other_log": Kind("faulty", other_log),
    "slate_missing": Kind("faulty", by_order, habit={"slate": "either", "leaves_one_out": True}),
    "slate_doubled": Kind("faulty", by_order, habit={"slate": "either", "makes_twice": True}),
    "slate_accidental": Kind("faulty", by_order, habit={"slate": "either", "accidents": 2}),
}


def habit_of(scene: str, changed: Mapping[str, Any], rng: Rng) -> Habit:
    scene = scene or str(rng.choice(COMMON_SCENES))
    low, high = {"few": (5, 16), "many": (220, 400)}.get(scene, (40, 110))
    habit = Habit(
        scene,
        str(rng.choice(SCENES[scene])),
        str(rng.choice(MODES.get(scene, COMMON_MODES))),
        int(rng.integers(low, high)),
        tuple(BODIES) if scene == "two_bodies" else (K7.key,),
        KEYED_IN.get(scene) or str(rng.choice(["none", "none", *KEYED_IN.values()])),
    )
    return replace(habit, **changed)


def tell(kind: str, seed: int) -> Told:
    seeds, chosen = (zlib.crc32(kind.encode()), seed), KINDS[kind]
    rng = np.random.default_rng(seeds)
    player = Photographer(habit_of(chosen.scene, chosen.habit, rng), rng)
    player.play()
    start = datetime(2026, int(rng.integers(4, 10)), int(rng.integers(1, 28)))
    start += timedelta(hours=int(rng.integers(8, 14)), seconds=rng.uniform(0, HOUR))
    shots = tuple(player.shots)
    told = Told(
        seeds,
        numbered(shots, {body: int(rng.integers(101, 9000)) for body in BODIES}),
        shots,
        tuple(sorted(player.changes, key=lambda change: change.time)),
        player.habit.mode,
        start,
        before=rng.random() < 0.45 if chosen.before is None else chosen.before,
        terse=rng.random() < 0.6,
        ahead=dict.fromkeys(player.habit.bodies, 0.0),
        zone=ZONE if rng.random() < 0.5 else None,
        offsets={body: SUMMER for body in player.habit.bodies if rng.random() < 0.6},
    )
    return chosen.fault(told, rng)


def words(change: Change, told: Told, rng: Rng) -> str:
    """What an entry says of a change."""
    setting, lens = change.setting, change.setting.lens
    if lens.native:
        return "off"
    said = [lens.key]
    if lens.zoom:
        said.append(f"{setting.focal:g}mm")
    if change.kind == "ring" and told.terse and not told.other:
        said = []
    varies = lens.widest[0] != lens.widest[1]
    if not change.known:
        aperture = "f/?"
    elif setting.open and not varies and rng.random() < 0.4:
        aperture = "open"
    else:
        aperture = f"f/{setting.f_number:g}"
    return " ".join([*said, aperture])


def log_text(told: Told) -> str:
    rng = np.random.default_rng((*told.seed, 1))
    lines, day, begun = list[str](), date.min, set[str]()
    if not told.other:
        lines += [f"zone {told.zone}"] if told.zone else []
        lines += [clock_line(body, ahead) for body, ahead in told.stated.items()]
    for time, change in told.entries:
        said = words(change, told, rng)
        if len(told.ahead) > 1 or rng.random() < 0.3:
            said = f"{change.body} {said}"
        if told.order:
            lines.append(f"{'then' if change.body in begun else 'first'} {said}")
            begun.add(change.body)
            continue
        at = (told.log_start or told.start) + timedelta(seconds=time)
        if at.date() != day:
            day = at.date()
            lines.append(f"date {day}")
        lines.append(f"{at:%H:%M} {said}")
    return "\n".join(lines) + "\n"


def truth_of(kind: str, seed: int, told: Told) -> OutingTruth:
    frames = (
        frame_truth(name, shot, told.at(shot.time))
        for name, shot in zip(told.names, told.shots, strict=True)
    )
    changes = (change_truth(change, told) for change in told.changes)
    clocks = (clock_truth(body, told) for body in told.ahead)
    return OutingTruth(kind, KINDS[kind].group, seed, tuple(frames), tuple(changes), tuple(clocks))


def change_truth(change: Change, told: Told) -> ChangeTruth:
    place = sum(s.body == change.body and s.time < change.time for s in told.shots)
    noted = change.noted and not told.other
    return ChangeTruth(change.body, place, change.kind, change.stops, noted)


def clock_truth(body: str, told: Told) -> ClockTruth:
    fits: tuple[float, ...] = ()
    if not (told.order or told.other):
        offset = told.offsets.get(body)
        late = sum(LATE_NOTES_S) / 2 if told.late else 0.0
        fits = (ahead_of_log(told.ahead[body], told.start, told.zone, offset) - late,)
    return ClockTruth(body, fits, told.stated.get(body), told.tolerance_s)


def make(kind: str, seed: int, folder: Path) -> OutingTruth:
    """Make one outing in the folder: `frames/` with log and kit, and `truth.json`.

    Raises KeyError for a kind that isn't there.
    """
    told, frames = tell(kind, seed), folder / FRAMES
    rng = np.random.default_rng((*told.seed, 2))
    frames.mkdir()
    bodies = BODIES.values() if len(told.ahead) > 1 else [K7]
    (frames / "kit.toml").write_text(kit_text(bodies, LENSES), "utf-8")
    (frames / "session.txt").write_text(log_text(told), "utf-8")
    writings = {body: writing_of(body, told, rng) for body in told.ahead}
    for name, shot in zip(told.names, told.shots, strict=True):
        at = told.at(shot.time + told.ahead[shot.body])
        write(frames / name, shot, writings[shot.body], at, rng)
    truth = truth_of(kind, seed, told)
    write_truth(truth, folder)
    return truth


def writing_of(body: str, told: Told, rng: Rng) -> Writing:
    return Writing(
        BODIES[body],
        told.mode,
        serial=str(rng.integers(1_000_000, 9_000_000)),
        blank=str(rng.choice(["zeros", "missing", "dashes"])),
        parts=rng.random() < 0.6,
        offset=told.offsets.get(body),
        brightness=rng.random() < 0.3,
        thumbnails=rng.random() < 0.5,
    )
