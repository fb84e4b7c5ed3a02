"""Frames that speak against the stated clock without proof: each is doubted, or left blank."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest

from flangeback.frames import Exposure, Frame
from flangeback.log import parse_log
from flangeback.match import FrameMatch, Outcome, match_frames
from flangeback.match.brightness import PictureLight
from flangeback.match.clock_fit import clock_words
from flangeback.report.documents import match_document
from support.kits import whole_kit
from support.shots import kinds, log, matched, shot
from support.simulate import Kind, simulate


def bursts(starts: Iterable[str], count: int, apart: int) -> list[Frame]:
    """Frames of k7 without a word on lens or exposure, `apart` seconds from each other."""
    times = [
        datetime.fromisoformat(f"2026-05-17T{start}") + timedelta(seconds=apart * n)
        for start in starts
        for n in range(count)
    ]
    return [shot(f"K7_{n:04}", f"{at:%H:%M:%S}") for n, at in enumerate(times, start=1)]


def unmarked(found: Sequence[FrameMatch], true: Sequence[str]) -> list[str]:
    """The frames that are filled with a lens they weren't made with, and carry no doubt."""
    return [
        one.frame.file
        for one, lens in zip(found, true, strict=True)
        if one.outcome.is_filled and one.fill and one.fill.lens.key != lens and not one.doubts
    ]


TWO = "10:00 k7 miran58 f/4\n11:00 k7 brask135 f/8\n"
FOUR = (
    "10:00 k7 miran58 f/4\n10:20 k7 brask135 f/8\n10:40 k7 miran58 f/8\n11:00 k7 brask135 f/5.6\n"
)
LENSES = ["miran58"] * 6 + ["brask135"] * 6 + ["miran58"] * 6 + ["brask135"] * 6


def test_a_clock_an_hour_slow_is_doubted_where_little_tells() -> None:
    """Half of the frames lie before the log, an entry meets none, a pause lies an hour before the
    change that was noted."""
    found = matched(bursts(["09:02:10", "10:02:10"], 8, 240), TWO)
    assert unmarked(found.frames, ["miran58"] * 8 + ["brask135"] * 8) == []
    texts = [doubt.text for one in found.frames for doubt in one.doubts]
    assert texts
    assert all("clock k7 slow 1h" in text for text in texts)
    assert found.needs_person


@pytest.mark.parametrize(
    ("starts", "clock"),
    [
        (["11:02:10", "11:22:10", "11:42:10", "12:02:10"], "fast 1h"),
        (["09:02:10", "09:22:10", "09:42:10", "10:02:10"], "slow 1h"),
    ],
)
def test_entries_that_no_frame_meets_leave_no_frame_without_doubt(
    starts: Sequence[str], clock: str
) -> None:
    found = matched(bursts(starts, 6, 50), FOUR)
    assert unmarked(found.frames, LENSES) == []
    assert all(kinds(one) == ["clock-unsure"] for one in found.frames)
    assert clock in found.frames[-1].doubts[0].text


def test_shots_before_a_log_that_goes_on_after_them_speak_for_a_slow_clock() -> None:
    """Twenty minutes slow, with few entries and nothing but times to tell."""
    log = "10:00 k7 miran58 f/4\n10:20 k7 brask135 f/8\n"
    found = matched(bursts(["09:42:10", "10:02:10"], 6, 180), log)
    assert unmarked(found.frames, ["miran58"] * 6 + ["brask135"] * 6) == []
    assert found.needs_person


@pytest.mark.parametrize("fast", [15, 20])
def test_a_first_entry_that_no_frame_follows_leaves_no_wrong_lens_without_doubt(fast: int) -> None:
    """Of two entries the first meets no frame, and the frames begin some time after the second."""
    log = "10:00 k7 miran58 f/4\n10:09 k7 brask135 f/8\n"
    frames = bursts([f"10:{fast + 2}:10", f"10:{fast + 11}:10"], 8, 50)
    found = matched(frames, log)
    assert unmarked(found.frames, ["miran58"] * 8 + ["brask135"] * 8) == []
    texts = [doubt.text for one in found.frames for doubt in one.doubts]
    assert any("`clock k7 NAME shows HH:MM:SS`" in text for text in texts)


