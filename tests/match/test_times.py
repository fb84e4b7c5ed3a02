"""The boundary rules: what an entry's time, precision, slack and end say about each second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from flangeback.clock.model import SECOND, BodyClock, ClockHistory, instant
from flangeback.clock.resets import over_summer_time
from flangeback.log.model import Moment, Setting, Span
from flangeback.match.changes import changes_by_time, setting_of, standing
from flangeback.match.shots import Shot, shots_of
from support.examples import examples
from support.shots import kinds, log, matched, one, problems, short, shot

STOCKHOLM = ZoneInfo("Europe/Stockholm")
LENSES = "9:00 k7 miran58 f/2.8\n{} k7 brask135 f/4\n"
STOPS = "9:00 k7 miran58 f/2.8\n{} k7 f/5.6\n"


def at(time: str, text: str, **more: Any) -> str:
    return short(one(shot("K7_0201", time, **more), text))


# A change within the minute or second it was written with --------------------------------------


@pytest.mark.parametrize(
    ("time", "lens", "stop"),
    [
        ("09:39:59", "fill miran58 f/2.8 58mm", "fill miran58 f/2.8 58mm"),
        ("09:40:00", "unsure", "partial miran58 f/? 58mm"),
        ("09:40:59", "unsure", "partial miran58 f/? 58mm"),
        ("09:41:00", "fill brask135 f/4 135mm", "fill miran58 f/5.6 58mm"),
    ],
)
def test_an_entry_to_the_minute_is_open_for_that_minute(time: str, lens: str, stop: str) -> None:
    for text, outcome in ((LENSES, lens), (STOPS, stop)):
        found = one(shot("K7_0201", time), text.format("09:40"))
        assert short(found) == outcome
        inside = "09:40:00" <= time < "09:41:00"
        assert kinds(found) == (["near-change"] if inside else [])


@pytest.mark.parametrize(
    ("time", "lens"),
    [
        ("09:40:29", "fill miran58 f/2.8 58mm"),
        ("09:40:30", "unsure"),
        ("09:40:31", "fill brask135 f/4 135mm"),
    ],
)
def test_an_entry_to_the_second_is_open_for_that_second(time: str, lens: str) -> None:
    assert at(time, LENSES.format("09:40:30")) == lens


def test_sub_seconds_fall_on_either_side() -> None:
    text = LENSES.format("09:40:30")
    assert at("09:40:29.990", text, resolution=0.01) == "fill miran58 f/2.8 58mm"
    assert at("09:40:30.000", text, resolution=0.01) == "unsure"
    assert at("09:40:30.990", text, resolution=0.01) == "unsure"
    assert at("09:40:31.000", text, resolution=0.01) == "fill brask135 f/4 135mm"


def test_slack_widens_either_way() -> None:
    text = "slack 1m\n" + LENSES.format("09:40")
    for time, outcome in (
        ("09:38:59", "fill miran58 f/2.8 58mm"),
        ("09:39:00", "unsure"),
        ("09:41:59", "unsure"),
        ("09:42:00", "fill brask135 f/4 135mm"),
    ):
        assert at(time, text) == outcome
    assert at("09:39:00", "slack 10s\n" + LENSES.format("09:40")) == "fill miran58 f/2.8 58mm"


def test_what_a_change_leaves_alone_is_certain_within_it() -> None:
    text = "9:00 k7 zoom3570 f/8 35mm\n09:40 k7 70mm\n"
    assert at("09:40:30", text) == "partial zoom3570 f/8 ?mm"


def test_an_entry_that_changes_nothing_is_no_change() -> None:
    found = one(shot("K7_0201", "09:40:30"), STOPS.format("09:40").replace("f/5.6", "f/2.8"))
    assert short(found) == "fill miran58 f/2.8 58mm"
    assert kinds(found) == []


def test_two_changes_in_one_minute_leave_three_ways() -> None:
    text = "9:00 k7 miran58 f/2.8\n9:40 k7 f/4\n9:40 k7 f/5.6\n"
    found = one(shot("K7_0201", "09:40:30"), text)
    assert short(found) == "partial miran58 f/? 58mm"
    assert "f/2.8 or f/4 or f/5.6" in found.doubts[0].text
    assert at("09:41:00", text) == "fill miran58 f/5.6 58mm"


def test_the_first_entrys_own_minute_fills_with_a_doubt() -> None:
    text = "9:12 k7 miran58 f/2.8\n"
    found = one(shot("K7_0201", "09:12:30"), text)
    assert short(found) == "fill miran58 f/2.8 58mm"
    assert kinds(found) == ["near-change"]
    assert "start of line 2" in found.doubts[0].text
    assert at("09:11:59", text) == "unlogged"


def test_on_both_sides_of_off() -> None:
    text = "9:12 k7 miran58 f/2.8\n10:50 k7 off\n11:00 k7 miran58 f/4\n"
    for time, outcome in (
        ("10:49:59", "fill miran58 f/2.8 58mm"),
        ("10:50:30", "unsure"),
        ("10:51:00", "native"),
        ("11:00:30", "unsure"),
        ("11:01:00", "fill miran58 f/4 58mm"),
    ):
        assert at(time, text) == outcome


# Start to end ----------------------------------------------------------------------------------

CRANES = "10:05-10:25 k7 brask135 f/5.6\n"


@pytest.mark.parametrize(
    ("time", "outcome", "doubts"),
    [
        ("10:04:59", "unlogged", []),
        ("10:05:30", "fill brask135 f/5.6 135mm", ["near-change"]),
        ("10:06:00", "fill brask135 f/5.6 135mm", []),
        ("10:24:59", "fill brask135 f/5.6 135mm", []),
        ("10:25:30", "fill brask135 f/5.6 135mm", ["near-change"]),
        ("10:26:00", "unlogged", []),
    ],
)
def test_a_span_with_an_end(time: str, outcome: str, doubts: list[str]) -> None:
    found = one(shot("K7_0201", time), CRANES)
    assert short(found) == outcome
    assert kinds(found) == doubts


def test_the_end_of_a_span_is_said() -> None:
    assert "end of line 2" in one(shot("K7_0201", "10:25:30"), CRANES).doubts[0].text


def test_after_an_end_nothing_is_claimed_until_the_next_entry() -> None:
    text = "9:12 k7 miran58 f/2.8\n" + CRANES + "10:40 k7 miran58 f/4\n"
    assert at("10:04:00", text) == "fill miran58 f/2.8 58mm"
    assert at("10:30:00", text) == "unlogged"
    assert at("10:41:00", text) == "fill miran58 f/4 58mm"


def test_an_entry_in_the_minute_of_an_end_follows_it() -> None:
    text = CRANES + "10:25 k7 miran58 f/4\n"
    assert at("10:25:30", text) == "unsure"
    assert at("10:26:00", text) == "fill miran58 f/4 58mm"


def test_a_span_within_a_minute_ends() -> None:
    text = "10:05-10:05 k7 brask135 f/5.6\n"
    assert at("10:05:30", text) == "fill brask135 f/5.6 135mm"
    assert at("10:06:00", text) == "unlogged"


# The log's order -------------------------------------------------------------------------------


def test_a_minute_noted_below_a_second_of_it_comes_later() -> None:
    text = "9:00 k7 miran58 f/2.8\n9:40:30 k7 f/4\n9:40 k7 f/8\n"
    assert at("09:40:29", text) == "fill miran58 f/2.8 58mm"
    assert at("09:40:45", text) == "partial miran58 f/? 58mm"
    assert at("09:41:00", text) == "fill miran58 f/8 58mm"


def test_a_second_noted_below_its_minute_settles_both() -> None:
    text = "9:00 k7 miran58 f/2.8\n9:40 k7 brask135 f/4\n9:40:20 k7 f/8\n"
    assert at("09:40:10", text) == "unsure"
    assert at("09:40:21", text) == "fill brask135 f/8 135mm"


def test_an_end_does_not_undo_the_entry_below_it() -> None:
    for text in (
        "slack 1m\n10:05-10:31 k7 miran58 f/4\n10:30 k7 brask135 f/8\n",
        "10:05-10:30:30 k7 miran58 f/4\n10:30 k7 brask135 f/8\n",
    ):
        assert at("10:45:00", text) == "fill brask135 f/8 135mm"


# Timelines by definition -----------------------------------------------------------------------


@dataclass(frozen=True)
class Window:
    """A change somewhere from `start` up to, not including, `end`, in whole seconds."""

    start: int
    end: int


BASE = datetime(2026, 5, 17, 9)
WINDOWS = st.builds(
    lambda start, width: Window(start, start + width), st.integers(0, 9), st.integers(1, 4)
)


def spans_of(windows: list[Window]) -> list[Span]:
    def moment(window: Window) -> Moment:
        start, end = (BASE + timedelta(seconds=n) for n in (window.start, window.end))
        return Moment(start, end)

    return [
        Span("k7", Setting(f"lens{n}", line=n + 2, log="session.txt"), moment(window))
        for n, window in enumerate(windows)
    ]


def histories(windows: list[Window], after: float = -1) -> Iterator[tuple[float, ...]]:
    """Every way in which the changes may have fallen, in the log's order, within quarters."""
    if not windows:
        yield ()
        return
    for quarter in range(4 * windows[0].start, 4 * windows[0].end):
        if quarter % 4 in (0, 3) and quarter / 4 >= after:
            for rest in histories(windows[1:], quarter / 4):
                yield (quarter / 4, *rest)


