"""Outings as real files, of many kinds, made from what photographers do and not from how matching
works: small JPEG frames with a session log and a kit, and the truth about every frame beside them.

Each kind is a function of a seed. Honest kinds have logs that are right within what they say;
faulty kinds have logs or clocks with a fault that nobody mentions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from random import Random

from support import field_light
from support.field_gear import BRASK135, K7, MIRAN58, MIRAN85, N2, ZOOM
from support.field_habits import Habit, Session, Shot, play
from support.field_light import DAY
from support.field_telling import Telling, constant, lay_out
from support.outing_truth import OutingTruth

HOUR = 3600.0
PLAIN = Habit()
LIGHTS = (field_light.overcast, field_light.sinking_sun, field_light.clouds)


def told(kind: str, seed: int, habit: Habit) -> Telling:
    """An outing to the minute. In every other one the clock is off by what the log states; one in
    four has no thumbnails."""
    rng = Random(f"{kind} {seed}")
    off = {b.key: float(rng.randint(-400, 400)) if seed % 2 else 0.0 for b in habit.bodies}
    return Telling(
        play(habit, rng),
        habit.mode,
        camera={key: constant(seconds) for key, seconds in off.items()},
        stated={key: seconds for key, seconds in off.items() if seconds},
        offset="+02:00" if seed % 3 == 1 else None,
        thumbnails=seed % 4 != 3,
    )


def mixed(seed: int) -> Habit:
    """Somebody with no habit in particular, in light that depends on the seed."""
    return replace(PLAIN, light=LIGHTS[seed % 3], mode="auto" if seed % 5 == 4 else "priority")


# Honest.


def minute(seed: int) -> Telling:
    return told("minute", seed, mixed(seed))


def second(seed: int) -> Telling:
    return replace(told("second", seed, mixed(seed)), per=1)


def two_bodies(seed: int) -> Telling:
    habit = replace(mixed(seed), bodies=(K7, N2), sessions=(Session(10.0, 130),))
    return told("two_bodies", seed, habit)


def street(seed: int) -> Telling:
    habit = Habit(
        light=field_light.clouds,
        mode="auto",
        burst=(1, 3),
        scene_bursts=1.5,
        scene_spread=1.2,
        burst_spread=0.6,
        lens_change=0.05,
        ring_turn=0.15,
    )
    return told("street", seed, habit)


def landscape(seed: int) -> Telling:
    habit = Habit(
        light=field_light.sinking_sun,
        burst=(1, 4),
        gap_s=(3.0, 20.0),
        pause_s=(20.0, 400.0),
        burst_spread=0.15,
        scene_spread=0.4,
        ring_turn=0.4,
    )
    return told("landscape", seed, habit)


def portrait(seed: int) -> Telling:
    habit = Habit(
        lenses=(MIRAN85, MIRAN58, BRASK135),
        burst=(4, 12),
        pause_s=(5.0, 60.0),
        scene_bursts=6,
        scene_spread=0.5,
        ring_turn=0.45,
        turn_within=0.25,
        sessions=(Session(10.0, 160),),
    )
    return told("portrait", seed, habit)


def studio(seed: int) -> Telling:
    habit = Habit(
        lenses=(MIRAN85, MIRAN58),
        light=field_light.flash,
        mode="flash",
        burst=(3, 8),
        gap_s=(2.0, 6.0),
        scene_spread=0.0,
        burst_spread=0.08,
        ring_turn=0.35,
        power_follows=0.0 if seed % 2 else 1.2,
    )
    return told("studio", seed, habit)


def brackets(seed: int) -> Telling:
    return told("brackets", seed, replace(mixed(seed), bracket=0.5))


def stage(seed: int) -> Telling:
    habit = Habit(
        lenses=(MIRAN85, BRASK135),
        light=field_light.stage,
        mode="manual" if seed % 2 else "auto",
        burst=(2, 8),
        pause_s=(3.0, 60.0),
        burst_spread=0.5,
        frame_spread=0.2,
        ring_turn=0.2,
        sessions=(Session(20.0, 140),),
    )
    return told("stage", seed, habit)


def panning(seed: int) -> Telling:
    habit = replace(
        mixed(seed),
        burst=(8, 20),
        gap_s=(0.1, 0.3),
        pan=1.2,
        turn_within=0.0,
        pause_s=(5.0, 120.0),
        sessions=(Session(10.0, 220),),
    )
    return told("panning", seed, habit)


def zoom(seed: int) -> Telling:
    habit = replace(mixed(seed), lenses=(ZOOM, MIRAN58), ring_turn=0.5, lens_change=0.08)
    return told("zoom", seed, habit)


def auto(seed: int) -> Telling:
    return told("auto", seed, replace(mixed(seed), mode="auto"))


def forgetful(seed: int) -> Telling:
    return told("forgetful", seed, replace(mixed(seed), forget_turn=0.25, ring_turn=0.4))


def slack(seed: int) -> Telling:
    """Notes up to two minutes late, and the log says so."""
    plain = told("slack", seed, mixed(seed))
    return replace(plain, lines=("slack 2m",), late=lambda rng: rng.uniform(0.0, 120.0))


def registered(seed: int) -> Telling:
    """The focal length keyed in for the stabiliser is always the lens's."""
    return replace(told("registered", seed, mixed(seed)), registered="follows")


