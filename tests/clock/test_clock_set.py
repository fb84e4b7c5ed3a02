"""A body's clock that was set along the way: found by the count, or by photos of a clock on both
sides, and each side goes by its own. What frames were made at is known, so is what they come to."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flangeback.frames import Frame
from flangeback.log import parse_log
from flangeback.match import FrameMatch, Outcome, match_frames
from support.examples import examples
from support.shots import KIT, kinds, matched, short, shot

START = datetime(2026, 5, 17, 9, 0)
ENTRIES = {0: "miran58 f/2.8", 40: "f/5.6", 75: "brask135 f/4", 110: "f/8"}
"""What the log says, by the minute."""


def clock(minutes: float) -> str:
    return f"{START + timedelta(minutes=minutes):%H:%M:%S}"


def outing(
    set_at: float, by: float, minutes: list[float], ahead: float = 0.0, first: int = 201
) -> list[Frame]:
    """Frames at these minutes; the body's clock is `ahead` minutes, and was set by as many more
    (back: negative) at a minute."""
    return [
        shot(f"K7_{(first + n - 1) % 9999 + 1:04}", clock(at + ahead + (by if at > set_at else 0)))
        for n, at in enumerate(minutes)
    ]


def log(frames: list[Frame], minutes: list[float], photos: list[int]) -> str:
    lines = [f"clock k7 {frames[n].stem} shows {clock(minutes[n])}" for n in photos]
    entries = [f"{clock(at)} k7 {words}" for at, words in ENTRIES.items()]
    return "\n".join([*lines, *entries]) + "\n"


def truth(minute: float) -> tuple[str, float]:
    last = max(at for at in ENTRIES if at <= minute)
    lens = "brask135" if last >= 75 else "miran58"
    return lens, float(ENTRIES[last].rpartition("/")[2])


def told(one: FrameMatch) -> tuple[str, float] | None:
    if one.fill is None or one.fill.f_number is None or not one.outcome.is_filled:
        return None
    return one.fill.lens.key, float(one.fill.f_number)


EVEN = [0.5 + 1.7 * n for n in range(80)]
"""A frame every 102 seconds."""
PAUSE = [minute for minute in EVEN if not 55 < minute < 95]
"""The same with a pause of forty minutes."""


def results(
    minutes: list[float], set_at: float, by: float, photos: list[int], **how: float
) -> tuple[list[FrameMatch], list[tuple[str, float]]]:
    frames = outing(set_at, by, minutes, **how)  # type: ignore[arg-type]
    found = matched(frames, log(frames, minutes, photos)).frames
    by_name = {one.frame.stem: one for one in found}
    return [by_name[frame.stem] for frame in frames], [truth(minute) for minute in minutes]


@pytest.mark.parametrize("by", [-60.0, -7.0, -110.0])
@pytest.mark.parametrize("first", [201, 9970])
def test_set_back_each_side_goes_by_its_own_photo(by: float, first: int) -> None:
    found, true = results(EVEN, 60.0, by, [0, len(EVEN) - 1], ahead=3.0, first=first)
    assert [told(one) for one in found] == true
    assert all(kinds(one) == ["clock-unsure"] for one in found)
    text = found[0].doubts[0].text
    last = max(n for n, minute in enumerate(EVEN) if minute <= 60)
    assert f"between {found[last].frame.stem} and {found[last + 1].frame.stem}" in text
    assert "set back by" in text


def test_set_forward_in_the_one_pause_that_it_makes() -> None:
    found, true = results(EVEN, 60.0, 47.0, [0, len(EVEN) - 1])
    assert [told(one) for one in found] == true
    assert "set forward by 47m between" in found[0].doubts[0].text


def test_set_forward_where_two_pauses_may_be_it_only_what_lies_between_is_open() -> None:
    # Thirty minutes: either the pause of forty, or the pause the setting makes of itself.
    found, true = results(PAUSE, 110.0, 30.0, [0, len(PAUSE) - 1])
    between = [95 <= minute <= 110 for minute in PAUSE]
    for one, right, may_be in zip(found, true, between, strict=True):
        assert told(one) == right or (may_be and told(one) is None)
        assert told(one) == right or one.outcome in (Outcome.UNSURE, Outcome.PARTIAL)
    assert any(told(one) is None for one in found)


def test_a_difference_no_pause_explains_is_a_misread_photo() -> None:
    minutes = EVEN
    frames = outing(1000, 0, minutes)
    text = log(frames, minutes, [0, len(minutes) - 1])
    wrong = text.replace(f"shows {clock(minutes[-1])}", f"shows {clock(minutes[-1] - 20)}")
    found = matched(frames, wrong).frames
    assert all("or one was misread" in one.doubts[-1].text for one in found)
    names = f"({frames[0].stem} and {frames[-1].stem})"
    assert names in found[0].doubts[-1].text
    # What the clock was is left open by as much as the photos differ.
    assert all(told(one) in (None, right) for one, right in
               zip(found, map(truth, minutes), strict=True))  # fmt: skip


def test_a_side_without_a_photo_is_bounded_by_the_other() -> None:
    found, true = results(EVEN, 60.0, -60.0, [0])
    for one, right, minute in zip(found, true, EVEN, strict=True):
        if minute <= 60:
            assert told(one) == right
        else:
            assert told(one) in (None, right)
    assert "no photo of a clock tells the time of" in found[0].doubts[0].text


@pytest.mark.parametrize("by", [-60.0, -20.0])
def test_set_back_without_a_photo_neither_side_is_filled(by: float) -> None:
    found, _ = results(EVEN, 60.0, by, [])
    assert {one.outcome for one in found} == {Outcome.UNSURE}
    assert all("was set in between" in one.doubts[0].text for one in found)
    frames = outing(60.0, by, EVEN)
    sure = matched(frames, "clock k7 right sure\n" + log(frames, EVEN, []))
    assert all(told(one) for one in sure.frames)


def test_frames_that_were_counted_anew_the_second_card_first_are_filled() -> None:
    frames = outing(1000.0, 0.0, EVEN[40:]) + outing(1000.0, 0.0, EVEN[:40], first=241)
    found = matched(frames, log(frames, EVEN[40:] + EVEN[:40], [])).frames
    made = {frame.stem: minute for frame, minute in zip(frames, EVEN[40:] + EVEN[:40], strict=True)}
    for one in found:
        assert told(one) == truth(made[one.frame.stem])


def test_set_twice_with_a_photo_in_each_part() -> None:
    minutes = EVEN
    frames = [
        shot(f"K7_{n:04}", clock(at + (0 if at < 50 else -30 if at < 100 else -90)))
        for n, at in enumerate(minutes, start=201)
    ]
    photos = [0, 40, len(minutes) - 1]
    found = matched(frames, log(frames, minutes, photos)).frames
    by_name = {one.frame.stem: one for one in found}
    assert [told(by_name[frame.stem]) for frame in frames] == [truth(at) for at in minutes]


def test_names_that_were_given_anew_tell_nothing_of_the_order() -> None:
    frames = outing(1000, 0, EVEN)
    chance = Random(3)
    names = [frame.stem for frame in frames]
    chance.shuffle(names)
    shuffled = [shot(name, clock(at)) for name, at in zip(names, EVEN, strict=True)]
    text = log(shuffled, EVEN, [0, len(EVEN) - 1])
    found = {one.frame.stem: one for one in matched(shuffled, text).frames}
    assert [told(found[name]) for name in names] == [truth(at) for at in EVEN]


def test_a_clock_left_to_itself_has_no_doubt() -> None:
    found, true = results(EVEN, 1000.0, 0.0, [0, 30, len(EVEN) - 1], ahead=12.0)
    assert [told(one) for one in found] == true
    assert all(kinds(one) == [] for one in found)


@settings(max_examples=examples(100), deadline=None)
@given(
    st.floats(-300, 300).filter(lambda by: abs(by) > 1),
    st.floats(5, 125),
    st.lists(st.integers(1, len(EVEN) - 2), max_size=2, unique=True),
)
def test_nothing_false_is_told_wherever_the_clock_was_set(
    by: float, set_at: float, more: list[int]
) -> None:
    photos = sorted({0, *more, len(EVEN) - 1})
    found, true = results(EVEN, set_at, round(by * 60) / 60, photos)
    for one, right in zip(found, true, strict=True):
        assert told(one) in (None, right)


def test_a_photo_misread_among_others_is_named_and_left_out() -> None:
    frames = outing(1000, 0, EVEN)
    text = log(frames, EVEN, [0, 40, len(EVEN) - 1])
    wrong = text.replace(f"shows {clock(EVEN[40])}", f"shows {clock(EVEN[40] + 10)}")
    found = matched(frames, wrong).frames
    assert [told(one) for one in found] == [truth(at) for at in EVEN]
    assert frames[40].stem in found[0].doubts[0].text
    assert "left out" in found[0].doubts[0].text


def test_one_photo_at_the_end_against_two_leaves_its_side_open() -> None:
    # Set forward in the pause of forty minutes, or misread: nothing tells.
    frames = outing(1000, 0, PAUSE)
    text = log(frames, PAUSE, [0, 20, len(PAUSE) - 1])
    other = text.replace(f"shows {clock(PAUSE[-1])}", f"shows {clock(PAUSE[-1] - 25)}")
    found = {one.frame.stem: one for one in matched(frames, other).frames}
    for frame, minute in zip(frames, PAUSE, strict=True):
        one, right = found[frame.stem], truth(minute)
        assert told(one) == right if minute < 60 else told(one) in (None, right)
        assert "or one was misread" in one.doubts[-1].text
        assert f"{frames[20].stem} and {frames[-1].stem}" in one.doubts[-1].text


# The end of summer time (Europe/Stockholm: 2026-10-25, 3:00 becomes 2:00; IANA time zones) --------


NIGHT = "date 2026-10-24\nzone Europe/Stockholm\n23:00 k7 miran58 f/2.8\n"


def night(*times: tuple[str, str]) -> list[Frame]:
    return [shot(f"K7_{n:04}", time, day=day) for n, (day, time) in enumerate(times, 201)]


def test_readings_that_do_not_fall_back_keep_one_offset() -> None:
    frames = night(("2026-10-24", "23:30:00"), ("2026-10-25", "01:30:00"),
                    ("2026-10-25", "04:30:00"))  # fmt: skip
    log = parse_log(NIGHT + "date 2026-10-25\n3:20 k7 f/4\n", KIT)
    found = match_frames(frames, [log], KIT).frames
    # 4:30 by the body is 3:30 by the log: after the entry, and so f/4.
    assert [short(match) for match in found] == ["fill miran58 f/2.8 58mm"] * 2 + [
        "fill miran58 f/4 58mm"
    ]
    assert found[2].time is not None
    assert found[2].time.isoformat() == "2026-10-25T03:30:00+01:00"
    assert [kinds(match) for match in found] == [[], [], ["clock-unsure"]]


def test_readings_that_fall_back_were_set() -> None:
    frames = night(("2026-10-25", "00:30:00"), ("2026-10-25", "02:50:00"),
                    ("2026-10-25", "02:10:00"), ("2026-10-25", "04:30:00"))  # fmt: skip
    found = match_frames(frames, [parse_log(NIGHT, KIT)], KIT).frames
    assert found[3].time is not None
    assert found[3].time.isoformat() == "2026-10-25T04:30:00+01:00"


# The beginning of summer time (2026-03-29, 2:00 becomes 3:00) ------------------------------------

SPRING = (
    "date 2026-03-28\nzone Europe/Stockholm\n23:00 k7 miran58 f/2.8\ndate 2026-03-29\n3:50 k7 f/4\n"
)


def test_a_reading_in_the_hour_that_is_left_out_was_not_set_forward() -> None:
    frames = night(("2026-03-28", "23:30:00"), ("2026-03-29", "02:20:00"),
                   ("2026-03-29", "03:10:00"))  # fmt: skip
    found = match_frames(frames, [parse_log(SPRING, KIT)], KIT).frames
    # 3:10 by the body is 4:10 by the log: after the entry, and so f/4.
    assert short(found[2]) == "fill miran58 f/4 58mm"
    assert found[2].time is not None
    assert found[2].time.isoformat() == "2026-03-29T04:10:00+02:00"
    assert "not set forward" in found[2].doubts[0].text


def test_a_body_that_sets_itself_goes_by_the_zone_and_is_doubted() -> None:
    frames = night(("2026-03-28", "23:30:00"), ("2026-03-29", "01:50:00"),
                   ("2026-03-29", "04:10:00"))  # fmt: skip
    found = match_frames(frames, [parse_log(SPRING, KIT)], KIT).frames
    assert [short(match) for match in found] == ["fill miran58 f/2.8 58mm"] * 2 + [
        "fill miran58 f/4 58mm"
    ]
    assert found[2].time is not None
    assert found[2].time.isoformat() == "2026-03-29T04:10:00+02:00"
    assert [kinds(match) for match in found] == [[], [], ["clock-unsure"]]


def test_offsets_of_their_own_leave_no_doubt_over_the_night() -> None:
    times = (("2026-03-28", "23:30:00", 1), ("2026-03-29", "01:50:00", 1),
             ("2026-03-29", "04:10:00", 2))  # fmt: skip
    frames = [
        shot(f"K7_{n:04}", time, day=day, offset=offset)
        for n, (day, time, offset) in enumerate(times, 201)
    ]
    found = match_frames(frames, [parse_log(SPRING, KIT)], KIT).frames
    assert not any(match.doubts for match in found)


def test_after_a_longer_pause_than_a_night_the_clock_was_set() -> None:
    frames = night(("2026-03-28", "23:30:00"), ("2026-03-29", "14:10:00"))
    found = match_frames(frames, [parse_log(SPRING, KIT)], KIT).frames
    assert not any("clock-unsure" in kinds(match) for match in found)