def by_definition(windows: list[Window], start: int, end: int) -> set[str | None]:
    """What may have stood on the body at some time from `start` up to `end`."""
    found: set[str | None] = set()
    for changes in histories(windows):
        for half in range(2 * start, 2 * end):
            done = sum(change <= half / 2 for change in changes)
            found.add(f"lens{done - 1}" if done else None)
    return found


@settings(deadline=None, max_examples=examples(150))
@given(st.lists(WINDOWS, max_size=4), st.integers(-1, 13), st.integers(1, 3))
def test_settings_are_those_that_some_history_allows(
    windows: list[Window], start: int, width: int
) -> None:
    expected = by_definition(windows, start, start + width)
    assume(expected)  # Windows that no order of changes fits are no log.
    first, last = (instant(BASE) + n * SECOND for n in (start, start + width))
    shots = [Shot(shot("K7_0201"), first, last, first, last)]
    changes = changes_by_time(spans_of(windows), shots)
    found = [setting_of(changes, number) for number in standing(changes, shots)[0]]
    assert {setting and setting.lens for setting in found} == expected
    lines = [setting.line if setting else 0 for setting in found]
    assert lines == sorted(lines)


# Clocks and zones ------------------------------------------------------------------------------

CLOCKED = "zone Europe/Stockholm\nclock k7 fast 3m20s\n" + LENSES.format("09:40")


