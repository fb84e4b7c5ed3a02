"""The log lines that the page offers say what they are offered for."""

from __future__ import annotations

from dataclasses import replace

import pytest

import flangeback
from flangeback import Outcome
from flangeback.clock.model import ClockSource, StatedClock
from flangeback.demo import Outing
from flangeback.match.clock_fit import ClockFit
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import Estimate, Matches
from flangeback.report.settling import Answer, Case, cases
from flangeback.report.terminal import show_matches
from support.kits import whole_kit
from support.screens import Screen
from support.shots import KIT, log, matched, shot


@pytest.fixture(scope="module")
def session(outing: Outing) -> flangeback.Session:
    return flangeback.read_session(outing.frames)


@pytest.fixture(scope="module")
def found(session: flangeback.Session) -> list[Case]:
    matches = flangeback.match_frames(session.frames, session.logs, session.kit)
    return list(cases(matches, session.logs, session.kit))


def test_each_line_settles_its_frames(
    session: flangeback.Session, found: list[Case], outing: Outing
) -> None:
    text = outing.log.read_text("utf-8")
    for case in found:
        for answer in case.answers:
            lines = "\n".join(answer.lines)
            read = flangeback.parse_log(f"{text}\n{lines}\n", session.kit)
            again = flangeback.match_frames(session.frames, [read], session.kit)
            files = {one.frame.file for one in case.run.frames}
            for one in again.frames:
                if one.frame.file in files:
                    assert one.outcome in (Outcome.FILL, Outcome.NATIVE), answer.lines
                    assert one.log_line is not None
                    assert one.log_line > len(text.splitlines())


def test_a_frame_within_a_change_may_be_of_either_side(found: list[Case]) -> None:
    (unsure,) = [case for case in found if case.run.names == "K7_0216"]
    assert [answer.lines for answer in unsure.answers] == [
        ("K7_0216 k7 miran58 f/8 via m42-e",),
        ("K7_0216 k7 brask135 f/5.6 via m42-e",),
    ]


def test_a_frame_that_no_entry_covers_may_be_of_what_stood_around_it(found: list[Case]) -> None:
    (pair,) = [case for case in found if case.run.names == "K7_0222..0223"]
    assert [answer.lines[0].split(" ", 2)[2] for answer in pair.answers] == [
        "brask135 f/5.6 via m42-e",
        "miran58 f/4 via m42-e",
        "off",
    ]


def test_an_f_number_that_was_not_noted_may_be_any_on_the_ring() -> None:
    text = "9:00 k7 miran58 f/?\n"
    found = list(cases(matched([shot("K7_0200", "09:10:00")], text), [log(text)], whole_kit()))
    marks = [answer.lines[0].split()[3] for answer in found[0].answers]
    # The full stops of ISO 517 from the lens's widest to its narrowest.
    assert marks == ["f/2", "f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16"]


def test_a_ring_that_the_light_says_was_turned_may_stand_at_either_mark(found: list[Case]) -> None:
    (turned,) = [case for case in found if case.run.names == "K7_0220..0221"]
    assert [answer.lines[0].split()[3] for answer in turned.answers] == ["f/5.6", "f/11"]


def test_of_an_estimate_only_the_marks_that_it_allows_are_offered() -> None:
    text = "9:00 k7 miran58 f/?\n"
    (open_one,) = matched([shot("K7_0200", "09:10:00")], text).frames
    estimated = replace(open_one, estimate=Estimate(5.6, 4.2, 7.0))
    (case,) = cases(Matches((estimated,)), [log(text)], KIT)
    assert case.answers == ()  # Without the log's changes there is nothing to say.
    matches = replace(matched([shot("K7_0200", "09:10:00")], text), frames=(estimated,))
    (case,) = cases(matches, [log(text)], KIT)
    assert [answer.lines[0].split()[3] for answer in case.answers] == ["f/4", "f/5.6", "f/8"]