def test_swapped_fast_and_slow_leave_no_wrong_lens_without_doubt() -> None:
    frames = bursts(["10:22:10", "10:42:10", "11:02:10", "11:22:10"], 6, 50)
    found = matched(frames, "clock k7 slow 20m\n" + FOUR)
    assert unmarked(found.frames, LENSES) == []
    assert any("clock k7 fast 20m" in doubt.text for one in found.frames for doubt in one.doubts)


def test_what_is_the_same_by_both_clocks_stays_filled() -> None:
    """By the clock as stated and by its mirror, the last frames have the last entry's lens."""
    frames = bursts(["10:22:10", "10:42:10", "11:02:10", "11:22:10"], 6, 50)
    found = matched(frames, "clock k7 slow 20m\n" + FOUR).frames
    assert {one.outcome for one in found[-6:]} == {Outcome.FILL}


@pytest.mark.parametrize("first", ["11:02:10", "11:42:10"])
def test_many_entries_of_which_only_the_last_meets_a_frame_are_contradicted(first: str) -> None:
    """Who notes four changes makes frames among them: the clock or the log is another."""
    found = matched(bursts([first, "12:10:10"], 12, 50), FOUR).frames
    assert {one.outcome for one in found} == {Outcome.UNSURE}
    assert {kind for one in found for kind in kinds(one)} == {"clock-unsure"}
    sure = matched(bursts([first, "12:10:10"], 12, 50), "clock k7 right sure\n" + FOUR).frames
    assert {one.outcome for one in sure} == {Outcome.FILL}


def test_sure_fills_the_frames_and_the_doubt_on_each_stays() -> None:
    frames = bursts(["10:22:10", "10:42:10", "11:02:10", "11:22:10"], 6, 50)
    held = matched(frames, "clock k7 slow 20m\n" + FOUR).frames
    sure = matched(frames, "clock k7 slow 20m sure\n" + FOUR).frames
    assert {one.outcome for one in sure} == {Outcome.FILL}
    assert [kinds(one) for one in sure] == [kinds(one) for one in held]
    assert any(kinds(one) == ["clock-unsure"] for one in sure)


def test_where_the_log_has_a_clock_line_that_is_to_be_replaced() -> None:
    frames = bursts(["10:22:10", "10:42:10", "11:02:10", "11:22:10"], 6, 50)
    found = matched(frames, "clock k7 slow 20m\n" + FOUR).frames
    (doubt,) = found[0].doubts
    assert doubt.text.endswith("write `clock k7 fast 20m` instead of line 2")


def test_json_says_that_a_clock_does_not_agree_where_frames_are_doubted_for_it() -> None:
    frames = bursts(["10:22:10", "10:42:10", "11:02:10", "11:22:10"], 6, 50)
    (wrong,) = match_document(matched(frames, "clock k7 slow 20m\n" + FOUR))["clocks"]
    (right,) = match_document(matched(frames, "clock k7 fast 20m\n" + FOUR))["clocks"]
    assert (wrong["agrees"], right["agrees"]) == (False, True)


def test_a_right_clock_is_not_doubted() -> None:
    found = matched(bursts(["10:02:10", "10:22:10", "10:42:10", "11:02:10"], 6, 50), FOUR)
    lenses = [one.fill and one.fill.lens.key for one in found.frames]
    assert lenses == LENSES
    assert not any(one.doubts for one in found.frames)
    assert not found.needs_person


@pytest.mark.parametrize("off", [300, 420])
def test_minutes_that_few_entries_cannot_tell_leave_no_wrong_lens_without_doubt(off: int) -> None:
    """Two bursts, two entries, nothing but times to tell; a clock without a line may be off."""
    starts = [
        f"{datetime(2026, 5, 17, 10, minute, 10) + timedelta(seconds=off):%H:%M:%S}"
        for minute in (1, 14)
    ]
    log = "10:00 k7 miran58 f/4\n10:13 k7 brask135 f/8\n"
    found = matched(bursts(starts, 9, 80), log)
    assert unmarked(found.frames, ["miran58"] * 9 + ["brask135"] * 9) == []
    doubts = [doubt for one in found.frames for doubt in one.doubts if "right`" in doubt.text]
    assert {str(doubt.kind) for doubt in doubts} <= {"near-change"}


