"""What entries mean: what carries on, which adapter, which f-number, and what contradicts."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from flangeback.kit import Kit
from flangeback.log.model import FrameRange, Moment, Setting
from flangeback.log.values import geometric_mean
from support.log_gear import (
    AWKWARD_KIT,
    EXAMPLE_KIT,
    ONE_BODY_KIT,
    fault,
    faults,
    read,
    settings,
    spans,
    under_caret,
)

START = "9:12 k7 miran58 f/2.8\n"


# Carrying on -----------------------------------------------------------------------------------


def test_what_an_entry_doesnt_say_carries_on_per_body() -> None:
    text = START + "9:20 n2 tolvan28 f/4\n9:30 k7 f/5.6\n9:31 n2 f/8\n9:40 k7 miran58"
    assert list(settings(text)) == [
        "k7 miran58 m42-e f/2.8 58mm",
        "n2 tolvan28 f-mft f/4 28mm",
        "k7 miran58 m42-e f/5.6 58mm",
        "n2 tolvan28 f-mft f/8 28mm",
        "k7 miran58 m42-e f/5.6 58mm",
    ]


def test_a_new_lens_forgets_the_last_ones_ring() -> None:
    text = "9:12 k7 zoom3570 f/8 50mm\n9:30 k7 brask135\n9:40 k7 zoom3570"
    assert list(settings(text)) == [
        "k7 zoom3570 m42-e f/8 50mm",
        "k7 brask135 m42-e f/None 135mm",
        "k7 zoom3570 m42-e f/None Nonemm",
    ]


def test_not_noted_clears_the_f_number() -> None:
    assert list(settings(START + '9:20 k7 f/?\n9:30 k7 "quay"')) == [
        "k7 miran58 m42-e f/2.8 58mm",
        "k7 miran58 m42-e f/None 58mm",
        "k7 miran58 m42-e f/None 58mm",
    ]


def test_the_words_wide_open_carry_on_and_not_their_number() -> None:
    text = "9:12 k7 zoom3570 open 35mm\n9:13 k7 70mm\n9:14 k7 50mm\n9:15 k7 35mm"
    assert [span.setting.f_number for span in spans(text)] == [
        Decimal("3.5"),
        Decimal("4.5"),
        None,
        Decimal("3.5"),
    ]


def test_wide_open_is_known_only_by_a_focal_length_that_is_not_older() -> None:
    """A zoom is turned without a note, and its maximum aperture with it."""
    text = "9:12 k7 zoom3570 35mm f/8\n9:13 k7 open\n9:14 k7 'gate'\n9:15 k7 70mm\n9:16 k7 f/8"
    assert [(span.setting.f_number, span.setting.focal_length) for span in spans(text)] == [
        (Decimal(8), Decimal(35)),
        (None, Decimal(35)),
        (None, Decimal(35)),
        (Decimal("4.5"), Decimal(70)),
        (Decimal(8), Decimal(70)),
    ]


def test_off_and_what_follows_it() -> None:
    text = START + '10:00 k7 off\n10:30 k7 "native zoom"\n10:40 k7 miran58'
    held = [span.setting for span in spans(text)]
    assert held[1] == Setting(None, line=3, log="session.txt")
    assert held[2] == Setting(None, line=4, log="session.txt")
    assert (held[3].lens, held[3].f_number) == ("miran58", None)
    problem = fault(START + "10:00 k7 off\n10:40 k7 f/4")
    assert problem.text == "there is no lens on k7 since line 3"


def test_which_lens() -> None:
    assert fault("9:12 k7 f/4").text == "which lens on k7?"
    assert fault("9:12 f/4").text == "which lens?"
    assert fault(START + "9:30 n2 f/4").text == "which lens on n2?"


def test_a_span_has_the_entrys_times_frames_and_line() -> None:
    plain, closed, framed = spans(
        "slack 1m\n9:12 k7 miran58\n10:05-10:30:10 k7 f/4\nK7_0212..K7_0230 k7 f/8"
    )

    def at(hour: int, minute: int, second: int = 0) -> datetime:
        return datetime(2026, 5, 17, hour, minute, second)

    assert (plain.start, plain.end) == (Moment(at(9, 11), at(9, 14)), None)
    assert closed.start == Moment(at(10, 4), at(10, 7))
    assert closed.end == Moment(at(10, 29, 10), at(10, 31, 11))
    assert (framed.start, framed.end) == (None, None)
    assert isinstance(framed.frames, FrameRange)
    assert (framed.frames.last.name, framed.setting.line) == ("K7_0230", 5)


# Frame names and times -------------------------------------------------------------------------


def test_entries_by_frames_carry_on_from_the_entry_above() -> None:
    text = START + "K7_0212 k7 brask135 f/8\nK7_0213 k7 f/11"
    assert list(settings(text))[2] == "k7 brask135 m42-e f/11 135mm"


def test_a_time_carries_on_from_the_last_time_and_not_from_frames() -> None:
    same = START + "K7_0212 k7 f/8\n9:30 k7 m42-e"
    assert list(settings(same))[2] == "k7 miran58 m42-e f/2.8 58mm"
    named = START + "K7_0212 k7 brask135 f/8\n9:30 k7 miran58"
    assert list(settings(named))[2] == "k7 miran58 m42-e f/2.8 58mm"
    settled = START + "K7_0212 k7 brask135 f/8\n9:30 k7 miran58\n9:40 k7 f/4"
    assert list(settings(settled))[3] == "k7 miran58 m42-e f/4 58mm"
    first = "K7_0212 k7 brask135 f/8\n9:30 k7 f/4"
    assert list(settings(first))[1] == "k7 brask135 m42-e f/4 135mm"


def test_two_readings_of_a_time_below_one_that_has_ended_are_told() -> None:
    text = START + "9:20-9:30 k7 brask135 f/8\n9:45 k7 f/4"
    problem = fault(text)
    assert problem.text == "brask135 as in line 3 or miran58 as in line 2?"
    assert (problem.line, problem.expected) == (4, "the lens to be named")
    same = START + "9:20-9:30 k7 miran58 f/8\n9:45 k7 f/4"
    assert list(settings(same))[2] == "k7 miran58 m42-e f/4 58mm"
    alone = "9:20-9:30 k7 brask135 f/8\n9:45 k7 f/4"
    assert list(settings(alone))[1] == "k7 brask135 m42-e f/4 135mm"


@pytest.mark.parametrize(("between", "other"), [("brask135 f/8", "brask135"), ("off", "off")])
def test_two_readings_of_a_time_below_frames_are_told(between: str, other: str) -> None:
    text = START + f"K7_0212..K7_0230 k7 {between}\n9:30 k7 f/4\n9:40 k7 f/8"
    problem = fault(text)
    assert problem.text == f"miran58 as in line 2 or {other} as in line 3?"
    assert (problem.line, problem.expected) == (4, "the lens to be named")


# Adapters --------------------------------------------------------------------------------------


def test_one_adapter_that_fits_is_understood() -> None:
    assert list(settings("9:12 k7 miran58")) == ["k7 miran58 m42-e f/None 58mm"]


def test_a_lens_of_the_bodys_own_mount_needs_none() -> None:
    assert list(settings("9:12 k7 native35 f/4")) == ["k7 native35 None f/4 35mm"]
    problem = fault("9:12 k7 native35 via m42-e")
    assert problem.text == "m42-e brings M42 onto E"
    assert problem.suggestion is None


def test_adapters_that_make_no_difference_need_not_be_named() -> None:
    assert list(settings("9:12 k7 exa50 f/4")) == ["k7 exa50 None f/4 50mm"]
    assert list(settings("9:12 k7 exa50 exa-e-thick")) == ["k7 exa50 exa-e-thick f/None 50mm"]


def test_adapters_that_make_one_must_be_named() -> None:
    found = faults("9:12 k7 tolvan28\n9:20 k7 f/4\n9:30 k7 via f-e-ring")
    # Told once: the entries below carry the doubt on, and the last one clears it.
    assert [problem.text for problem in found] == ["which adapter carries tolvan28?"]
    assert found[0].expected == "via f-e-reducer or f-e-ring"
    assert under_caret(found[0]) == "tolvan28"


def test_an_adapter_that_doesnt_fit() -> None:
    problem = fault("9:12 k7 miran58 via f-mft")
    assert problem.text == "f-mft brings F onto Micro Four Thirds"
    assert (problem.expected, problem.suggestion) == ("an adapter from M42 to E", "m42-e")
    assert under_caret(problem) == "f-mft"


def test_a_lens_that_nothing_brings_onto_the_body() -> None:
    problem = fault("9:12 n2 lonely90\n9:30 n2 f/4")
    assert "brings lonely90 (X) onto n2 (Micro Four Thirds)" in problem.text
    assert problem.line == 2


def test_a_new_adapter_on_the_same_lens_keeps_the_ring() -> None:
    text = "9:12 k7 tolvan28 f/4 f-e-reducer\n9:30 k7 via f-e-ring"
    assert list(settings(text))[1] == "k7 tolvan28 f-e-ring f/4 28mm"


# Without bodies --------------------------------------------------------------------------------


def test_a_log_without_bodies_takes_the_only_one() -> None:
    assert list(settings("9:12 miran58 f/4", ONE_BODY_KIT)) == ["None miran58 m42-e f/4 58mm"]
    assert "onto k7 (E)" in fault("9:12 lonely90", ONE_BODY_KIT).text
    assert fault("9:12 tolvan28", ONE_BODY_KIT).text == "which adapter carries tolvan28?"


def test_a_log_without_bodies_leaves_the_adapter_open_where_bodies_differ() -> None:
    assert list(settings("9:12 tolvan28 f/4\n9:20 miran58", EXAMPLE_KIT)) == [
        "None tolvan28 None f/4 28mm",
        "None miran58 None f/None 58mm",
    ]
    assert "k7 (E) or n2 (Micro Four Thirds)" in fault("9:12 lonely90").text


def test_a_kit_without_bodies_checks_the_lens_alone() -> None:
    kit = Kit({}, EXAMPLE_KIT.lenses, EXAMPLE_KIT.adapters)
    assert list(settings("9:12 miran58 f/4 via m42-e", kit)) == ["None miran58 m42-e f/4 58mm"]
    assert fault("9:12 miran58 via f-mft", kit).expected == "an adapter from M42 to the body"


def test_where_one_body_is_named_the_others_entries_may_name_none() -> None:
    text = "9:12 miran58 f/4\n9:20 k7 f/8\n9:30 f/11\n9:40 lonely90"
    problem = fault(text)
    assert (problem.line, "onto k7 (E)" in problem.text) == (5, True)
    log = read(text.rpartition("\n")[0])
    assert [(span.body, span.setting.lens, str(span.setting.f_number)) for span in log.spans] == [
        (None, "miran58", "4"),
        ("k7", "miran58", "8"),
        (None, "miran58", "11"),
    ]
    assert not log.names_bodies


def test_of_two_bodies_every_entry_names_one_or_none_does() -> None:
    found = faults(START + "9:20 brask135\n9:30 n2 tolvan28\n9:40 f/4")
    assert [(problem.line, problem.text) for problem in found] == [
        (3, "which body?"),
        (5, "which body?"),
    ]
    assert found[0].expected == "a body in every entry, or in none: k7 or n2"


# Apertures -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "mean"),
    # The geometric mean, since stops are logarithmic (common practice); worked by hand:
    # sqrt(4 * 5.6) = 4.7329, sqrt(8 * 11) = 9.3808, sqrt(2 * 2.8) = 2.3664.
    [("4", "5.6", "4.733"), ("8", "11", "9.381"), ("2", "2.8", "2.366")],
)
def test_between_two_stops_is_their_geometric_mean(first: str, second: str, mean: str) -> None:
    assert geometric_mean(Decimal(first), Decimal(second)) == Decimal(mean)
    assert list(settings(f"9:12 k7 miran58 f/{first}-{second}")) == [
        f"k7 miran58 m42-e f/{mean} 58mm"
    ]


def test_a_lens_without_a_ring_stays_open_on_a_plain_adapter() -> None:
    for words in ("", "open", "f/1.8", "f/?"):
        assert list(settings(f"9:12 n2 ringless50 {words}")) == ["n2 ringless50 f-mft f/1.8 50mm"]
    for words in ("f/4", "f/1.8-2"):
        problem = fault(f"9:12 n2 ringless50 {words}")
        assert problem.text.startswith("ringless50 has no aperture ring and f-mft none either")
        assert (problem.suggestion, under_caret(problem)) == ("open", words)


def test_a_zoom_without_a_ring_is_as_wide_open_as_is_known() -> None:
    text = "9:12 n2 ringlesszoom f/4 50mm\n9:20 n2 ringlesszoom 70mm open\n9:30 n2 50mm"
    assert [span.setting.f_number for span in spans(text)] == [Decimal(4), Decimal("4.5"), None]
    assert fault("9:12 n2 ringlesszoom f/5.6 50mm").suggestion == "open"


def test_an_adapter_with_a_ring_stops_it_down() -> None:
    assert list(settings("9:12 k7 ringless50 f/4 via f-e-ring")) == [
        "k7 ringless50 f-e-ring f/4 50mm"
    ]
    problem = fault("9:12 k7 ringless50 f/4 via f-e-ring\n9:30 k7 via f-e-reducer")
    assert problem.text.endswith("it stays wide open (carried on)")
    assert (problem.line, under_caret(problem)) == (3, "f-e-reducer")


def test_a_carried_f_number_is_held_against_a_new_focal_length() -> None:
    problem = fault("9:12 k7 zoom3570 f/3.5 35mm\n9:30 k7 70mm\n9:40 k7 50mm")
    assert problem.text == "f/3.5 is wider than zoom3570's f/4.5 (carried on)"
    assert (problem.line, under_caret(problem)) == (3, "70mm")
    # Between the ends its maximum aperture isn't known, so f/3.5 may be right.
    assert list(settings("9:12 k7 zoom3570 f/3.5 50mm")) == ["k7 zoom3570 m42-e f/3.5 50mm"]


# Order -----------------------------------------------------------------------------------------


def test_an_earlier_time_needs_a_date() -> None:
    problem = fault("23:50 k7 miran58\n0:10 k7 f/4\n0:20 k7 f/8")
    assert problem.text == "earlier than the entry above (23:50 in line 2)"
    assert (problem.line, under_caret(problem)) == (3, "0:10")
    assert len(spans("23:50 k7 miran58\ndate 2026-05-18\n0:10 k7 f/4")) == 2
    back = fault("9:12 k7 miran58\ndate 2026-05-16\n9:30 k7 f/4")
    assert back.text == "earlier than the entry above (2026-05-17 9:12 in line 2)"


def test_the_same_minute_is_not_earlier() -> None:
    assert len(spans("9:12:30 k7 miran58\n9:12 k7 f/4\n9:12 k7 f/5.6")) == 3


@pytest.mark.parametrize("entry", ["10:20 k7 f/4", "10:06 k7 f/4", "10:29 k7 f/4", "10:20 k7 off"])
def test_nothing_falls_inside_an_entry_with_an_end(entry: str) -> None:
    problem = fault(f"10:05-10:30 k7 miran58\n{entry}")
    assert problem.text == "falls inside line 2's 10:05-10:30"
    assert under_caret(problem) == entry.split()[0]


def test_an_entry_with_an_end_holds_those_after_the_next_one() -> None:
    # The second may have come after 10:30:30, the third can't.
    problem = fault("10:05-10:30:30 k7 miran58\n10:30 k7 f/4\n10:30:10 k7 f/8")
    assert (problem.line, problem.text) == (4, "falls inside line 2's 10:05-10:30:30")


@pytest.mark.parametrize("entry", ["10:29-10:40 k7 f/4", "10:10-10:20 k7 f/4"])
def test_two_entries_with_an_end_dont_overlap(entry: str) -> None:
    problem = fault(f"10:05-10:30 k7 miran58\n{entry}")
    assert problem.text == "overlaps line 2's 10:05-10:30"


@pytest.mark.parametrize(
    "entries",
    [
        "10:05-10:30 k7 miran58\n10:30-10:40 k7 f/4\n10:40 k7 f/8",
        "10:05-10:30 k7 miran58\n10:05 k7 f/4",
        "10:05-10:30 k7 miran58\n10:20 n2 tolvan28",
        "slack 2m\n10:05-10:30 k7 miran58\n10:29-10:40 k7 f/4",
    ],
)
def test_what_may_touch_and_no_more_is_fine(entries: str) -> None:
    assert len(spans(entries)) >= 2


def test_many_entries_are_read_in_reasonable_time() -> None:
    minutes = (datetime(2026, 5, 17) + timedelta(minutes=count) for count in range(1400))
    text = "".join(f"{at:%H:%M}-{at:%H:%M} k7 miran58 f/4\n" for at in minutes)
    assert len(spans(text, AWKWARD_KIT)) == 1400


# Places, broader and narrower ------------------------------------------------------------------

BROAD = "all k7 miran58 f/4\n"


@pytest.mark.parametrize(
    ("lines", "meant"),
    [
        # The lines between speak of other frames, whichever lens they name.
        ("day1/ k7 brask135 f/8\nday2/ k7 f/8", "miran58 m42-e f/8 58mm"),
        ("K7_0212 k7 brask135 f/8\nday2/ k7 f/8", "miran58 m42-e f/8 58mm"),
        ("day1/ k7 brask135 f/8\nday1/K7_0212 k7 f/11", "brask135 m42-e f/11 135mm"),
        ("day1/ k7 brask135 f/8\ncards/day2/ k7 miran58", "miran58 m42-e f/4 58mm"),
        ("day1/ k7 brask135 f/8\nday1/a/ k7 f/11", "brask135 m42-e f/11 135mm"),
        ("K7_02* k7 brask135 f/8\nK7_0212 k7 f/11", "brask135 m42-e f/11 135mm"),
        ("2026-05-17 k7 brask135 f/8\n2026-05-18 k7 f/8", "miran58 m42-e f/8 58mm"),
        ("9:12 k7 brask135 f/8\nday1/ k7 f/8", "miran58 m42-e f/8 58mm"),
        # All readings mean the same.
        ("K7_0212 k7 miran58 f/8\nK7_0213 k7 f/11", "miran58 m42-e f/11 58mm"),
        ("K7_0212 k7 brask135 f/8\nK7_0213 k7 miran58 f/11", "miran58 m42-e f/11 58mm"),
        ("K7_0212 k7 brask135 f/8\nK7_0213 k7 off", "None None f/None Nonemm"),
        ("9:12 k7 f/8", "miran58 m42-e f/8 58mm"),
    ],
)
def test_a_place_carries_on_from_the_narrowest_group_around_it(lines: str, meant: str) -> None:
    assert list(settings(BROAD + lines))[-1] == f"k7 {meant}"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # The frames named may lie in the folder, or be made on the day.
        (
            BROAD + "day1/ k7 brask135 f/8\nK7_0212 k7 f/11",
            "miran58 as in line 2 or brask135 as in",
        ),
        (BROAD + "2026-05-17 k7 brask135 f/8\nday2/ k7 f/8", "miran58 as in line 2 or brask135"),
        (BROAD + "day1/ k7 brask135 f/8\n9:30 k7 f/8", "miran58 as in line 2 or brask135 as in"),
        # Name by name, the entry above is carried on.
        (BROAD + "K7_0212 k7 brask135 f/8\nK7_0213 k7 f/11", "miran58 as in line 2 or brask135"),
        (
            BROAD + "K7_0212 k7 miran58 f/8\nK7_0213 k7 (quay)",
            "f/4 as in line 2 or f/8 as in line 3",
        ),
        (BROAD + "K7_0212 k7 off\nK7_0213 k7 f/8", "miran58 as in line 2 or off as in line 3?"),
    ],
)
def test_two_readings_of_a_place_are_told(text: str, told: str) -> None:
    problem = fault(text)
    assert problem.text[: len(told)] == told
    assert problem.line == text.count("\n") + 2
    assert problem.expected in ("the lens to be named", "the f-number to be named")
    # What was expected mends it.
    named = " f/11" if "f-number" in problem.expected else " miran58"
    assert settings(text + named)


@pytest.mark.parametrize(
    "above", [START, "K7_0212 k7 brask135 f/8\n", "day1/ k7 miran58 f/4\n", "K7_02* k7 miran58\n"]
)
def test_a_group_carries_nothing_on_from_lines_about_other_frames(above: str) -> None:
    problem = fault(above + "day2/ k7 f/8")
    assert (problem.line, problem.text) == (3, "which lens on k7?")