def test_a_clock_that_is_contradicted_is_asked_about_once() -> None:
    text = "clock k7 right\n9:00 k7 miran58 f/8\n"
    found = matched([shot("K7_0200", "09:10:00")], text)
    fit = ClockFit(
        "k7", StatedClock(lines=(2,), source=ClockSource.LOG), 200.0, 5000.0, agrees=False
    )
    doubted = [
        replace(one, outcome=Outcome.UNSURE, doubts=(Doubt(DoubtKind.CLOCK_UNSURE, "by 3m20s"),))
        for one in found.frames
    ]
    asked = replace(found, frames=tuple(doubted), clocks=(fit,))
    (case,) = cases(asked, [log(text)], KIT)
    assert (case.clock, case.run.names) == (fit, "K7_0200")
    assert case.answers == (Answer("", ("clock k7 fast 3m20s",), "instead of line 2"),)


def test_of_a_clock_that_is_only_doubted_both_are_asked_about() -> None:
    text = "8:00 k7 brask135 f/4\n9:00 k7 miran58 f/8\n"
    frames = [shot("K7_0200", "09:10:00"), shot("K7_0201", "09:20:00"), shot("K7_0202", "10:05:00")]
    found = matched(frames, text)
    fit = ClockFit("k7", StatedClock(), 3600.0, 17.0)
    doubt = Doubt(DoubtKind.CLOCK_UNSURE, "by 1h")
    open_ones = [replace(one, outcome=Outcome.UNSURE, doubts=(doubt,)) for one in found.frames]
    asked = replace(found, frames=tuple(open_ones), clocks=(fit,))
    clock, case = cases(asked, [log(text)], KIT)
    assert clock.answers == (Answer("", ("clock k7 fast 1h",)),)
    assert _shown(clock)[-1].rstrip().endswith("clock k7 fast 1h")
    no_line = clock._replace(answers=(), clock=replace(fit, is_carried=False))
    assert "clock k7 NAME shows HH:MM:SS" in " ".join(" ".join(_shown(no_line)).split())
    assert case.answers == (
        Answer(
            "if its clock was 1h fast",
            (
                "K7_0200..K7_0201 k7 brask135 f/4 via m42-e",
                "K7_0202 k7 miran58 f/8 via m42-e",
            ),
        ),
        Answer("", ("K7_0200..K7_0202 k7 miran58 f/8 via m42-e",)),
    )


def _shown(case: Case) -> list[str]:
    screen = Screen(200)
    show_matches(screen, Matches(()), [case])
    return screen.lines


@pytest.mark.parametrize("stated", ["", "clock n2 fast 4m", "clock n2 right"])
def test_every_frame_that_needs_a_person_is_asked_about(
    session: flangeback.Session, outing: Outing, stated: str
) -> None:
    text = outing.log.read_text("utf-8")
    lines = [stated if one.startswith("clock n2") else one for one in text.splitlines()]
    read = flangeback.parse_log("\n".join(lines), session.kit)
    matches = flangeback.match_frames(session.frames, [read], session.kit)
    asked = list(cases(matches, [read], session.kit))
    shown = {one.frame.file for case in asked for one in case.run.frames}
    for found in matches.frames:
        assert found.frame.file in shown or not found.outcome.needs_person


