"""Frames named in the log, and whose frames they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from flangeback.errors import InputError
from flangeback.frames import Frame
from flangeback.kit import parse_kit
from flangeback.log import parse_log
from flangeback.match import match_frames
from support.kits import BRASK135, K7, M42_E, MIRAN58, N2, WHOLE, changed
from support.shots import KIT, kinds, log, matched, one, problems, short, shot

TIMED = "9:00 k7 miran58 f/2.8\n"


def outcomes(frames: Sequence[Frame], text: str) -> dict[str, str]:
    return {found.frame.file: short(found) for found in matched(frames, text).frames}


def filled(frames: Sequence[Frame], text: str) -> list[str]:
    """The frames that come to a fill, without their suffix."""
    found = outcomes(frames, text)
    return [file.rpartition(".")[0] for file, what in found.items() if what.startswith("fill")]


@pytest.mark.parametrize("text", [TIMED, "9:00 miran58 f/2.8\n", "first k7 miran58 f/2.8\n"])
def test_frames_of_two_serials_are_not_one_body_of_the_kit(text: str) -> None:
    """A body of the kit without a serial takes frames of any, but one log can't be both bodies'."""
    kit = parse_kit(changed(K7, "serial", None) + MIRAN58)
    own, other = shot("K7_0201", "09:10:00"), shot("K7_0202", "09:11:00")
    frames = [replace(own, serial="0071133"), replace(other, serial="222")]
    with pytest.raises(InputError) as caught:
        match_frames(frames, [parse_log(f"date 2026-05-17\n{text}", kit)], kit)
    (problem,) = caught.value.problems
    assert "[body.k7] has no serial" in problem.text
    assert "(serial 0071133) (1), Kestrin K7 (serial 222) (1)" in problem.text
    for alike in ("0071133", "71133"):
        frames[1] = replace(other, serial=alike)
        match_frames(frames, [parse_log(f"date 2026-05-17\n{text}", kit)], kit)
    named = "K7_0201 k7 miran58 f/4\nK7_0202 k7 miran58 f/8\n"
    frames[1] = replace(other, serial="222")
    match_frames(frames, [parse_log(named, kit)], kit)


def test_frames_of_two_equal_bodies_without_serials_are_refused() -> None:
    """A body counts its frames by one run of numbers (CIPA DC-009)."""
    kit = parse_kit(changed(K7, "serial", None) + MIRAN58)
    log = parse_log(f"date 2026-05-17\n{TIMED}", kit)
    times = [f"09:1{n}:0{second}" for n in range(4) for second in (0, 2)]
    numbers = (1200, 7800, 1201, 7801, 1202, 7802, 1203, 7803)
    frames = [
        replace(shot(f"K7_{number}", time), serial=None)
        for number, time in zip(numbers, times, strict=True)
    ]
    with pytest.raises(InputError, match="K7_1200 and K7_7800 within 5 s"):
        match_frames(frames, [log], kit)
    # Two cards one after the other, or a count that began anew, are one body's.
    for kept in (frames[:1] + frames[3:4], frames[::2]):
        assert len(match_frames(kept, [log], kit).frames) == len(kept)


def test_which_adapter_was_on_the_body_is_asked_of_an_entry_of_every_frame_too() -> None:
    other = '[adapter.m42-e-reducer]\nlens_mount = "M42"\nbody_mount = "E"\nkind = "reducer"\n'
    kit = parse_kit(K7 + N2 + MIRAN58 + M42_E + other + "factor = 0.71\n")
    frames = [shot("K7_0201", "09:10:00")]
    with pytest.raises(InputError) as caught:
        match_frames(frames, [parse_log("all miran58 f/4\n", kit)], kit)
    (problem,) = caught.value.problems
    assert problem.text == "which adapter carries miran58 on k7?"
    assert problem.expected == "via m42-e or m42-e-reducer"
    named = match_frames(frames, [parse_log("all miran58 f/4 via m42-e\n", kit)], kit)
    assert short(named.frames[0]) == "fill miran58 f/4 58mm"


# What an entry of a name carries on -------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "text", "expected"),
    [
        ("K7_0201 k7 f/8", "brask135 as in line 3 or miran58 as in line 2?", "lens"),
        ("K7_0201..K7_0202 k7 f/8", "brask135 as in line 3 or miran58 as in line 2?", "lens"),
        # In the minute of the change it was the one or the other.
        ("K7_0203 k7 f/8", "brask135 as in line 3 or miran58 as in line 2?", "lens"),
        ("K7_0201 k7 brask135", "f/5.6 as in line 3 or f/? as in line 2?", "f-number"),
        ("9:50 k7 f/8\nK7_0204 via m42-e", "f/8 as in line 4 or f/5.6 as in line 3?", "f-number"),
    ],
)
def test_what_an_entry_of_a_name_carries_on_stood_there_by_time(
    line: str, text: str, expected: str
) -> None:
    """Who mends a frame's f-number at the end of the log means the lens that was on."""
    frames = [
        shot(f"K7_020{n}", time)
        for n, time in enumerate(("09:15:00", "09:20:00", "09:30:20", "09:40:00"), 1)
    ]
    timed = "9:12 k7 miran58 f/4\n9:30 k7 brask135 f/5.6\n"
    (problem,) = problems(frames, timed + line)
    assert (problem.text, problem.expected) == (text, f"the {expected} to be named")
    # So does a log of its own for the same body.
    logs = [log("9:12 k7 miran58 f/4\n"), log("9:30 k7 brask135 f/4\nK7_0201 k7 f/8", file="b.txt")]
    (problem,) = problems(frames, logs)
    assert problem.text == "brask135 as in line 2 or miran58 as in line 2 of session.txt?"


