"""From what happened to what is there to read: a session log, a kit and frames; and the truth."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from random import Random

import piexif

from support.field_camera import Meter
from support.field_gear import NATIVE, Body, kit_text
from support.field_habits import Script, Setting, Shot, Turn
from support.field_light import DAY
from support.field_pictures import Tags, jpegs, write_frame
from support.outing_truth import (
    FRAMES,
    ChangeTruth,
    ClockTruth,
    FrameTruth,
    OutingTruth,
    write_truth,
)

Ahead = Callable[[float], float]
"""Seconds by which a clock is ahead of true time, at a true time."""
FIRST_NUMBER = 101
"""Of a body's frames."""
FLAT_SCENES = 0.06
"""The share of scenes that are hardly more than a wall or fog."""


def right(time: float) -> float:
    return 0.0


def constant(seconds: float) -> Ahead:
    return lambda time: seconds


@dataclass(frozen=True)
class Telling:
    """How the log is written, how clocks go, and what bodies write beside the exposure."""

    script: Script
    mode: str
    noted: Script | None = None
    """Whose notes the log has, where it isn't the log of these frames."""
    day: date = date(2026, 5, 17)
    log_day: date | None = None
    per: int = 60
    """Precision of the times written, in s."""
    order: bool = False
    by_name: bool = False
    """Entries name their frames."""
    zone: str | None = "Europe/Stockholm"
    offset: str | None = None
    """OffsetTimeOriginal that bodies write."""
    camera: Mapping[str, Ahead] = field(default_factory=dict)
    stated: Mapping[str, float] = field(default_factory=dict)
    log: Ahead = right
    fits: tuple[float, ...] | None = None
    """The offsets that are right, where not the one at the first frame."""
    lines: tuple[str, ...] = ()
    late: Callable[[Random], float] = lambda rng: 0.0
    registered: str | None = None
    """"follows" the lens, or "late" in every fifth change."""
    day_lengths: Callable[[int], int] = int
    """Which day of the calendar, from the first, a day of the script is."""
    twelve: bool = False
    """Times are written with am and pm."""
    drop: Callable[[Turn], bool] = lambda turn: False
    thumbnails: bool = True
    tolerance_s: float = 60.0
    """How near a right offset has to come."""


def words(setting: Setting, turn: Turn) -> str:
    """What an entry says of a setting."""
    if turn.kind == "off":
        return "off"
    said = [] if turn.kind in ("ring", "zoom") else [setting.lens.key]
    if setting.lens.zoom and turn.kind != "ring":
        said.append(f"{setting.focal:g}mm")
    if turn.kind != "zoom" or setting.open:
        aperture = "open" if setting.open else f"f/{setting.f_number:g}"
        said.append(aperture if turn.known else "f/?")
    return " ".join(said)


def log_text(telling: Telling, rng: Random) -> str:
    script = telling.noted or telling.script
    turns = [turn for turn in script.turns if turn.noted and not telling.drop(turn)]
    if telling.order:
        head = [*telling.lines]
        for turn in turns:
            place = "first" if turn.kind == "first" else "then"
            head.append(f"{place} {turn.body.key} {words(turn.setting, turn)}")
        return "\n".join(head) + "\n"
    if telling.by_name:
        return "\n".join(_ranges(telling, turns)) + "\n"
    return "\n".join([*_head(telling), *_entries(telling, turns, rng)]) + "\n"


def _ranges(telling: Telling, turns: list[Turn]) -> Iterator[str]:
    """An entry for the frames from each change to the next one of that body that is noted."""
    for body in dict.fromkeys(turn.body for turn in turns):
        times = [shot.time for shot in telling.script.shots if shot.body == body]
        own = [turn for turn in turns if turn.body == body]
        ends = [*(turn.time for turn in own[1:]), math.inf]
        for turn, end in zip(own, ends, strict=True):
            names = [
                f"{body.prefix}_{number:04}"
                for number, time in enumerate(times, FIRST_NUMBER)
                if turn.time <= time < end
            ]
            if names:
                kind = "off" if turn.setting.lens is NATIVE else "lens"
                said = words(turn.setting, replace(turn, kind=kind))
                yield f"{names[0]}..{names[-1]} {body.key} {said}"