def test_a_line_on_the_clock_takes_that_doubt_away() -> None:
    frames = bursts(["10:01:10", "10:14:10"], 9, 80)
    log = "10:00 k7 miran58 f/4\n10:13 k7 brask135 f/8\n"
    stated = matched(frames, f"clock k7 right\n{log}").frames
    assert not any("near-change" in kinds(one) for one in stated[1:])
    assert [one.fill and one.fill.lens.key for one in stated] == ["miran58"] * 9 + ["brask135"] * 9


@pytest.mark.parametrize("part", [slice(0, 6), slice(6, 12), slice(6, 18), slice(18, 24)])
def test_a_card_with_a_part_of_the_day_is_no_alarm(part: slice) -> None:
    """Entries before and after its frames meet none: those are on another card."""
    frames = bursts(["10:02:10", "10:22:10", "10:42:10", "11:02:10"], 6, 50)[part]
    found = matched(frames, FOUR).frames
    assert [one.fill and one.fill.lens.key for one in found] == LENSES[part]
    assert not any(one.doubts for one in found)


def test_a_group_fills_nothing_by_a_clock_that_the_frames_contradict() -> None:
    """`all` speaks for what the entries by time say nothing of; which frames that are is unsure."""
    outing = simulate(9001, kind=Kind("minute", "offset"))
    wrong = re.sub(r"clock k7 .*", "clock k7 fast 5h", outing.log)
    logs = [parse_log(wrong + "all k7 miran58 f/2.8\n", whole_kit())]
    found = match_frames(
        outing.frames, logs, whole_kit(), pictures=lambda frame: outing.pictures.get(frame.file)
    )
    own = [one for one in found.frames if one.body == "k7"]
    assert own
    assert all(not one.outcome.is_filled and "clock-unsure" in kinds(one) for one in own)