def test_what_an_entry_of_a_name_carries_on_stood_there_by_other_names() -> None:
    frames = [shot(f"K7_020{n}") for n in range(1, 6)]
    named = "K7_0201..K7_0203 k7 miran58 f/4\nK7_0205 k7 brask135 f/5.6\n"
    (problem,) = problems(frames, named + "K7_0202 f/8")
    assert problem.text == "brask135 as in line 3 or miran58 as in line 2?"
    # Two lines on one frame are a fault, whether or not both name the body.
    (problem,) = problems(frames, named + "K7_0205 f/8")
    assert problem.text == "line 3 already has K7_0205, with other values"
    assert "fill brask135 f/8 135mm" in outcomes(frames, named + "K7_0204 f/8").values()


@pytest.mark.parametrize("line", ["K7_0204 k7 f/8", "K7_0201 miran58 f/8", "K7_0299 f/8"])
def test_an_entry_of_a_name_carries_on_what_nothing_contradicts(line: str) -> None:
    frames = [shot("K7_0201", "09:15:00"), shot("K7_0204", "09:40:00"), shot("K7_0299")]
    found = outcomes(frames, "9:12 k7 miran58 f/4\n9:30 k7 brask135 f/5.6\n" + line)
    assert [what for what in found.values() if "f/8" in what]


def test_a_pattern_carries_on_what_stands_around_it_only_where_times_say_the_same() -> None:
    frames = [shot("K7_0201", "09:15:00"), shot("K7_0204", "09:40:00")]
    text = "all k7 miran58 f/4\n9:30 k7 brask135 f/5.6\n"
    (problem,) = problems(frames, text + "K7_02* k7 f/8")
    assert problem.text == "miran58 as in line 2 or brask135 as in line 3?"
    found = outcomes(frames[:1], text + "K7_02* k7 f/8")
    assert list(found.values()) == ["fill miran58 f/8 58mm"]


def test_by_the_order_of_slate_frames_a_named_frame_may_have_any_of_its_lenses() -> None:
    frames = [shot(f"K7_020{n}", f"09:1{n}:00") for n in range(3)]
    text = "first k7 miran58 f/4\nthen k7 brask135 f/4\n"
    (problem,) = problems(frames, text + "K7_0200 k7 f/8")
    assert problem.text == "brask135 as in line 3 or miran58 as in line 2?"


# Names and ranges ------------------------------------------------------------------------------


def test_a_range_stands_above_times() -> None:
    frames = [shot(f"K7_02{n:02}", f"09:{n}:00") for n in range(10, 15)]
    found = outcomes(frames, TIMED + "K7_0211..K7_0213 k7 brask135 f/8\n")
    by_time, by_name = "fill miran58 f/2.8 58mm", "fill brask135 f/8 135mm"
    assert list(found.values()) == [by_time, by_name, by_name, by_name, by_time]


def test_a_frame_inside_a_change_is_certain_by_its_name() -> None:
    text = TIMED + "9:40 k7 brask135 f/4\nK7_0201 k7 miran58 f/2.8\n"
    found = one(shot("K7_0201", "09:40:30"), text)
    assert short(found) == "fill miran58 f/2.8 58mm"
    assert kinds(found) == []
    assert found.log_line == 4