@pytest.mark.parametrize("left_out", ["clock k7", "clock n2"])
def test_a_clock_s_line_put_where_it_says_settles_its_frames(
    session: flangeback.Session, outing: Outing, left_out: str
) -> None:
    lines = outing.log.read_text("utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith(left_out))
    lines[at] = "clock k7 fast 1h3m20s" if left_out == "clock k7" else ""
    read = flangeback.parse_log("\n".join(lines), session.kit)
    matches = flangeback.match_frames(session.frames, [read], session.kit)
    ((_, (line,), where),) = next(cases(matches, [read], session.kit)).answers
    if where:
        assert where == f"instead of line {at + 1}"
        lines[at] = line
    else:
        lines.append(line)
    again = flangeback.parse_log("\n".join(lines), session.kit)
    settled = flangeback.match_frames(session.frames, [again], session.kit)
    assert all(fit.is_borne_out for fit in settled.clocks)
    before, after = (one.totals.get(Outcome.FILL, 0) for one in (matches, settled))
    assert after > before


def test_where_entries_name_no_body_the_lines_name_none() -> None:
    text = "9:00 miran58 f/?\n"
    (case,) = cases(matched([shot("K7_0200", "09:10:00")], text), [log(text)], KIT)
    assert case.answers[0].lines == ("K7_0200 miran58 f/2",)


def test_a_range_has_no_other_frame_in_it() -> None:
    text = "9:00 k7 miran58 f/?\n9:00 n2 off\n"
    frames = [shot(f"K7_020{n}", f"09:1{n}:00", "n2" if n == 6 else "k7") for n in (0, 5, 6, 7)]
    (case,) = cases(matched(frames, text), [log(text)], KIT)
    assert case.answers[0].lines == (
        "K7_0200..K7_0205 k7 miran58 f/2 via m42-e",
        "K7_0207 k7 miran58 f/2 via m42-e",
    )


@pytest.mark.parametrize(
    "name", ["harbour", "Sub dir/K7 0203", "12", "f8", "all", "k7", "day.1/a_1", "first", "9.12"]
)
def test_a_name_of_any_shape_is_named_so_that_the_log_is_understood(name: str) -> None:
    text = "9:00 k7 miran58 f/?\n"
    frames = [shot(f"{name}.JPG", "09:10:00")]
    (case,) = cases(matched(frames, text), [log(text)], KIT)
    (one,) = matched(frames, text + "\n".join(case.answers[2].lines) + "\n").frames
    assert one.outcome is Outcome.FILL


def test_a_name_that_a_log_cannot_say_gets_no_line() -> None:
    text = "9:00 k7 miran58 f/?\n"
    (case,) = cases(matched([shot('say "a"', "09:10:00")], text), [log(text)], KIT)
    assert case.answers == ()


def test_nothing_is_asked_where_all_is_certain() -> None:
    text = "9:00 k7 miran58 f/8\n"
    assert not list(cases(matched([shot("K7_0200", "09:10:00")], text), [log(text)], KIT))


@pytest.mark.parametrize(
    "text",
    [
        "K7_0202 k7 miran58 f/?\n",
        "9:00 k7 miran58 f/8\nK7_0202..K7_0204 k7 miran58 f/?\n",
        "K7_020* k7 miran58 f/?\n",
        "K7_0200..K7_0207 k7 miran58 f/?\nK7_0203 k7 brask135 f/?\n",
        "all k7 miran58 f/?\n",
        "first k7 miran58 f/?\n",
        "9:10-9:13 k7 miran58 f/8\n9:16 k7 brask135 f/4\n",
        "slack 2m\n9:12 k7 miran58 f/8\n9:14 k7 off\n",
    ],
)
def test_every_line_put_where_it_says_settles_its_frames(text: str) -> None:
    frames = [shot(f"K7_020{n}", f"09:1{n}:00") for n in range(8)]
    answered = 0
    for case in cases(matched(frames, text), [log(text)], KIT):
        for answer in case.answers:
            lines = log(text).lines[1:]  # Below the date.
            number = int(answer.where.rpartition(" ")[2]) - 2 if answer.where else len(lines)
            put = [*lines[:number], *answer.lines, *lines[number + 1 :]]
            again = matched(frames, "\n".join(put) + "\n")
            files = {one.frame.file for one in case.run.frames}
            of_case = {one.outcome for one in again.frames if one.frame.file in files}
            assert of_case <= {Outcome.FILL, Outcome.NATIVE}, answer
            answered += 1
    assert answered
