"""The generator of outings in the field: the same for the same seed, and true to itself."""

from __future__ import annotations

import json
import math
import re
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import exifread
import pytest

from support import field_light
from support.field_gear import MIRAN58, MIRAN85
from support.field_habits import Habit, Turn, play
from support.field_outings import KINDS, make
from support.field_telling import Telling, lay_out
from support.outing_truth import FRAMES, TRUTH, OutingTruth, read_truth

HONEST = [kind for kind, (group, _) in KINDS.items() if group == "honest"]
BY_TIME = [kind for kind in HONEST if not kind.startswith("slates")]


def files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def made(place: Path, kind: str, seed: int, name: str = "outing") -> tuple[OutingTruth, Path]:
    folder = place / name
    folder.mkdir()
    return make(kind, seed, folder), folder


def test_a_seed_gives_the_same_files_and_another_seed_others(tmp_path: Path) -> None:
    _, one = made(tmp_path, "slates_hand", 1, "one")
    _, same = made(tmp_path, "slates_hand", 1, "same")
    _, other = made(tmp_path, "slates_hand", 2, "other")
    assert files(one) == files(same)
    assert files(one)[TRUTH] != files(other)[TRUTH]


def test_the_truth_is_read_as_it_was_written(tmp_path: Path) -> None:
    truth, folder = made(tmp_path, "two_bodies", 1)
    assert read_truth(folder) == truth
    named = {frame.file for frame in truth.frames}
    assert {path.name for path in (folder / FRAMES).glob("*.JPG")} == named
    assert {frame.body for frame in truth.frames} == {"k7", "n2"}
    assert TRUTH not in {path.name for path in (folder / FRAMES).iterdir()}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_frames_and_changes_in_the_order_of_time(kind: str) -> None:
    script = KINDS[kind][1](3).script
    times = [shot.time for shot in script.shots]
    assert len(times) >= 40
    assert times == sorted(times)
    changes = sum(turn.kind in ("ring", "zoom", "lens") for turn in script.turns)
    assert changes in (1, 2) if kind in ("few", "few_minutes") else changes >= 3
    before = {turn.body: turn for turn in script.turns if turn.kind == "first"}
    for shot in script.shots:
        done = [t for t in script.turns if t.body == shot.body and t.time < shot.time]
        assert shot.setting == (done[-1] if done else before[shot.body]).setting


@pytest.mark.parametrize("kind", BY_TIME)
@pytest.mark.parametrize("seed", [0, 1])
def test_honest_notes_fall_between_the_frames_around_the_change(kind: str, seed: int) -> None:
    """So that the minute or second of an honest entry is one in which the change may have been."""
    told = KINDS[kind][1](seed)
    for turn in told.script.turns:
        own = [shot.time for shot in told.script.shots if shot.body == turn.body]
        before = max((time for time in own if time < turn.time), default=-math.inf)
        after = min((time for time in own if time > turn.time), default=math.inf)
        assert before < turn.written < after


def test_the_log_has_an_entry_for_each_change_that_was_noted(tmp_path: Path) -> None:
    truth, folder = made(tmp_path, "forgetful", 2)
    log = (folder / FRAMES / "session.txt").read_text("utf-8")
    entries = re.findall(r"^\d\d:\d\d k7 ", log, re.MULTILINE)
    noted = [change for change in truth.changes if change.noted]
    forgotten = [change for change in truth.changes if not change.noted]
    assert len(entries) == len(noted)
    assert forgotten
    assert {change.kind for change in forgotten} == {"ring"}


@pytest.mark.parametrize(
    ("kind", "seed", "ahead"),
    [("clock_hour", 1, 3600), ("clock_twelve", 0, -43_200), ("clock_day", 1, 86_400)],
)
def test_camera_time_is_ahead_by_what_the_truth_says(
    tmp_path: Path, kind: str, seed: int, ahead: int
) -> None:
    truth, folder = made(tmp_path, kind, seed)
    assert truth.clocks[0].ahead_s == (ahead,)
    for frame in (truth.frames[0], truth.frames[-1]):
        with (folder / FRAMES / frame.file).open("rb") as file:
            tags = exifread.process_file(file, details=False)
        shown = datetime.strptime(str(tags["EXIF DateTimeOriginal"]), "%Y:%m:%d %H:%M:%S")
        true = datetime.fromisoformat(frame.time) + timedelta(seconds=ahead)
        assert timedelta() <= true - shown < timedelta(seconds=1)


