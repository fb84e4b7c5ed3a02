"""Where the pauses between frames leave only one place for a change, it was made there."""

from __future__ import annotations

import pytest

from flangeback.match import FrameMatch
from flangeback.match.changes import ChangeKind
from flangeback.match.pauses import LEAST_PAUSE
from support.shots import kinds, matched, short, shot

LENSES = "9:00 k7 miran58 f/2.8\n9:40 k7 brask135 f/4\n"
STOPS = "9:00 k7 miran58 f/2.8\n9:40:30 k7 f/5.6\n"
BEFORE, AFTER = "fill miran58 f/2.8 58mm", "fill brask135 f/4 135mm"
STOPPED = "fill miran58 f/5.6 58mm"


def frames(*times: str, text: str = LENSES, resolution: float = 1) -> list[FrameMatch]:
    shots = [
        shot(f"K7_{n:04}", time, resolution=resolution) for n, time in enumerate(times, start=201)
    ]
    return list(matched(shots, text).frames)


def comes_to(*times: str, text: str = LENSES, resolution: float = 1) -> list[str]:
    return [short(one) for one in frames(*times, text=text, resolution=resolution)]


def test_the_only_pause_that_is_long_enough() -> None:
    found = frames("09:39:57", "09:40:01", "09:40:03", "09:40:54", "09:41:02")
    assert [short(one) for one in found] == [BEFORE, BEFORE, BEFORE, AFTER, AFTER]
    assert [kinds(one) for one in found] == [[], *[["placed-in-gap"]] * 3, []]
    assert "51 s between K7_0203 and K7_0204" in found[1].doubts[0].text


def test_two_such_pauses_leave_it_open() -> None:
    found = comes_to("09:39:57", "09:40:01", "09:40:21", "09:40:54", "09:41:02")
    assert found == [BEFORE, BEFORE, "unsure", AFTER, AFTER]


def test_no_such_pause_overrules_nothing() -> None:
    times = [f"09:{39 + n // 60}:{n % 60:02}" for n in range(55, 130, 5)]
    assert set(comes_to(*times)[1:13]) == {"unsure"}


def test_a_lone_frame_has_endless_pauses_around_it() -> None:
    assert comes_to("09:40:20") == ["unsure"]


def test_the_pause_may_begin_before_the_minute_or_end_after_it() -> None:
    assert comes_to("09:39:30", "09:40:02", "09:40:04", "09:41:01")[1:3] == ["unsure"] * 2
    assert comes_to("09:39:30", "09:40:02", *[f"09:40:{n:02}" for n in range(8, 60, 6)],
                    "09:41:01")[1] == AFTER  # fmt: skip


def test_a_pause_is_as_long_as_its_readings_allow() -> None:
    # 9 whole seconds may be 9.99, ten seconds are what a change takes at the least.
    assert LEAST_PAUSE[ChangeKind.LENS] == 10
    times = ["09:39:57", "09:40:01", "09:40:10", "09:40:54", "09:41:02"]
    assert comes_to(*times) == [BEFORE, BEFORE, BEFORE, AFTER, AFTER]
    times[2] = "09:40:11"
    assert comes_to(*times)[2] == "unsure"


def test_a_ring_is_not_turned_within_a_burst() -> None:
    burst = ["09:40:30.10", "09:40:30.50", "09:40:30.90"]
    times = ["09:40:29.90", *burst, "09:40:59.00"]
    found = comes_to(*times, text=STOPS, resolution=0.01)
    assert found == [BEFORE] * 4 + [STOPPED]


def test_a_ring_takes_less_than_a_lens() -> None:
    times = ["09:40:28", "09:40:30", "09:40:32"]
    assert comes_to(*times, text=STOPS) == [BEFORE, "partial miran58 f/? 58mm", STOPPED]


def test_the_clock_of_a_body_makes_no_difference_to_its_pauses() -> None:
    text = f"clock k7 fast 1h\n{LENSES}"
    found = comes_to("10:39:57", "10:40:01", "10:40:03", "10:40:54", "10:41:02", text=text)
    assert found == [BEFORE, BEFORE, BEFORE, AFTER, AFTER]


def test_frames_of_one_second_follow_their_count() -> None:
    # DCF counts to 9999 and begins anew (CIPA DC-009).
    shots = [shot(f"K7_{n:04}", "09:40:05") for n in (9998, 9999, 1, 2)]
    shots += [shot("K7_0003", "09:40:55"), shot("K7_9997", "09:39:58"), shot("K7_0004", "09:41:01")]
    found = {one.frame.stem: one for one in matched(shots, LENSES).frames}
    assert short(found["K7_0002"]) == BEFORE
    assert "50 s between K7_0002 and K7_0003" in found["K7_0002"].doubts[0].text


def test_slack_only_widens_where_it_may_have_been() -> None:
    text = f"slack 2m\n{LENSES}"
    times = [f"09:{37 + n // 60}:{n % 60:02}" for n in range(30, 420, 8)]
    del times[20:26]
    found = comes_to("09:30:00", *times, "09:50:00", text=text)
    placed = [one.split()[1] for one in found]
    assert placed == sorted(placed, reverse=True)
    assert set(found) == {BEFORE, AFTER}


@pytest.mark.parametrize("end", ["9:40 k7 off\n", "9:40 k7 miran58 f/2.8 via m42-e\n"])
def test_no_lens_is_a_change_and_the_same_lens_is_none(end: str) -> None:
    text = "9:00 k7 miran58 f/2.8\n" + end
    found = comes_to("09:39:57", "09:40:01", "09:40:54", "09:41:02", text=text)
    assert found[1:3] == (["fill miran58 f/2.8 58mm", "native"] if "off" in end else [BEFORE] * 2)


def test_a_named_frame_stands_above_its_place() -> None:
    text = f"{LENSES}K7_0203 k7 brask135 f/8\n"
    found = frames("09:39:57", "09:40:01", "09:40:03", "09:40:54", "09:41:02", text=text)
    assert short(found[2]) == "fill brask135 f/8 135mm"
    assert kinds(found[2]) == []