@pytest.mark.parametrize("count", [7, 25])
def test_notes_made_as_soon_as_the_lens_was_on_contradict_no_clock(count: int) -> None:
    """The frames begin five seconds into the minute of each entry, so that each lens was changed
    before it; people note what they have done (common practice). No frame has other values if the
    notes are late, so that none is in doubt, however regular they are."""
    minutes = [f"{9 + 5 * n // 60:02}:{5 * n % 60:02}" for n in range(count)]
    lenses = ["miran58", "brask135"] * (count // 2 + 1)
    text = "".join(f"{at} k7 {lens} f/4\n" for at, lens in zip(minutes, lenses, strict=False))
    found = matched(bursts([f"{at}:05" for at in minutes], 10, 10), text)
    assert [fit.agrees for fit in found.clocks] == [True]
    filled = [one for one in found.frames if one.outcome.is_filled]
    assert len(filled) >= 0.4 * len(found.frames)
    assert unmarked(found.frames, [lens for lens in lenses[:count] for _ in range(10)]) == []
    assert not any("clock-unsure" in kinds(one) for one in found.frames)
    (clock,) = match_document(found)["clocks"]
    assert (clock["fits_s"], clock["odds"], clock["agrees"]) == (None, None, True)
    (words,) = map(clock_words, found.clocks)
    assert words == "k7: taken as right; notes look up to 2m late, which changes no frame's values"


def test_no_line_that_a_frame_names_as_its_own_is_idle() -> None:
    """Frames that are left blank for the likelier clock go by its entries."""
    found = matched(bursts(["10:27:10", "10:47:10", "11:07:10", "11:27:10"], 6, 50), FOUR)
    held = [one for one in found.frames if one.outcome is Outcome.UNSURE and one.log_line]
    assert held
    idle = {setting.line for setting, _ in found.idle}
    assert idle.isdisjoint(one.log_line for one in found.frames)


def test_frames_before_the_first_entry_stay_unlogged_though_it_may_hold_for_them() -> None:
    """The log claims nothing there, so that nothing needs to be left blank."""
    frames = [shot("K7_0001", "09:00:00"), *bursts(["09:39:30"], 12, 10)]
    found = matched(frames, "09:40:10 k7 miran58 f/2.8\n").frames
    assert [one.outcome for one in found[:5]] == [Outcome.UNLOGGED] * 5
    assert any("another entry may hold" in doubt.text for one in found for doubt in one.doubts)


def test_a_frame_that_its_light_puts_on_the_other_side_of_a_note_gets_those_values() -> None:
    """The exposure falls by three stops in one scene, seven seconds before the minute that is
    noted: the clock is some seconds slow."""
    frames = [
        replace(shot(f"K7_{n:04}", f"09:{39 + at // 60}:{at % 60:02}"), exposure=exposure)
        for n, at in enumerate([*range(0, 50, 5), 53, 56, *range(130, 170, 5)])
        for exposure in [Exposure(Fraction(1, 1000 if at >= 53 else 125), 100)]
    ]
    entries = log("09:15 k7 miran58 f/5.6\n09:40 k7 f/2\n")
    light = PictureLight(-2.5, 0.2)
    found = match_frames(frames, [entries], whole_kit(), pictures=lambda _: light).frames
    numbers = [one.fill and one.fill.f_number for one in found]
    assert numbers == [Decimal("5.6")] * 10 + [Decimal(2)] * 10
    assert all("told-by-light" in kinds(one) for one in found[10:12])


def test_frames_in_the_seconds_after_a_note_go_by_their_light() -> None:
    """The exposure falls seven seconds after the second that is noted: the clock has drifted."""
    frames = [
        replace(shot(f"K7_{n:04}", f"09:{39 + at // 60}:{at % 60:02}"), exposure=exposure)
        for n, at in enumerate([*range(0, 55, 5), 62, 65, *range(68, 120, 5)])
        for exposure in [Exposure(Fraction(1, 1000 if at >= 67 else 125), 100)]
    ]
    light = PictureLight(-2.5, 0.2)
    entries = log("09:15:00 k7 miran58 f/5.6\n09:40:00 k7 f/2\n")
    found = match_frames(frames, [entries], whole_kit(), pictures=lambda _: light).frames
    numbers = [one.fill and one.fill.f_number for one in found]
    assert numbers[:11] == [Decimal("5.6")] * 11
    assert numbers[11:13] == [None] * 2
    assert numbers[15:] == [Decimal(2)] * (len(numbers) - 15)


@pytest.mark.parametrize("days", [2, 4])
def test_a_log_of_one_entry_holds_for_a_whole_trip(days: int) -> None:
    """Frames of later days aren't another outing's, where the first ones follow the entry."""
    frames = [
        shot(f"K7_{day}{hour}{n:02}", f"{hour}:{n:02}:00", day=f"2026-05-{17 + day}")
        for day in range(days)
        for hour in (10, 13)
        for n in range(0, 60, 5)
    ]
    found = matched(frames, "overnight\n9:00 k7 miran58 f/2.8\n").frames
    assert {one.outcome for one in found} == {Outcome.FILL}
    doubts = [doubt.text for one in found for doubt in one.doubts]
    assert not any("another outing" in text for text in doubts)


def test_notes_two_minutes_late_leave_all_open_until_the_log_says_so() -> None:
    """The lens is changed in the one pause of each ten minutes, and noted two minutes later.

    A clock two minutes slow would look alike. With `slack` what is far from every note is filled.
    """
    lenses = ["miran58", "brask135"] * 6
    frames = bursts([f"{9 + n // 6:02}:{10 * (n % 6):02}:30" for n in range(12)], 90, 6)
    notes = (f"{9 + n // 6:02}:{10 * (n % 6) + 2:02}" for n in range(12))
    text = "".join(f"{at} k7 {lens} f/4\n" for at, lens in zip(notes, lenses, strict=True))
    found = matched(frames, text)
    (clock,) = found.clocks
    assert not clock.agrees
    assert "slack" in clock_words(clock)
    assert not any(one.fill for one in found.frames)
    found = matched(frames, f"slack 3m\n{text}")
    true = [lens for lens in lenses for _ in range(90)]
    filled = [(one, lens) for one, lens in zip(found.frames, true, strict=True) if one.fill]
    assert all(one.fill and one.fill.lens.key == lens for one, lens in filled)
    assert len(filled) > 0.6 * len(frames)