def exposure_value(path: Path) -> float:
    """Tv - Sv (CIPA DC-008, annex on APEX units), Sv counted from ISO 100."""
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    time = float(tags["EXIF ExposureTime"].values[0])
    return -math.log2(time) - math.log2(tags["EXIF ISOSpeedRatings"].values[0] / 100)


@pytest.mark.parametrize("mode", ["priority", "auto"])
def test_in_steady_light_exposure_follows_the_ring(tmp_path: Path, mode: str) -> None:
    """A turn by n stops is a step of n stops in time and ISO (APEX: Av + Tv = Bv + Sv)."""
    habit = Habit(
        lenses=(MIRAN58, MIRAN85),
        light=field_light.lamps,
        mode=mode,
        scene_spread=0,
        burst_spread=0,
        frame_spread=0,
    )
    script = play(habit, Random(5))
    truth = lay_out(Telling(script, mode), "lamps", "honest", 5, tmp_path)
    levels = [
        exposure_value(tmp_path / FRAMES / frame.file) + 2 * math.log2(frame.f_number or 1)
        for frame in truth.frames
    ]
    mean = sum(levels) / len(levels)
    # a third of a stop by rounding, an eighth by metering (one in 3 standard deviations), lenses
    assert all(abs(level - mean) < 0.75 for level in levels)
    assert len({frame.f_number for frame in truth.frames}) > 2


def test_native_frames_name_their_lens_and_adapted_ones_dont(tmp_path: Path) -> None:
    truth, folder = made(tmp_path, "native", 3)
    assert {frame.lens is None for frame in truth.frames} == {True, False}
    for frame in truth.frames[::5]:
        with (folder / FRAMES / frame.file).open("rb") as file:
            tags = exifread.process_file(file, details=False)
        assert ("EXIF LensModel" in tags) == (frame.lens is None)


def test_a_log_that_ended_says_nothing_of_the_next_day(tmp_path: Path) -> None:
    truth, folder = made(tmp_path, "ended_next_day", 0)
    dates = {frame.time[:10] for frame in truth.frames}
    log = (folder / FRAMES / "session.txt").read_text("utf-8")
    assert dates == {"2026-05-17", "2026-05-18"}
    assert re.findall(r"^date (.*)$", log, re.MULTILINE) == ["2026-05-17"]


@pytest.mark.parametrize(
    ("kind", "more"), [("slate_missing", -1), ("slate_doubled", 1), ("slate_accidental", 1)]
)
def test_slate_faults_make_one_slate_frame_too_few_or_too_many(kind: str, more: int) -> None:
    told = KINDS[kind][1](4)
    entries = sum(turn.slate is not None for turn in told.script.turns)
    assert sum(shot.slate is not None for shot in told.script.shots) == entries + more


@pytest.mark.parametrize(("slate", "darker"), [("hand", 4.0), ("cap", 4.0)])
def test_a_slate_frame_is_exposed_for_much_less_light(
    tmp_path: Path, slate: str, darker: float
) -> None:
    """Under automatic exposure shutter and ISO open up by five stops or more (common practice);
    a stop is left here for metering and for the ring, which may be turned meanwhile."""
    truth, folder = made(tmp_path, f"slates_{slate}", 1)
    for before, frame in zip(truth.frames, truth.frames[1:], strict=False):
        if frame.slate:
            opened = exposure_value(folder / FRAMES / before.file)
            assert opened - exposure_value(folder / FRAMES / frame.file) > darker


def test_truth_is_plain_json(tmp_path: Path) -> None:
    _, folder = made(tmp_path, "studio", 0)
    data = json.loads((folder / TRUTH).read_text("utf-8"))
    assert set(data) == {"kind", "group", "seed", "frames", "changes", "clocks"}


def notes_of(kind: str, seed: int) -> list[Turn]:
    return [turn for turn in KINDS[kind][1](seed).script.turns if turn.noted]


@pytest.mark.parametrize("kind", ["clock_hour", "late_notes", "am_pm"])
def test_most_faulty_outings_have_changes_enough_to_tell(kind: str) -> None:
    counts = [len(notes_of(kind, seed)) for seed in range(6)]
    assert sorted(counts)[1] >= 6