def _head(telling: Telling) -> list[str]:
    lines = [f"zone {telling.zone}"] if telling.zone else []
    for key, seconds in telling.stated.items():
        whole = round(abs(seconds))
        amount = f"{whole // 3600}h{whole // 60 % 60}m{whole % 60}s"
        lines.append(f"clock {key} {'fast' if seconds >= 0 else 'slow'} {amount}")
    return [*lines, *telling.lines]


def _entries(telling: Telling, turns: list[Turn], rng: Random) -> list[str]:
    lines, last_day, told = [], None, float("-inf")
    for turn in turns:
        told = max(told, turn.written + telling.log(turn.written) + telling.late(rng))
        at = _calendar(telling, told, log=True)
        if at.date() != last_day:
            lines.append(f"date {at.date().isoformat()}")
            last_day = at.date()
        form = "%I:%M" if telling.twelve else "%H:%M"
        time = at.strftime(form if telling.per == 60 else f"{form}:%S")
        if telling.twelve:
            time += " am" if at.hour < 12 else " pm"
        lines.append(f"{time} {turn.body.key} {words(turn.setting, turn)}")
    return lines


def _calendar(telling: Telling, time: float, *, log: bool = False) -> datetime:
    first = (telling.log_day or telling.day) if log else telling.day
    day, rest = divmod(time, DAY)
    days = timedelta(days=telling.day_lengths(int(day)))
    return datetime.combine(first, datetime.min.time()) + days + timedelta(seconds=rest)


def lay_out(telling: Telling, kind: str, group: str, seed: int, folder: Path) -> OutingTruth:
    """Write frames, log, kit and truth into the folder."""
    rng = Random(f"laid out {kind} {seed}")
    frames = folder / FRAMES
    frames.mkdir()
    (frames / "kit.toml").write_text(kit_text(), "utf-8")
    (frames / "session.txt").write_text(log_text(telling, rng), "utf-8")
    truths, numbers, meters = [], dict[Body, int](), dict[Body, Meter]()
    registered, scene = _keyed_in(telling, rng), -1
    for shot in telling.script.shots:
        body = shot.body
        meter = meters.setdefault(body, Meter(body, telling.mode, rng))
        if shot.scene != scene:
            for each in meters.values():
                each.new_scene()
            scene = shot.scene
        numbers[body] = numbers.get(body, FIRST_NUMBER - 1) + 1
        name = f"{body.prefix}_{numbers[body]:04}.JPG"
        _write(frames / name, shot, telling, meter, rng, registered.get(id(shot)))
        truths.append(_frame_truth(name, shot, telling))
    truth = OutingTruth(
        kind, group, seed, tuple(truths), _change_truths(telling), _clock_truths(telling)
    )
    write_truth(truth, folder)
    return truth


def _keyed_in(telling: Telling, rng: Random) -> dict[int, float]:
    """The focal length registered for the stabiliser, by shot."""
    found: dict[int, float] = {}
    if telling.registered is None:
        return found
    value: dict[Body, float] = {}
    wait: dict[Body, int] = {}
    for shot in telling.script.shots:
        focal, old = shot.setting.focal, value.get(shot.body)
        if old is None or old == focal:
            value[shot.body] = focal
        elif shot.body not in wait:
            slow = telling.registered == "late" and rng.random() < 0.2
            wait[shot.body] = rng.randint(1, 3) if slow else 0
        if shot.body in wait:
            if wait[shot.body] == 0:
                value[shot.body] = focal
                del wait[shot.body]
            else:
                wait[shot.body] -= 1
        found[id(shot)] = value[shot.body]
    return found


def scene_contrast(scene: int) -> float:
    """Stops to either side of the middle."""
    rng = Random(f"contrast {scene}")
    return rng.uniform(0.5, 0.9) if rng.random() < FLAT_SCENES else rng.uniform(1.6, 3.6)