@pytest.mark.parametrize("named", ["K7_0201", "k7_0201", "K7_0201.JPG", "100kestr/K7_0201"])
def test_a_name_with_or_without_folder_and_suffix_in_any_case(named: str) -> None:
    assert filled([shot("100KESTR/K7_0201")], f"{named} k7 miran58 f/4\n")


def test_a_range_past_9999_begins_anew() -> None:
    # DCF counts from 0001 to 9999 and begins anew (CIPA DC-009).
    names = ["K7_9997", "K7_9998", "K7_9999", "K7_0001", "K7_0003", "K7_0004"]
    text = "K7_9998..K7_0003 k7 miran58 f/4\n"
    found = filled([shot(name) for name in names], text)
    assert found == ["K7_9998", "K7_9999", "K7_0001", "K7_0003"]


def test_a_range_from_one_folder_into_the_next() -> None:
    names = ["100K/K7_0001", "100K/K7_9997", "100K/K7_9998", "100K/K7_9999"]
    names += ["101K/K7_0001", "101K/K7_0003", "101K/K7_0004", "101K/K7_9999", "102K/K7_0001"]
    text = "100K/K7_9998..101K/K7_0003 k7 miran58 f/4\n"
    found = filled([shot(name) for name in names], text)
    assert found == ["100K/K7_9998", "100K/K7_9999", "101K/K7_0001", "101K/K7_0003"]


def test_a_range_over_whole_folders() -> None:
    names = ["100K/K7_0900", "100K/K7_0950", "101K/K7_0001", "102K/K7_0950", "102K/K7_0951"]
    text = "100K/K7_0950..102K/K7_0950 k7 miran58 f/4\n"
    assert filled([shot(name) for name in names], text) == names[1:4]


def test_a_range_within_a_folder_leaves_the_others_alone() -> None:
    names = ["100K/K7_0001", "100K/K7_0002", "100K/K7_0003", "101K/K7_0002"]
    for text in (
        "100K/K7_0001..100K/K7_0003 k7 miran58 f/4\n",
        "100K/K7_0001..K7_0003 k7 miran58 f/4\n",
        "K7_0001..K7_0003 k7 miran58 f/4\n",
    ):
        assert filled([shot(name) for name in names], text) == names[:3]


def test_other_letters_count_for_themselves() -> None:
    frames = [shot("K7_0001"), shot("KX_0002"), shot("K7_0003")]
    assert filled(frames, "K7_0001..K7_0003 k7 miran58 f/4\n") == ["K7_0001", "K7_0003"]


def test_a_range_takes_the_entrys_body_alone() -> None:
    frames = [shot("DSC_0001"), shot("DSC_0002", body="n2"), shot("DSC_0003")]
    assert filled(frames, "DSC_0001..DSC_0003 k7 miran58 f/4\n") == ["DSC_0001", "DSC_0003"]


def test_gaps_in_a_range_are_fine_and_its_ends_must_be_there() -> None:
    frames = [shot("K7_0210"), shot("K7_0214")]
    assert filled(frames, "K7_0210..K7_0214 k7 miran58 f/4\n") == ["K7_0210", "K7_0214"]
    (problem,) = problems(frames, "K7_0210..K7_0215 k7 miran58 f/4\n")
    assert problem.text == "there is no frame K7_0215"
    assert problem.suggestion == "K7_0214"
    # The end was culled: what is meant is the last frame before it, not the likest name.
    frames = [*frames, shot("K7_0216"), shot("K7_0235")]
    (problem,) = problems(frames, "K7_0210..K7_0215 k7 miran58 f/4\n")
    assert problem.suggestion == "K7_0214"
    (problem,) = problems(frames, "K7_0215..K7_0235 k7 miran58 f/4\n")
    assert problem.suggestion == "K7_0216"


# Faults ----------------------------------------------------------------------------------------


def test_every_missing_name_is_told_in_one_go_with_line_and_caret() -> None:
    text = (
        TIMED
        + "K7_0300 k7 miran58 f/4\nslate K7_0301\nnot-slate K7_0302\n"
        + "clock k7 K7_0303 shows 09:00:00\n"
    )
    found = problems([shot("K7_0201", "09:10:00")], text)
    assert sorted((p.line, p.column, p.width, p.text[-7:]) for p in found) == [
        (3, 1, 7, "K7_0300"),
        (4, 7, 7, "K7_0301"),
        (5, 11, 7, "K7_0302"),
        (6, 10, 7, "K7_0303"),
    ]
    assert all(p.expected and p.source for p in found)


