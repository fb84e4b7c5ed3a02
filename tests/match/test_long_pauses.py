"""Entries hold over no long pause; the minute in which a log begins, or a range ends, is open where
frames lie on the other side of it."""

from __future__ import annotations

import pytest

from support.shots import kinds, matched, one, short, shot


@pytest.mark.parametrize(
    ("later", "outcome"), [("15:11:59", "fill miran58 f/2.8 58mm"), ("15:14:00", "unlogged")]
)
def test_an_entry_carries_over_no_pause_of_six_hours(later: str, outcome: str) -> None:
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", later)]
    before, after = matched(frames, "9:12 k7 miran58 f/2.8\n").frames
    assert short(before) == "fill miran58 f/2.8 58mm"
    assert short(after) == outcome


def test_a_pause_of_just_six_hours_is_long() -> None:
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", "15:13:00")]
    assert short(matched(frames, "9:12 k7 miran58 f/2.8\n").frames[1]) == "unlogged"


def test_a_range_holds_over_pauses_up_to_its_own_end() -> None:
    frames = [shot(f"K7_020{n}", f"{n:02}:13:00") for n in (9, 17, 19)]
    assert [short(match) for match in matched(frames, "9:12-18:00 k7 miran58 f/2.8\n").frames] == [
        "fill miran58 f/2.8 58mm",
        "fill miran58 f/2.8 58mm",
        "unlogged",
    ]


def test_the_reason_says_what_to_add() -> None:
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", "10:00:00", day="2026-05-18")]
    found = matched(frames, "9:12 k7 miran58 f/2.8\n").frames[1]
    assert found.reason is not None
    assert "line 2 doesn't hold over a pause of 24h47m" in found.reason
    assert "`overnight`" in found.reason


def test_frames_of_another_body_do_not_bridge_a_pause() -> None:
    text = "9:12 k7 miran58 f/2.8\n9:12 n2 miran58 f/4\n"
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", "18:00:00")]
    frames += [shot(f"N2_040{n}", f"{9 + n:02}:30:00", "n2") for n in range(9)]
    found = {match.frame.stem: match for match in matched(frames, text).frames}
    assert short(found["K7_0202"]) == "unlogged"
    assert short(found["N2_0408"]) == "fill miran58 f/4 58mm"


def test_an_entry_after_the_pause_holds_again() -> None:
    text = "9:12 k7 miran58 f/2.8\n18:00 k7 f/4\n"
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", "17:59:00"), shot("K7_0203", "18:05:00")]
    assert [short(match) for match in matched(frames, text).frames] == [
        "fill miran58 f/2.8 58mm",
        "unlogged",
        "fill miran58 f/4 58mm",
    ]


def test_the_first_entrys_minute_is_open_where_frames_lie_before_it() -> None:
    text = "9:12 k7 miran58 f/2.8\n"
    frames = [shot("K7_0201", "08:50:00"), shot("K7_0202", "09:12:30"), shot("K7_0203", "09:13:00")]
    found = matched(frames, text).frames
    assert [short(match) for match in found] == ["unlogged", "unsure", "fill miran58 f/2.8 58mm"]
    assert kinds(found[1]) == ["near-change"]
    # Without any before it that day, it is filled, with the doubt.
    assert short(one(shot("K7_0202", "09:12:30"), text)) == "fill miran58 f/2.8 58mm"
    earlier = [shot("K7_0201", "20:00:00", day="2026-05-16"), frames[1]]
    assert short(matched(earlier, text).frames[1]) == "fill miran58 f/2.8 58mm"


def test_the_last_minute_of_a_range_is_open_where_unlogged_frames_follow() -> None:
    text = "9:12-9:40 k7 miran58 f/2.8\n"
    frames = [shot("K7_0201", "09:39:00"), shot("K7_0202", "09:40:30"), shot("K7_0203", "09:50:00")]
    found = matched(frames, text).frames
    assert [short(match) for match in found] == ["fill miran58 f/2.8 58mm", "unsure", "unlogged"]
    assert kinds(found[1]) == ["near-change"]
    # Where none follows that day, or another entry does, it is filled, with the doubt.
    assert short(matched(frames[:2], text).frames[1]) == "fill miran58 f/2.8 58mm"
    found = matched(frames, text + "9:41 k7 f/4\n").frames
    assert [short(match) for match in found[1:]] == [
        "fill miran58 f/2.8 58mm",
        "fill miran58 f/4 58mm",
    ]


def test_overnight_lifts_the_bound() -> None:
    frames = [shot("K7_0201", "09:13:00"), shot("K7_0202", "10:00:00", day="2026-05-18")]
    found = matched(frames, "overnight\n9:12 k7 miran58 f/2.8\n").frames
    assert [short(match) for match in found] == ["fill miran58 f/2.8 58mm"] * 2


@pytest.mark.parametrize("before", ["9:12 k7 brask135 f/4", "8:00-9:30 k7 brask135 f/4"])
def test_so_is_the_first_minute_after_a_pause_or_a_range(before: str) -> None:
    frames = [shot(f"K7_020{n}", at) for n, at in enumerate(["09:20:00", "17:50:00", "18:00:30"])]
    text = f"{before}\n18:00 k7 miran58 f/2.8\n"
    outcomes = ["fill brask135 f/4 135mm", "unlogged", "unsure"]
    assert [short(match) for match in matched(frames, text).frames] == outcomes
    # Where no frame lies between, it is filled.
    assert short(matched(frames[::2], text).frames[1]) == "fill miran58 f/2.8 58mm"