@pytest.mark.parametrize(
    ("reading", "outcome"),
    [
        ("09:43:19", "fill miran58 f/2.8 58mm"),
        ("09:43:20", "unsure"),
        ("09:44:19", "unsure"),
        ("09:44:20", "fill brask135 f/4 135mm"),
    ],
)
def test_a_fast_clock_is_set_back(reading: str, outcome: str) -> None:
    found = one(shot("K7_0201", reading), CLOCKED)
    assert short(found) == outcome
    assert found.time is not None
    assert found.time.isoformat().endswith("+02:00")


def test_frames_with_and_without_offsets_by_one_log() -> None:
    frames = [
        shot("K7_0201", "09:50:00"),
        shot("K7_0202", "09:50:00", offset=2),
        shot("K7_0203", "07:50:00", offset=0),
        shot("K7_0204", "09:50:00", offset=0),
    ]
    text = "zone Europe/Stockholm\n" + LENSES.format("09:40") + "10:30 k7 off\n"
    found = matched(frames, text).frames
    assert [short(one) for one in found] == ["fill brask135 f/4 135mm"] * 3 + ["native"]
    assert all(kinds(one) == [] for one in found)


def test_without_a_zone_a_frame_from_another_offset_is_doubted() -> None:
    frames = [shot(f"K7_020{n}", "09:50:00", offset=2) for n in range(3)]
    frames.append(shot("K7_0209", "09:50:00", offset=1))
    found = matched(frames, LENSES.format("09:40")).frames
    assert [kinds(one) for one in found] == [[], [], [], ["clock-unsure"]]


def test_a_change_in_the_hour_that_occurs_twice() -> None:
    # Europe/Stockholm, 2026-10-25: at 03:00 the clocks go back to 02:00 (directive 2000/84/EC).
    text = "date 2026-10-25\nzone Europe/Stockholm\n01:00 k7 miran58 f/2.8\n02:15 k7 brask135 f/4\n"
    for reading, hours, outcome in (
        ("02:10:00", 2, "fill miran58 f/2.8 58mm"),
        ("02:30:00", 2, "unsure"),
        ("02:30:00", 1, "fill brask135 f/4 135mm"),
        ("02:30:00", None, "unsure"),
        ("03:00:00", None, "fill brask135 f/4 135mm"),
    ):
        frame = shot("K7_0201", reading, offset=hours, day="2026-10-25")
        assert short(one(frame, text)) == outcome, (reading, hours)


PHOTOS = "clock k7 K7_0200 shows 09:00:00\nclock k7 K7_0299 shows 18:00:00\n"


def test_two_photos_of_a_clock_give_the_drift() -> None:
    frames = [shot("K7_0200", "09:00:10"), shot("K7_0299", "18:00:16")]
    frames.append(shot("K7_0250", "13:30:13"))
    found = matched(frames, PHOTOS + "9:00 k7 miran58 f/2.8\n").frames[2]
    assert found.time is not None
    assert found.time.isoformat() == "2026-05-17T13:30:00"
    assert kinds(found) == []