def test_a_name_that_is_two_frames() -> None:
    frames = [shot("100K/K7_0001"), shot("101K/K7_0001")]
    (problem,) = problems(frames, "K7_0001 k7 miran58 f/4\n")
    assert "more than one frame: 100K/K7_0001.JPG and 101K/K7_0001.JPG" in problem.text
    assert "folder" in str(problem.expected)
    assert filled(frames, "101K/K7_0001 k7 miran58 f/4\n") == ["101K/K7_0001"]


def test_equal_names_of_two_bodies_are_told_apart_by_the_entrys_body() -> None:
    frames = [shot("a/DSC_0001"), shot("b/DSC_0001", body="n2")]
    assert filled(frames, "DSC_0001 n2 tolvan28 f/4\n") == ["b/DSC_0001"]


def test_a_frame_of_another_body() -> None:
    (problem,) = problems([shot("N2_0401", body="n2")], "N2_0401 k7 miran58 f/4\n")
    assert problem.text == "N2_0401 was made by n2, not by k7"
    assert problem.expected


def test_a_frame_named_twice_with_other_values() -> None:
    frames = [shot(f"K7_020{n}") for n in range(1, 5)]
    text = "K7_0201..K7_0203 k7 miran58 f/4\nK7_0203..K7_0204 k7 miran58 f/8\n"
    (problem,) = problems(frames, text)
    assert problem.text == "line 2 already has K7_0203, with other values"
    assert problem.line == 3


def test_a_frame_named_twice_with_the_same_values_is_fine() -> None:
    line = "K7_0201 k7 miran58 f/4\n"
    assert short(one(shot("K7_0201"), line + line)) == "fill miran58 f/4 58mm"
    logs = [log(line, file="one.txt"), log(line, file="other.txt")]
    assert short(matched([shot("K7_0201")], logs).frames[0]) == "fill miran58 f/4 58mm"


# Groups of frames ------------------------------------------------------------------------------

CARDS = ["day1/K7_0001", "day1/K7_0002", "day2/K7_0003"]


@pytest.mark.parametrize(
    ("place", "named"),
    [
        ("all", CARDS),
        ("day1/", CARDS[:2]),
        ("DAY2/", CARDS[2:]),
        ("K7_000*", CARDS),
        ("*_0002", ["day1/K7_0002"]),
        ("day1/*", CARDS[:2]),
        ("*3.jpg", CARDS[2:]),
        ('"K7_0003"', CARDS[2:]),
    ],
)
def test_a_group_is_the_frames_that_share_it(place: str, named: list[str]) -> None:
    assert filled([shot(name) for name in CARDS], f"{place} k7 miran58 f/4\n") == named


def test_a_pattern_of_many_stars_is_tried_once_from_left_to_right() -> None:
    # Tried in every way, it would take longer than anybody waits.
    frames = [shot("K7_" + "0" * 200)]
    assert filled(frames, f"K7_{'*0' * 30}* k7 miran58 f/4\n") == [frames[0].stem]
    with pytest.raises(InputError, match="has a name like"):
        matched(frames, f"K7_{'*0' * 30}*x k7 miran58 f/4\n")


@pytest.mark.parametrize("sign", ["?", "[0-9]", "[!a]"])
def test_no_sign_but_the_star_stands_for_others(sign: str) -> None:
    with pytest.raises(InputError):
        matched([shot("K7_0001")], f"K7_000{sign}* k7 miran58 f/4\n")


def test_all_frames_of_a_body() -> None:
    frames = [shot("K7_0001"), shot("N2_0001", body="n2")]
    assert filled(frames, "all k7 miran58 f/4\n") == ["K7_0001"]
    assert filled(frames, "all k7 miran58 f/4\nall n2 tolvan28 f/4\n") == ["K7_0001", "N2_0001"]
    frames.append(shot("X_0001", model=""))
    both = "all k7 miran58 f/4\nall n2 tolvan28 f/4\n"
    assert filled(frames, both) == ["K7_0001", "N2_0001"]