def registered_late(seed: int) -> Telling:
    """The same, but now and then it is keyed in a few frames late."""
    return replace(told("registered_late", seed, mixed(seed)), registered="late")


def native(seed: int) -> Telling:
    return told("native", seed, replace(mixed(seed), native=0.5, lens_change=0.2))


def overnight(seed: int) -> Telling:
    """The lens stays on over a night, and the log says so."""
    sessions = (Session(20.5, 60), Session(6.5, 60, day=1, fresh=False))
    habit = replace(mixed(seed), sessions=sessions)
    return replace(told("overnight", seed, habit), lines=("overnight",))


def two_days(seed: int) -> Telling:
    sessions = (Session(10.0, 60), Session(9.0, 60, day=1))
    return told("two_days", seed, replace(mixed(seed), sessions=sessions))


def late_start(seed: int) -> Telling:
    """The log begins with the second lens."""
    plain = told("late_start", seed, mixed(seed))
    lenses = [turn for turn in plain.script.turns if turn.kind == "lens"]
    begin = lenses[0].time if lenses else plain.script.turns[0].time
    return replace(plain, drop=lambda turn: turn.time < begin)


def not_noted(seed: int) -> Telling:
    """A third of the f-numbers stand as f/? in the log."""
    return told("not_noted", seed, replace(mixed(seed), unsure=0.33))


def few(seed: int) -> Telling:
    """Two or three entries, of a lens as a rule, and no clock line."""
    habit = replace(mixed(seed), sessions=(Session(10.0, 55),), lens_change=0.12, ring_turn=0.05)
    for again in range(1000):
        plain = told("few", seed + 1_000_000 * again, habit)
        if len(plain.script.turns) in (2, 3):
            break
    return replace(plain, camera={}, stated={})


def _by_slates(kind: str, seed: int, slate: str) -> Telling:
    # few changes, as nobody caps the lens for each turn of the ring
    habit = replace(mixed(seed), slate=slate, lens_change=0.15, ring_turn=0.12)
    habit = replace(habit, mode=("priority", "auto", "priority", "auto", "manual")[seed % 5])
    return replace(told(kind, seed, habit), order=True, camera={}, stated={}, fits=())


def slates_cap(seed: int) -> Telling:
    return _by_slates("slates_cap", seed, "cap")


def slates_hand(seed: int) -> Telling:
    return _by_slates("slates_hand", seed, "hand")


def slates_by_time(seed: int) -> Telling:
    """Slate frames beside a log that goes by time."""
    slate = "hand" if seed // 2 % 2 else "cap"
    habit = replace(mixed(seed), slate=slate, lens_change=0.15, ring_turn=0.12)
    habit = replace(habit, mode=("priority", "auto", "priority", "auto", "manual")[seed % 5])
    return told("slates_by_time", seed, habit)


def ranges_by_name(seed: int) -> Telling:
    """Entries that name their frames, by somebody who forgets turns of the ring."""
    habit = replace(mixed(seed), forget_turn=0.25, ring_turn=0.4)
    return replace(told("ranges_by_name", seed, habit), by_name=True, camera={}, stated={}, fits=())