def test_photos_that_contradict_each_other_are_a_doubt_on_every_frame() -> None:
    frames = [shot("K7_0200", "09:00:00"), shot("K7_0299", "18:02:00")]
    found = matched(frames, PHOTOS + "9:00 k7 miran58 f/2.8\n").frames
    assert [kinds(one)[-1] for one in found] == ["clock-unsure", "clock-unsure"]


def test_a_clock_is_no_doubt_on_a_frame_named_in_the_log() -> None:
    frames = [shot("K7_0200", "09:00:00"), shot("K7_0299", "18:02:00")]
    found = matched(frames, PHOTOS + "K7_0200 k7 miran58 f/2.8\n9:00 k7 brask135 f/4\n").frames
    assert kinds(found[0]) == []
    assert kinds(found[1]) == ["clock-unsure"]


def test_a_photo_of_a_clock_needs_a_time() -> None:
    text = "clock k7 K7_0200 shows 09:00:00\n9:00 k7 miran58 f/2.8\n"
    (problem,) = problems([shot("K7_0200")], text)
    assert problem.text == "K7_0200 carries no time"
    assert (problem.line, problem.column) == (2, 10)


def test_bodies_have_clocks_of_their_own() -> None:
    text = "clock n2 fast 1h\n9:12 k7 miran58 f/2.8\n9:31 n2 tolvan28 f/4\n"
    frames = [shot("K7_0201", "09:32:00"), shot("N2_0401", "10:32:00", "n2")]
    found = matched(frames, text).frames
    assert [short(one) for one in found] == ["fill miran58 f/2.8 58mm", "fill tolvan28 f/4 28mm"]


def test_two_logs_that_say_different_things_of_one_time_are_refused() -> None:
    frames = [shot("K7_0001", "09:20:00")]
    logs = [log("9:12 k7 miran58 f/4\n"), log("9:12 k7 brask135 f/8\n", file="other.txt")]
    (problem,) = problems(frames, logs)
    assert (problem.file, problem.line) == ("other.txt", 2)
    assert "line 2 of session.txt has k7 with miran58" in problem.text
    for first, other in ((4, 8), (8, 4)):
        rings = [log(f"9:12 k7 miran58 f/{n}\n", file=f"{n}.txt") for n in (first, other)]
        (problem,) = problems(frames, rings)
        assert problem.text.startswith(f"f/{other} at this time, but line 2 of {first}.txt has")
    later = [logs[0], log("9:13 k7 brask135 f/8\n", file="other.txt")]
    assert short(matched(frames, later).frames[0]) == "fill brask135 f/8 135mm"
    same = [logs[0], log("9:12 k7 miran58 f/4\n", file="other.txt")]
    assert short(matched(frames, same).frames[0]) == "fill miran58 f/4 58mm"


# The hour that runs twice -----------------------------------------------------------------------


def test_entries_in_the_hour_that_runs_twice_settle_each_other() -> None:
    """02:10 below 02:30 is the second one, so that 02:30 is the first (2000/84/EC)."""
    text = (
        "date 2026-10-25\nzone Europe/Stockholm\n01:45 k7 miran58 f/4\n"
        "02:30 k7 brask135 f/8\n02:10 k7 tolvan28 f/8\n"
    )
    readings = [("02:05:00", 2), ("02:40:00", 2), ("02:00:00", 1), ("02:20:00", 1)]
    frames = [
        shot(f"K7_{n:04}", reading, offset=hours, day="2026-10-25")
        for n, (reading, hours) in enumerate(readings, start=1)
    ]
    found = [one.fill and one.fill.lens.key for one in matched(frames, text).frames]
    assert found == ["miran58", "brask135", "brask135", "tolvan28"]


def test_a_body_that_is_not_set_back_has_each_reading_once() -> None:
    """Its readings go on over the hour that runs twice, so that those before its end are the first
    (2000/84/EC)."""
    frames = [
        shot(f"K7_{n:04}", time, day="2026-10-25")
        for n, time in enumerate(["01:50:00", "02:43:00", "03:07:00", "03:30:00"], start=1)
    ]
    clock = ClockHistory(STOCKHOLM, pieces=over_summer_time(frames, STOCKHOLM, BodyClock()))
    made = [shot.earliest // SECOND // 60 for shot in shots_of(frames, clock)]
    assert [one - made[0] for one in made] == [0, 53, 77, 100]