def test_all_frames_of_every_body() -> None:
    """Each with an adapter of its own; one that is named has to fit all of them."""
    frames = [shot("K7_0001", "09:10:00"), shot("N2_0001", "09:10:00", body="n2")]
    found = matched(frames, "all miran58 f/4\n").frames
    assert [short(one) for one in found] == ["fill miran58 f/4 58mm"] * 2
    adapters = [one.fill.adapter for one in found if one.fill]
    assert [one and one.body_mount for one in adapters] == ["E", "Micro Four Thirds"]
    text = "all miran58 f/4\n9:00 k7 f/8\n9:00 n2 f/2.8\nN2_0001 n2 f/2\n"
    assert list(outcomes(frames, text).values()) == [
        "fill miran58 f/8 58mm",
        "fill miran58 f/2 58mm",
    ]
    (problem,) = problems(frames, "all miran58 f/4 via m42-e\n")
    assert (problem.line, problem.column, problem.width) == (2, 1, 25)
    assert problem.text.startswith("its adapter doesn't fit every body")
    named = "all miran58 f/4\nall k7 brask135 f/8\n"
    assert short(one(frames[0], named)) == "fill brask135 f/8 135mm"


@pytest.mark.parametrize("line", ["K7_0001 miran58 f/4", "9:00 miran58 f/4", "first miran58 f/4"])
def test_every_other_entry_names_its_body_where_there_are_several(line: str) -> None:
    frames = [shot("K7_0001", "09:10:00"), shot("N2_0001", "09:10:00", body="n2")]
    (problem,) = problems(frames, f"all miran58 f/2\n  {line}\n")
    assert (problem.line, problem.column, problem.width) == (3, 3, len(line))
    assert problem.source == f"  {line}"


@pytest.mark.parametrize(
    ("place", "broader"), [("K7_0003*", "K7_*"), ("day1/K7_*", "day1/"), ("*7_*31", "*7_*")]
)
def test_a_pattern_carries_on_what_a_broader_place_says(place: str, broader: str) -> None:
    frames = [shot(name, "09:00:00") for name in ("day1/K7_0001", "day1/K7_00031")]
    found = outcomes(frames, f"{broader} k7 miran58 f/4\n{place} k7 f/8\n")
    assert found["day1/K7_00031.JPG"] == "fill miran58 f/8 58mm"
    (problem,) = problems(frames, f"{place} k7 miran58 f/4\nN2_* k7 f/8\n")
    assert problem.text == "which lens on k7?"


def test_a_day_is_that_of_the_logs_clock() -> None:
    frames = [
        shot("K7_0001", "23:50:00", day="2026-05-16"),
        shot("K7_0002", "09:00:00"),
        shot("K7_0003", "00:10:00", day="2026-05-18"),
    ]
    assert filled(frames, "2026-05-17 k7 miran58 f/4\n") == ["K7_0002"]
    fast = "clock k7 fast 20m\n2026-05-17 k7 miran58 f/4\n"
    assert filled(frames, fast) == ["K7_0002", "K7_0003"]


def test_narrower_places_stand_above_broader_ones_and_names_above_times() -> None:
    names = ["day1/K7_0001", "day1/K7_0002", "day1/K7_0003", "day1/K7_0004", "day2/K7_0009"]
    frames = [shot(name, f"09:{number}0:00") for number, name in enumerate(names)]
    text = (
        "K7_0003 k7 miran58 f/16\n"
        "all k7 brask135 f/22\n"
        "day1/ k7 miran58 f/2\n"
        "K7_0002..K7_0003 k7 miran58 f/8\n"
        "K7_000* k7 miran58 f/4\n"
    )
    assert list(outcomes(frames, text).values()) == [
        "fill miran58 f/2 58mm",
        "fill miran58 f/8 58mm",
        "fill miran58 f/16 58mm",
        "fill miran58 f/2 58mm",
        "fill miran58 f/4 58mm",
    ]
    timed = "all k7 brask135 f/22\nday1/ k7 miran58 f/2\n9:15 k7 miran58 f/4\n9:35 k7 off\n"
    assert list(outcomes(frames, timed).values()) == [
        "fill miran58 f/2 58mm",
        "fill miran58 f/2 58mm",
        "fill miran58 f/4 58mm",
        "fill miran58 f/4 58mm",
        "native",
    ]


