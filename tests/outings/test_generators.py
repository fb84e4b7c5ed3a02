"""The generators in waves and in weather: the same for the same seed, true to themselves, and what
the program makes of a few of their outings."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime, timedelta
from itertools import count, pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import exifread
import numpy as np
import pytest
from PIL import Image

from flangeback.kit import parse_kit
from flangeback.log import parse_log
from outings import counting
from outings.counting import Counts
from outings.generators import GENERATORS, match
from support import waves_outings, weather_outings
from support.examples import examples
from support.outing_gear import BODIES, Shot, kit_text
from support.outing_truth import FRAMES, TRUTH, ChangeTruth, FrameTruth, OutingTruth, read_truth

MADE: dict[str, ModuleType] = {"waves": waves_outings, "weather": weather_outings}
EVERY = [(name, kind) for name, module in MADE.items() for kind in module.KINDS]
BEFORE = [(name, kind) for name, kind in EVERY if MADE[name].KINDS[kind].group == "honest"]
SEEDS = range(examples(3, least=1))


@pytest.fixture(params=MADE)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def made(place: Path, name: str, kind: str, seed: int) -> tuple[OutingTruth, Path]:
    folder = place / f"{kind}-{seed}-{len(list(place.iterdir()))}"
    folder.mkdir()
    return GENERATORS[name].make(kind, seed, folder), folder


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_seed_gives_the_same_files_and_another_seed_others(tmp_path: Path, name: str) -> None:
    one, same, other = (files(made(tmp_path, name, "few", seed)[1]) for seed in (1, 1, 2))
    assert one == same
    assert one[TRUTH] != other[TRUTH]


def test_the_truth_is_read_as_it_was_written(tmp_path: Path, name: str) -> None:
    truth, folder = made(tmp_path, name, "two_bodies", 1)
    assert read_truth(folder) == truth
    named = {frame.file for frame in truth.frames}
    assert {path.name for path in (folder / FRAMES).glob("*.JPG")} == named
    assert {frame.body for frame in truth.frames} == set(BODIES)


@pytest.mark.parametrize(("name", "kind"), EVERY)
def test_every_kind_has_a_log_that_can_be_read_and_a_truth_that_holds(name: str, kind: str) -> None:
    module = MADE[name]
    told = module.tell(kind, 0)
    truth: OutingTruth = module.truth_of(kind, 0, told)
    kit = parse_kit(kit_text(BODIES.values(), module.LENSES))
    text = module.log_text(told)
    assert parse_log(text, kit).spans
    assert {frame.lens for frame in truth.frames} <= {None, *kit.lenses}
    times = [frame.time for frame in truth.frames]
    assert times == sorted(times)
    entries = re.findall(r"^(?:\d\d:\d\d(?::\d\d)?|first|then) ", text, re.MULTILINE)
    noted = sum(change.noted for change in truth.changes)
    assert entries
    assert noted == (0 if kind.startswith("other_log") else len(entries))
    for body in {frame.body for frame in truth.frames}:
        frames = [frame for frame in truth.frames if frame.body == body]
        changes_hold(frames, [change for change in truth.changes if change.body == body])


def changes_hold(frames: list[FrameTruth], changes: list[ChangeTruth]) -> None:
    """What is on a body changes where a change says so, by what it says, and nowhere else."""
    by_place: dict[int, list[ChangeTruth]] = defaultdict(list)
    for change in changes:
        by_place[change.place].append(change)
    assert by_place[0]
    for place, (before, after) in enumerate(pairwise(frames), 1):
        moved = by_place[place]
        same_lens = before.lens == after.lens
        if not moved:
            assert same_lens
            assert before.f_number == after.f_number
        elif [change.kind for change in moved] == ["ring"]:
            stops = abs(2 * math.log2((after.f_number or 0) / (before.f_number or 0)))
            assert same_lens
            # Engraved f-numbers are rounded (ISO 517): 5.6 stands for 2 ** 2.5.
            assert stops == pytest.approx(moved[0].stops, abs=0.1)


def test_no_lens_is_on_two_bodies_at_once(name: str) -> None:
    for seed in range(10):
        on: dict[str, str] = {}
        for change in MADE[name].tell("two_bodies", seed).changes:
            on[change.body] = change.setting.lens.key
            assert len(on) == len(set(on.values()))


@pytest.mark.parametrize(("name", "kind"), BEFORE)
def test_notes_before_going_on_fall_between_the_frames_around_the_change(
    name: str, kind: str
) -> None:
    module = MADE[name]
    told = module.tell(kind, 1)
    for time, change in () if told.order else told.entries:
        own = [shot.time for shot in told.shots if shot.body == change.body]
        place = module.change_truth(change, told).place
        assert [-math.inf, *own][place] <= time <= [*own, math.inf][place]


@pytest.mark.parametrize(
    ("kind", "least", "most"), [("many_after", 0, 60), ("late_notes", 60, 181)]
)
def test_notes_after_going_on_are_late_by_what_the_kind_says(
    kind: str, least: float, most: float
) -> None:
    told = weather_outings.tell(kind, 0)
    late = [time - change.time for time, change in told.entries]
    assert len(late) > 5
    assert all(least <= seconds <= most for seconds in late)


@pytest.mark.parametrize(("name", "kind"), [("waves", "clock_sign"), ("weather", "clock_day")])
def test_camera_time_is_ahead_by_what_the_truth_says(tmp_path: Path, name: str, kind: str) -> None:
    truth, folder = made(tmp_path, name, kind, 2)
    ahead = {clock.body: clock.ahead_s[0] for clock in truth.clocks}
    assert max(map(abs, ahead.values())) > 120
    for frame in truth.frames[:: len(truth.frames) - 1]:
        true = datetime.fromisoformat(frame.time) + timedelta(seconds=ahead[frame.body])
        shown = str(exif(folder, frame)["EXIF DateTimeOriginal"])
        behind = true - datetime.strptime(shown, "%Y:%m:%d %H:%M:%S")
        assert timedelta(seconds=-0.01) <= behind <= timedelta(seconds=1.01)


def exif(folder: Path, frame: FrameTruth) -> dict[str, Any]:
    with (folder / FRAMES / frame.file).open("rb") as file:
        return exifread.process_file(file, details=False)


def test_exposure_and_picture_together_show_the_light(tmp_path: Path, name: str) -> None:
    """Within a composition the light is nearly the same, whatever a bracket makes of it (APEX: Ev =
    Av + Tv - Sv; sRGB by IEC 61966-2-1, of which a gamma of 2.2 is near enough)."""
    truth, folder = made(tmp_path, name, "brackets", 0)
    seen = [light_seen(folder, frame) for frame in truth.frames]
    times = [datetime.fromisoformat(frame.time) for frame in truth.frames]
    steps = [
        (abs(time_step), abs(light - other_light))
        for (when, (light, tv)), (then, (other_light, other_tv)) in pairwise(
            zip(times, seen, strict=True)
        )
        if then - when < timedelta(seconds=2) and (time_step := tv - other_tv)
    ]
    assert max(step for step, _ in steps) > 1.5
    assert float(np.median([light for _, light in steps])) < 0.5


def light_seen(folder: Path, frame: FrameTruth) -> tuple[float, float]:
    """The exposure value at ISO 100 that frame and picture speak for; Tv - Sv."""
    tags = exif(folder, frame)
    time_s = float(tags["EXIF ExposureTime"].values[0])
    tv = -math.log2(time_s * tags["EXIF ISOSpeedRatings"].values[0] / 100)
    with Image.open(folder / FRAMES / frame.file) as picture:
        tones = np.asarray(picture.convert("L"), float) / 255
    mean = math.log2(float(np.median(tones**2.2)) / 0.18)
    return 2 * math.log2(frame.f_number or 1) + tv + mean, tv


@pytest.mark.parametrize(
    ("kind", "fewest", "most"),
    [
        ("slates_hand", 0, 0),
        ("slates_cap", 0, 0),
        ("slate_missing", -1, 0),
        ("slate_doubled", 0, 9),
        ("slate_accidental", 0, 2),
    ],
)
def test_slate_frames_are_as_many_as_the_kind_says(kind: str, fewest: int, most: int) -> None:
    found = []
    for name, module in MADE.items():
        for seed in range(5) if kind in module.KINDS else ():
            told = module.tell(kind, seed)
            entries = re.findall("^then ", module.log_text(told), re.MULTILINE)
            found.append(sum(shot.slate is not None for shot in told.shots) - len(entries))
            assert entries, (name, seed)
    assert all(fewest <= more <= most for more in found)
    assert any(found) == (fewest != most)


def natives(shots: Iterable[Shot]) -> bool:
    return any(shot.setting.lens.native for shot in shots)


def test_native_frames_name_their_lens_and_adapted_ones_dont(tmp_path: Path, name: str) -> None:
    seed = next(seed for seed in count() if natives(MADE[name].tell("native", seed).shots))
    truth, folder = made(tmp_path, name, "native", seed)
    assert {frame.lens is None for frame in truth.frames} == {True, False}
    for frame in truth.frames[::5]:
        model = str(exif(folder, frame).get("EXIF LensModel", ""))
        assert ("24-70mm" in model) == (frame.lens is None)


# What the program makes of them; the bounds are those that it is built for.


def counted(place: Path, name: str, kinds: tuple[str, ...], seeds: range) -> Counts:
    total = Counts()
    for kind in kinds:
        for seed in seeds:
            truth, folder = made(place, name, kind, seed)
            total += counting.count(truth, match(folder)[1], None)
    return total


def test_honest_outings_get_no_wrong_lens(tmp_path: Path, name: str) -> None:
    counts = counted(tmp_path, name, ("landscape", "street", "native")[: len(SEEDS)], range(3))
    assert counts.failed == 0
    assert counts.lens_wrong == 0
    assert counts.lens_right > 0.8 * counts.frames


def test_a_clock_an_hour_off_is_not_filled_from(tmp_path: Path, name: str) -> None:
    counts = counted(tmp_path, name, ("clock_hour",), range(3))
    assert counts.failed == 0
    assert counts.lens_unmarked == 0
    assert counts.lens_wrong <= 0.005 * counts.frames