# Faulty, and nobody says so.


def _clock(kind: str, seed: int, seconds: float, stated: float | None = None) -> Telling:
    plain = told(kind, seed, mixed(seed))
    said = {} if stated is None else {"k7": stated}
    return replace(plain, camera={"k7": constant(seconds)}, stated=said)


def clock_hour(seed: int) -> Telling:
    return _clock("clock_hour", seed, HOUR if seed % 2 else -HOUR)


def clock_twelve(seed: int) -> Telling:
    return _clock("clock_twelve", seed, 12 * HOUR if seed % 2 else -12 * HOUR)


def clock_day(seed: int) -> Telling:
    return _clock("clock_day", seed, DAY if seed % 2 else -DAY)


def clock_year(seed: int) -> Telling:
    return _clock("clock_year", seed, 365 * DAY if seed % 2 else -365 * DAY)


def clock_sign(seed: int) -> Telling:
    """`fast` for `slow`, or the other way round."""
    off = Random(f"sign {seed}").choice((-1, 1)) * (200.0, 75.0, 3800.0, 420.0, 600.0)[seed % 5]
    return _clock("clock_sign", seed, off, stated=-off)


def clock_seconds(seed: int) -> Telling:
    """20 to 90 s off; a log to the second in every other outing."""
    rng = Random(f"seconds {seed}")
    off = rng.choice((-1, 1)) * float(rng.randint(20, 90))
    return replace(_clock("clock_seconds", seed, off), per=1 if seed % 2 else 60, tolerance_s=20.0)