def test_a_place_within_another_stands_above_it_whatever_their_kinds() -> None:
    """And where the other stands above times, so does what lies within it."""
    frames = [shot(f"day{n}/K7_000{n}", f"09:{n}0:00") for n in range(1, 4)]
    text = "9:00 k7 miran58 f/16\nK7_* k7 miran58 f/4\nday1/ k7 brask135 f/8\n"
    by_pattern = "fill miran58 f/4 58mm"
    expected = ["fill brask135 f/8 135mm", by_pattern, by_pattern]
    assert list(outcomes(frames, text).values()) == expected
    # Neither lies within the other: a pattern stands above a folder.
    # Of two that have the same frames on this card, the words tell.
    text = "K7_000* k7 miran58 f/4\nK7_* k7 brask135 f/8\nday1/ k7 off\nday1/a/ k7 miran58 f/2\n"
    frames = [shot("day1/a/K7_0001"), shot("K7_0002")]
    assert list(outcomes(frames, text).values()) == ["fill miran58 f/2 58mm", by_pattern]
    text = "*1 k7 miran58 f/4\nday1/ k7 brask135 f/8\n"
    frames = [shot("day1/K7_0001"), shot("day1/K7_0002"), shot("day2/K7_0011")]
    assert list(outcomes(frames, text).values()) == [by_pattern, expected[0], by_pattern]


def test_a_group_stays_behind_an_order_that_slate_frames_contradict() -> None:
    # No slate frame, and a `then`: which of the two it was can't be told, whatever `all` says.
    frames = [shot(f"K7_000{n}", f"09:0{n}:00") for n in range(1, 4)]
    order = "first k7 miran58 f/4\nthen k7 miran58 f/8\n"
    alone = [found.outcome for found in matched(frames, order).frames]
    both = [found.outcome for found in matched(frames, "all k7 brask135 f/22\n" + order).frames]
    assert both == alone


def test_what_a_time_leaves_open_a_group_may_settle() -> None:
    # Inside the first minute, either what the group says or what the entry says held.
    found = one(shot("K7_0001", "09:15:30"), "all k7 miran58 f/4\n9:15 k7 miran58 f/4\n")
    assert short(found) == "fill miran58 f/4 58mm"


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        ("all k7 miran58 f/4\nall k7 miran58 f/8", "line 2 already has K7_0001, with other values"),
        ("day1/ k7 miran58 f/4\n2026-05-17 k7 miran58 f/8", "line 2 already has K7_0001"),
        ("K7_0* k7 miran58 f/4\n*1 k7 miran58 f/8\nK7_0001* k7 off", "line 3 already has"),
        ("day3/ k7 miran58", "no frame of k7 lies in day3/"),
        ("2026-05-19 k7 miran58", "no frame of k7 was made on 2026-05-19"),
        ("N2_* k7 miran58", "no frame of k7 has a name like N2_*"),
        ("all n2 tolvan28", "there is no frame of n2"),
        ("jpeg-501 k7 miran58", "there is no frame jpeg-501"),
        ("day2 k7 miran58", "there is no frame day2"),
    ],
)
def test_groups_that_contradict_or_name_nothing(lines: str, text: str) -> None:
    frames = [shot("day1/K7_0001", "09:00:00"), shot("day2/K7_0002", "10:00:00")]
    frames.append(shot("day1/K7_0003", "09:00:00", day="2026-05-18"))
    found = problems(frames, lines)
    assert [problem.text[: len(text)] for problem in found] == [text]
    assert all(problem.source and problem.expected for problem in found)


def test_four_figures_that_are_a_time_and_a_frame_are_told_both() -> None:
    frames = [shot("1516", "15:20:00"), shot("1517", "15:30:00")]
    (problem,) = problems(frames, "1516 k7 miran58 f/4\n")
    assert (problem.text, problem.line) == ("1516 can be a time or a frame", 2)
    assert problem.expected == '15:16 for the time, or "1516" in quotes for the frame'
    assert filled(frames, '"1516" k7 miran58 f/4\n') == ["1516"]
    assert filled(frames, "15:16 k7 miran58 f/4\n") == ["1516", "1517"]


def test_copies_of_a_named_frame_that_get_other_values_are_doubted() -> None:
    """As programs name them (common practice); K7_0003 was made in the same second, by a burst."""
    files = ["K7_0002", "K7_0002-2", "K7_0002_edit", "K7_0003", "K7_00021"]
    frames = [shot(name, "09:00:00") for name in files]
    found = matched(frames, "all k7 miran58 f/4\nK7_0002 k7 brask135 f/8\n").frames
    doubted = {one.frame.stem for one in found if kinds(one) == ["pair-differs"]}
    assert doubted == {"K7_0002-2", "K7_0002_edit"}
    alike = matched(frames, "all k7 miran58 f/4\nK7_0002* k7 brask135 f/8\n").frames
    assert not any(one.doubts for one in alike)


