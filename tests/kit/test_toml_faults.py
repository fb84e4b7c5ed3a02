"""Kit files that aren't TOML: what is wrong in plain words, with the line as it should be."""

from __future__ import annotations

import tomllib
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.errors import InputError
from flangeback.kit import parse_kit
from support.kits import K7, MIRAN58, problem_of, problems_of

BEFORE = '[body.k7]\nmount = "E"\n'

SLIPS = [
    # a line as people write it, part of what is said, the line as it should be (TOML 1.0)
    ("model = “Kestrin K7”", "curly quotation mark", 'model = "Kestrin K7"'),
    ("model = ‘Kestrin K7’", "curly quotation mark", 'model = "Kestrin K7"'),
    ("model = „Kestrin K7“  # mine", "curly quotation mark", 'model = "Kestrin K7"'),
    ("model = Kestrin K7", "in quotation marks", 'model = "Kestrin K7"'),
    ("serial = 0071133", "in quotation marks", 'serial = "0071133"'),
    ('model = "Kestrin K7', "mark is missing", 'model = "Kestrin K7"'),
    ("model = 'Kestrin K7", "mark is missing", 'model = "Kestrin K7"'),
    ('model = "Kestrin "K7""', "quotation marks in the text", 'model = "Kestrin K7"'),
    ('model: "Kestrin K7"', "no = behind model", 'model = "Kestrin K7"'),
    ('model "Kestrin K7"', "no = behind model", 'model = "Kestrin K7"'),
    ("sensor = 35.9 x 23.9", "figures stand alone", "sensor = [35.9, 23.9]"),
    ("sensor = [35.9, 23.9", "isn't closed", "sensor = [35.9, 23.9]"),
    ("sensor = [35,9 x 23,9]", "isn't closed", "sensor = [35.9, 23.9]"),
    ("focal = 58mm", "figures stand alone", "focal = 58"),
    ("focal = 35-70 mm", "figures stand alone", "focal = [35, 70]"),
    ("widest = f/2.8", "figures stand alone", "widest = 2.8"),
    ("widest = 1:2,8", "figures stand alone", "widest = 2.8"),
    ("widest = f/3.5–4.5", "figures stand alone", "widest = [3.5, 4.5]"),
    ("aperture_ring = yes", "true or false", "aperture_ring = true"),
    ("aperture_ring = False", "true or false", "aperture_ring = false"),
    ("[lens.miran 58]", "square brackets", "[lens.miran-58]"),
    ("[lens miran58]", "square brackets", "[lens.miran58]"),
    ("[lens.miran58", "square brackets", "[lens.miran58]"),
]


@pytest.mark.parametrize(("line", "said", "better"), SLIPS)
def test_a_slip_is_named_and_mended(line: str, said: str, better: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(BEFORE + line)
    problem = next(one for one in problems_of(BEFORE + line) if one.source is not None)
    assert said in problem.text
    assert (problem.line, problem.source) == (3, line)
    assert problem.expected == f"the line to read {better}"
    tomllib.loads(f"[any.key]\n{better}")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("model =", "nothing stands behind model ="),
        ("model", "no = behind model"),
        ('mount = "E"', "mount stands here for the second time"),
        ("[body.k7]", "[body.k7] stands here for the second time"),
        ("= 3", "isn't TOML"),
    ],
)
def test_what_cannot_be_mended_is_named(line: str, said: str) -> None:
    problem = problem_of(BEFORE + line)
    assert said in problem.text
    assert (problem.line, problem.source, problem.expected) == (3, line, None)


def test_slips_and_faults_come_in_one_go() -> None:
    text = "[body.k7]\nmodel = “Kestrin K7”\n[lens.a]\nname = Miran\nfocal = 58mm\nwidest = 0.1\n"
    found = [(one.line, one.text.split(":")[0]) for one in problems_of(text)]
    assert [line for line, _ in found] == [1, 2, 3, 4, 5, 6]
    assert found[0][1] == "[body.k7] mount"


def test_of_a_text_full_of_slips_the_first_hundred_are_told() -> None:
    text = "".join(f"[lens.l{n}]\nfocal = 35 mm\n" for n in range(1000))
    told = problems_of(text)
    assert [problem.line for problem in told] == list(range(2, 202, 2))


def test_a_missing_field_is_shown_as_a_line_to_paste() -> None:
    problem = problem_of(K7 + MIRAN58.replace("focal = 58\n", ""))
    assert problem.expected is not None
    line = problem.expected.splitlines()[-1].strip()
    assert parse_kit(K7 + MIRAN58.replace("focal = 58\n", line + "\n")).lenses


def test_a_mount_that_is_not_known_is_told_with_the_nearest() -> None:
    problem = problem_of(K7.replace('"E"', '"M43"'))
    assert problem.suggestion == "M42"
    assert "kit mounts" in str(problem.expected)
    assert "M42 and M39" in str(problem.expected)


@given(st.sampled_from([line for line, _, _ in SLIPS]), st.integers(0, 40), st.characters())
def test_a_slip_of_the_thumb_is_told_or_understood(line: str, at: int, letter: str) -> None:
    text = BEFORE + line[:at] + letter + line[at:]
    with suppress(InputError):
        assert parse_kit(text).bodies


@pytest.mark.parametrize(
    "log", ["date 2026-05-17\n9:12 k7 miran58\n", "# outing\n\n09:12 k7 miran58 f/2.8\n9:20 f/4\n"]
)
def test_a_session_log_given_as_the_kit_is_one_fault(log: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_kit(log)
    (problem,) = caught.value.problems
    assert problem.text == "this is a session log, not a kit"
    assert problem.line is not None
    assert problem.source == log.splitlines()[problem.line - 1]