def few_minutes(seed: int) -> Telling:
    """Two or three entries, and a clock 5 to 20 minutes off."""
    off = (300.0, 600.0, 900.0, 1200.0)[seed // 2 % 4] * (1 if seed % 2 else -1)
    return replace(few(seed), camera={"k7": constant(off)})


def am_pm(seed: int) -> Telling:
    """An afternoon noted as morning, or the other way round."""
    after = seed % 2 == 0
    habit = replace(mixed(seed), sessions=(Session(13.5 if after else 7.0, 110),))
    plain = told("am_pm", seed, habit)
    off = constant(-12 * HOUR if after else 12 * HOUR)
    return replace(plain, log=off, twelve=seed % 4 < 2)


def summer_night(seed: int) -> Telling:
    """The phone falls back an hour at three in the night, the body doesn't. Nothing is changed
    while the hour runs twice."""
    sessions = (Session(23.0, 50), Session(4.1, 70, day=1, fresh=False))
    plain = told("summer_night", seed, replace(mixed(seed), sessions=sessions))
    kept = tuple(shot for shot in plain.script.shots if not _twice(shot.time))
    turns = tuple(t for t in plain.script.turns if not _twice(t.time) and not _twice(t.written))
    return replace(
        plain,
        script=replace(plain.script, shots=kept, turns=turns),
        day=date(2026, 10, 24),
        camera={},
        stated={},
        offset=None,
        log=lambda time: 0.0 if time < DAY + 3 * HOUR else -HOUR,
        fits=(0.0, HOUR),
    )


def _twice(time: float) -> bool:
    return DAY + 2 * HOUR <= time < DAY + 4 * HOUR


def zone_offset(seed: int) -> Telling:
    """The zone line and the frames' own offset differ by an hour. In odd seeds the body is right by
    its own offset but shows another zone's time; in even seeds only its offset is wrong."""
    plain = replace(told("zone_offset", seed, mixed(seed)), offset="+01:00", stated={})
    if seed % 2:
        return replace(plain, camera={"k7": constant(-HOUR)}, fits=(-HOUR, 0.0))
    return replace(plain, camera={}, fits=(0.0,))


def late_notes(seed: int) -> Telling:
    """Notes one to three minutes late, and no `slack`."""
    plain = told("late_notes", seed, mixed(seed))
    off = next(iter(plain.stated.values()), 0.0) - 120.0
    return replace(plain, late=lambda rng: rng.uniform(60.0, 180.0), fits=(off,))


def _ended(kind: str, seed: int, days: int) -> Telling:
    sessions = (Session(10.0, 70), Session(9.5, 50, day=1, noted=False))
    plain = told(kind, seed, replace(mixed(seed), sessions=sessions))
    return replace(plain, day_lengths=lambda day: day * days)


def ended_next_day(seed: int) -> Telling:
    return _ended("ended_next_day", seed, 1)


def ended_next_year(seed: int) -> Telling:
    return _ended("ended_next_year", seed, 365)


def ended_same_day(seed: int) -> Telling:
    """The notes stop at noon; another session follows in the evening."""
    sessions = (Session(8.0, 60), Session(18.5, 50, noted=False))
    return told("ended_same_day", seed, replace(mixed(seed), sessions=sessions))


def other_log(seed: int) -> Telling:
    """The log of another outing: of that day, of the day before, or of 865 days before."""
    plain = told("other_log", seed, mixed(seed))
    other = told("other_log", seed + 1_000_000, mixed(seed + 1))
    day = plain.day - timedelta(days=(0, 1, 865)[seed % 3])
    return replace(plain, noted=other.script, log_day=day, fits=())


def _slate_fault(kind: str, seed: int, change: Callable[[list[Shot], Random], None]) -> Telling:
    plain = _by_slates(kind, seed, "hand" if seed % 2 else "cap")
    shots = list(plain.script.shots)
    change(shots, Random(f"fault {kind} {seed}"))
    return replace(plain, script=replace(plain.script, shots=tuple(shots)))


def slate_missing(seed: int) -> Telling:
    def change(shots: list[Shot], rng: Random) -> None:
        slates = [number for number, shot in enumerate(shots) if shot.slate]
        if slates:
            del shots[rng.choice(slates)]

    return _slate_fault("slate_missing", seed, change)


def slate_doubled(seed: int) -> Telling:
    def change(shots: list[Shot], rng: Random) -> None:
        slates = [number for number, shot in enumerate(shots) if shot.slate]
        if slates:
            place = rng.choice(slates)
            first = shots[place]
            shots.insert(place, replace(first, time=first.time - rng.uniform(0.5, 2)))

    return _slate_fault("slate_doubled", seed, change)


def slate_accidental(seed: int) -> Telling:
    """A frame with the cap on that marks nothing."""

    def change(shots: list[Shot], rng: Random) -> None:
        place = rng.randrange(5, len(shots) - 5)
        shots.insert(place, replace(shots[place], time=shots[place].time - 1, slate="cap"))

    return _slate_fault("slate_accidental", seed, change)


def slate_swapped(seed: int) -> Telling:
    """One slate frame forgotten and another made by accident: the count fits, the entries don't."""

    def change(shots: list[Shot], rng: Random) -> None:
        slates = [number for number, shot in enumerate(shots) if shot.slate]
        if slates:
            del shots[rng.choice(slates)]
        place = rng.randrange(5, len(shots) - 5)
        shots.insert(place, replace(shots[place], time=shots[place].time - 1, slate="cap"))

    return _slate_fault("slate_swapped", seed, change)


HONEST = (
    *(minute, second, two_bodies, street, landscape, portrait, studio, brackets, stage, panning),
    *(zoom, auto, forgetful, slack, registered, registered_late, native, overnight, two_days),
    *(late_start, not_noted, few, slates_cap, slates_hand, slates_by_time),
    ranges_by_name,
)
FAULTY = (
    *(clock_hour, clock_twelve, clock_day, clock_year, clock_sign, clock_seconds),
    *(
        few_minutes,
        am_pm,
        summer_night,
        zone_offset,
        late_notes,
        ended_next_day,
        ended_next_year,
        ended_same_day,
    ),
    *(other_log, slate_missing, slate_doubled, slate_accidental, slate_swapped),
)
KINDS: Mapping[str, tuple[str, Callable[[int], Telling]]] = {
    kind.__name__: (group, kind)
    for group, kinds in (("honest", HONEST), ("faulty", FAULTY))
    for kind in kinds
}


def make(kind: str, seed: int, folder: Path) -> OutingTruth:
    """Make one outing in the folder: `frames/` with log and kit, and `truth.json`.

    Raises KeyError for a kind that isn't there.
    """
    group, tell = KINDS[kind]
    return lay_out(tell(seed), kind, group, seed, folder)