def test_a_lone_time_of_four_figures_may_be_the_end_of_a_frames_name() -> None:
    frames = [shot("K7_0915", "09:00:00"), shot("K7_0916", "09:30:00")]
    (problem,) = problems(frames, "all k7 miran58 f/4\n0915 k7 f/8\n")
    assert problem.expected == "09:15 for the time, or K7_0915 for the frame"
    assert filled(frames, "0858 k7 miran58 f/4\n0915 k7 f/8\n") == ["K7_0915", "K7_0916"]


def test_a_folder_without_its_slash_is_suggested() -> None:
    (problem,) = problems([shot("day1/K7_0001")], "day1 k7 miran58 f/4\n")
    assert problem.suggestion == "day1/"


def test_a_folder_that_is_two() -> None:
    frames = [shot("a/day1/K7_0001"), shot("b/day1/K7_0002")]
    (problem,) = problems(frames, "day1/ k7 miran58 f/4\n")
    assert problem.text == "day1/ is more than one folder: a/day1 and b/day1"
    assert filled(frames, "b/day1/ k7 miran58 f/4\n") == ["b/day1/K7_0002"]


def test_not_every_entry_names_its_body() -> None:
    text = "9:00 miran58 f/4\n9:20 k7 f/8\n"
    frames = [shot("K7_0001", "09:10:00"), shot("K7_0002", "09:30:00")]
    assert filled(frames, text) == ["K7_0001", "K7_0002"]
    with pytest.raises(InputError, match=r"not every entry names its body.* k7 \(2\), n2 \(1\)"):
        matched([*frames, shot("N2_0001", "09:10:00", body="n2")], text)


# Bodies ----------------------------------------------------------------------------------------

TWINS = parse_kit(
    K7
    + K7.replace("body.k7", "body.second").replace("0071133", "0071134")
    + changed(N2, "model", None)
    + MIRAN58
    + BRASK135
    + M42_E
)
TWIN_LOG = "9:00 k7 miran58 f/2.8\n9:00 second brask135 f/4\n"


@pytest.mark.parametrize(
    ("serial", "body"),
    [("0071133", "k7"), ("71133", "k7"), (" 0071134 ", "second"), ("0099999", "n2")],
)
def test_equal_bodies_by_serial(serial: str, body: str) -> None:
    assert one(shot("A_0001", "09:10:00", serial=serial), TWIN_LOG, TWINS).body == body


def test_equal_bodies_without_a_serial_in_the_frame_cannot_be_told() -> None:
    found = one(shot("A_0001", "09:10:00"), TWIN_LOG, TWINS)
    assert (short(found), found.body) == ("unlogged", None)
    assert "Kestrin K7" in str(found.reason)


def test_model_in_any_case_and_spacing() -> None:
    found = one(shot("A_0001", "09:10:00", model=" KESTRIN  k7"), TIMED)
    assert found.body == "k7"


def test_a_body_without_model_takes_what_no_other_claims() -> None:
    kit = parse_kit(WHOLE.replace('model = "Norrvik N2"\n', ""))
    text = TIMED + "9:00 n2 tolvan28 f/4\n"
    for model, body in (("Kestrin K7", "k7"), ("Kestrin K9", "n2"), ("", "n2")):
        assert one(shot("A_0001", "09:10:00", model=model), text, kit).body == body


def test_a_body_that_is_not_in_the_kit_is_unlogged() -> None:
    found = one(shot("A_0001", "09:10:00", model="Kestrin K9", serial="7"), TIMED)
    assert (short(found), found.body) == ("unlogged", None)
    told = "no body of the kit made it: Kestrin K9 (serial 7)"
    assert found.reason == f'{told}; its entry there needs model = "Kestrin K9"'


def test_a_body_that_no_entry_speaks_of() -> None:
    found = one(shot("N2_0401", "09:10:00", "n2"), TIMED)
    assert (short(found), found.body) == ("unlogged", "n2")
    assert found.reason == "no entry speaks of n2"


# Logs ------------------------------------------------------------------------------------------