def _write(
    path: Path, shot: Shot, telling: Telling, meter: Meter, rng: Random, registered: float | None
) -> None:
    body, setting = shot.body, shot.setting
    ev = shot.ev - setting.lens.loss
    contrast = scene_contrast(shot.scene)
    if shot.slate == "cap":
        ev, contrast = ev - 30, 0.1
    elif shot.slate == "hand":
        ev, contrast = ev - rng.uniform(5.0, 8.5), rng.uniform(0.25, 0.6)
    slate = shot.slate is not None
    exposure = meter.expose(ev, setting.f_number, shot.bias, setting.focal, slate=slate)
    leftover = exposure.leftover
    if shot.slate == "hand" and telling.mode in ("priority", "auto"):
        leftover -= rng.uniform(0.0, 1.5)  # the meter's field isn't the hand alone
    leftover = min(max(leftover, -9.0), 5.0)
    picture, thumbnail = jpegs(
        shot.scene,
        shot.variant,
        round(leftover * 20),
        round(contrast, 1),
        (body.soft, body.letterbox, shot.slate == "hand"),
        rng.randrange(4),
    )
    tags = _tags(shot, telling, exposure.time_s, exposure.iso, registered)
    write_frame(path, picture, thumbnail if telling.thumbnails else None, tags)


def _tags(shot: Shot, telling: Telling, time_s: float, iso: int, registered: float | None) -> Tags:
    body, exif, image = shot.body, piexif.ExifIFD, piexif.ImageIFD
    ahead = telling.camera.get(body.key, right)(shot.time)
    at = _calendar(telling, shot.time + ahead)
    stamp = at.strftime("%Y:%m:%d %H:%M:%S").encode()
    thousandth = (at.microsecond // 10_000) if body.thirds else 0
    tags: dict[int, object] = {
        exif.DateTimeOriginal: stamp,
        exif.ExposureTime: (1, round(1 / time_s)) if time_s < 0.3 else (round(time_s * 10), 10),
        exif.ISOSpeedRatings: iso,
        exif.ExposureBiasValue: (round(shot.bias * 10), 10),
        exif.ExposureMode: 2 if shot.bias else int(telling.mode in ("manual", "flash")),
    }
    if body.thirds:
        tags[exif.SubSecTimeOriginal] = f"{thousandth:02}".encode()
    if telling.offset:
        tags[exif.OffsetTimeOriginal] = telling.offset.encode()
    if shot.setting.lens is NATIVE:
        focal = round(shot.setting.focal)
        tags |= {
            exif.LensModel: NATIVE.name.encode(),
            exif.FNumber: (round(shot.setting.f_number * 10), 10),
            exif.FocalLength: (focal, 1),
            exif.FocalLengthIn35mmFilm: focal,
        }
    elif registered is not None:
        tags[exif.FocalLength] = (round(registered), 1)
    elif not body.thirds:
        tags |= {exif.LensModel: b"----", exif.FNumber: (0, 0), exif.FocalLength: (0, 1)}
    first = {image.Make: body.maker.encode(), image.Model: body.model.encode()}
    return {"0th": first | {image.DateTime: stamp}, "Exif": tags}


def _frame_truth(name: str, shot: Shot, telling: Telling) -> FrameTruth:
    lens = shot.setting.lens
    return FrameTruth(
        name,
        shot.body.key,
        _calendar(telling, shot.time).isoformat(timespec="milliseconds"),
        None if lens.native else lens.key,
        shot.setting.f_number,
        shot.setting.focal,
        shot.slate is not None,
    )


def _change_truths(telling: Telling) -> tuple[ChangeTruth, ...]:
    """The changes that were made, with the frames of the same body before each."""
    own = telling.noted is None
    return tuple(
        ChangeTruth(
            turn.body.key,
            sum(s.body == turn.body and s.time < turn.time for s in telling.script.shots),
            turn.kind,
            abs(turn.stops),
            own and turn.noted and not telling.drop(turn),
        )
        for turn in telling.script.turns
    )


def _clock_truths(telling: Telling) -> tuple[ClockTruth, ...]:
    start = telling.script.shots[0].time
    found = []
    for body in sorted({shot.body for shot in telling.script.shots}, key=lambda b: b.key):
        ahead = telling.camera.get(body.key, right)(start) - telling.log(start)
        fits = (ahead,) if telling.fits is None else telling.fits
        stated = telling.stated.get(body.key)
        found.append(ClockTruth(body.key, fits, stated, telling.tolerance_s))
    return tuple(found)