def test_one_log_for_each_body() -> None:
    logs = [
        log("zone Europe/Stockholm\n" + TIMED, file="k7.txt"),
        log("9:00 n2 tolvan28 f/4\n", file="n2.txt"),
    ]
    frames = [shot("K7_0201", "09:10:00"), shot("N2_0401", "09:10:00", "n2")]
    first, second = matched(frames, logs).frames
    assert (short(first), first.log) == ("fill miran58 f/2.8 58mm", "k7.txt")
    assert (short(second), second.log) == ("fill tolvan28 f/4 28mm", "n2.txt")
    assert first.time is not None
    assert second.time is not None
    assert (first.time.tzinfo is None, second.time.tzinfo is None) == (False, True)


def test_two_logs_of_one_body_make_one_line_of_time() -> None:
    logs = [log("10:00 k7 brask135 f/4\n", file="b.txt"), log(TIMED, file="a.txt")]
    frames = [shot("K7_0201", "09:10:00"), shot("K7_0202", "10:10:00")]
    found = matched(frames, logs).frames
    assert [one.log for one in found] == ["a.txt", "b.txt"]
    assert [short(one) for one in found] == ["fill miran58 f/2.8 58mm", "fill brask135 f/4 135mm"]


def test_two_logs_of_one_body_need_a_zone_in_each() -> None:
    logs = [
        log("9:00 n2 tolvan28 f/4\n", file="n2.txt"),
        log("zone Europe/Stockholm\n" + TIMED, file="a.txt"),
        log("10:00 k7 brask135 f/4\n", file="b.txt"),
    ]
    (problem,) = problems([shot("K7_0201", "09:10:00")], logs)
    assert problem.file == "b.txt"
    assert "no zone line" in problem.text
    assert problem.expected


def test_two_logs_may_not_differ_about_a_clock() -> None:
    logs = [log(f"clock k7 fast {n}m\n" + TIMED, file=f"{n}.txt") for n in (3, 4)]
    (problem,) = problems([shot("K7_0201", "09:10:00")], logs)
    assert (problem.file, problem.line) == ("4.txt", 2)
    assert "k7's clock" in problem.text


def test_faults_of_both_logs_come_in_one_go() -> None:
    logs = [log(f"K7_030{n} k7 miran58 f/4\n", file=f"{n}.txt") for n in (1, 2)]
    found = problems([shot("K7_0201", "09:10:00")], logs)
    assert [problem.file for problem in found] == ["1.txt", "2.txt"]


NAMELESS = "9:00 miran58 f/2.8\n"


def test_a_log_without_bodies_holds_for_the_only_one() -> None:
    found = one(shot("K7_0201", "09:10:00"), NAMELESS)
    assert (short(found), found.body) == ("fill miran58 f/2.8 58mm", "k7")
    assert found.fill is not None
    assert found.fill.adapter == KIT.adapters["m42-e"]
    assert found.fill.focal_length_35mm == 58


def test_a_log_without_bodies_and_frames_from_two() -> None:
    frames = [shot("K7_0201", "09:10:00"), shot("N2_0401", "09:10:00", "n2")]
    (problem,) = problems([*frames, shot("K7_0202", "09:11:00")], NAMELESS)
    assert problem.file == "session.txt"
    assert "2: k7 (2), n2 (1)" in problem.text
    assert problem.expected == "the body in every entry"


def test_a_log_without_bodies_and_a_body_that_is_not_in_the_kit() -> None:
    found = one(shot("A_0201", "09:10:00", model="Kestrin K9"), NAMELESS)
    assert (short(found), found.body) == ("fill miran58 f/2.8 58mm", None)
    frames = [shot("K7_0201", "09:10:00"), shot("A_0201", "09:10:00", model="Kestrin K9")]
    (problem,) = problems(frames, NAMELESS)
    assert "k7 (1), Kestrin K9 (1)" in problem.text


def test_damaged_frames_do_not_count_as_another_body() -> None:
    frames = [shot("K7_0201", "09:10:00"), shot("K7_0202", model="", damage="cut short")]
    found = matched(frames, NAMELESS).frames
    assert [short(one) for one in found] == ["fill miran58 f/2.8 58mm", "unreadable"]


def test_clock_lines_of_a_log_without_bodies() -> None:
    found = one(shot("K7_0201", "09:03:00"), "clock fast 5m\n" + NAMELESS)
    assert short(found) == "unlogged"
    found = one(shot("K7_0201", "09:10:00"), "clock fast 5m\n" + NAMELESS)
    assert short(found) == "fill miran58 f/2.8 58mm"
