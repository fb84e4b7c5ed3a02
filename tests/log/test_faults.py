"""Faults: all in one go, each where it stands, none making another; and files that aren't text."""

from __future__ import annotations

import codecs
from pathlib import Path

import pytest

from flangeback.errors import InputError
from flangeback.log import parse_log, read_log
from support.log_gear import DAY, EXAMPLE_KIT, fault, faults, under_caret

GOOD = "date 2026-05-17\n9:12 k7 miran58 f/2.8 # Köln\n"


def test_six_faults_in_one_log_are_told_in_one_go() -> None:
    text = (
        "# Lindholm harbour\n"
        "date 05-06-2026\n"
        "zone Europe/Stokholm\n"
        "09:12\tk7 mirran58 f/2.8\n"
        "09:75  k7 f/4\n"
        "10:05 n2 tolvan28 T2.8\n"
        "10:20 n2 f/28   “quay wall”\n"
        "slate K7_0245\n"
    )
    with pytest.raises(InputError) as caught:
        parse_log(text, EXAMPLE_KIT, "outing.txt")
    found = caught.value.problems
    assert [(p.line, p.column, p.width, p.suggestion) for p in found] == [
        (2, 6, 10, None),
        (3, 6, 15, "Europe/Stockholm"),
        (4, 10, 8, "miran58"),
        (5, 1, 5, None),
        (6, 19, 4, None),
        (7, 10, 4, "f/2.8"),
    ]
    assert [p.source for p in found] == text.splitlines()[1:7]
    assert {p.file for p in found} == {"outing.txt"}
    assert [under_caret(p) for p in found] == [
        "05-06-2026",
        "Europe/Stokholm",
        "mirran58",
        "09:75",
        "T2.8",
        "f/28",
    ]
    assert str(found[2]).splitlines()[:3] == [
        'outing.txt:4:10: "mirran58" isn\'t understood',
        "    09:12\tk7 mirran58 f/2.8",
        "         \t   ^^^^^^^^",
    ]


@pytest.mark.parametrize(
    ("line", "column", "word"),
    [
        ("９：１２　ｋ７　ｍｉｒｒａｎ５８", 9, "ｍｉｒｒａｎ５８"),
        ("9:12 k7 “la\u0308ktare” mirran58", 20, "mirran58"),
        ("9:12 k7 mi\u200brr\u00adan58", 9, "mi\u200brr\u00adan58"),
        ("• 9:12 k7 \u00a0 mirran58,", 13, "mirran58"),
        ("K7_0212…K7_0230 k7 mirran58", 20, "mirran58"),
        ("9:12 k7 miran58 f／２８", 17, "f／２８"),
    ],
)
def test_carets_point_into_the_line_as_written(line: str, column: int, word: str) -> None:
    problem = faults(line)[0]
    assert (problem.source, problem.column) == (line, column)
    assert under_caret(problem) == word


@pytest.mark.parametrize(
    ("entry", "text", "word"),
    [
        ("9:12 k7", "the entry says nothing new", "9:12 k7"),
        ("9:12", "the entry says nothing new", "9:12"),
        ("K7_0212 k7", "the entry says nothing new", "K7_0212 k7"),
        ("k7 miran58 f/4", "no time and no frame names", "k7 miran58 f/4"),
        ("9:12 K7_0212 k7 miran58", "a time and frame names", "K7_0212"),
        ("K7_0212 9:12 k7 miran58", "a time and frame names", "9:12"),
        ("9:12 9:13 k7 miran58", "9:12, and 9:13 too", "9:13"),
        ("9:12 9:12 k7 miran58", "9:12 stands here twice", "9:12"),
        ("K7_0212 K7_0213 k7 miran58", "K7_0212, and K7_0213 too", "K7_0213"),
        ("9:12 k7 n2 miran58", "k7, and n2 too", "n2"),
        ("9:12 k7 K7 miran58", "K7 stands here twice", "K7"),
        ("9:12 k7 miran58 brask135", "miran58, and brask135 too", "brask135"),
        ("9:12 k7 miran58 m42-e via m42-e", "m42-e stands here twice", "m42-e"),
        ("9:12 k7 miran58 f/4 open", "f/4, and open too", "open"),
        ("9:12 k7 miran58 58mm 58mm", "58mm stands here twice", "58mm"),
        ('9:12 k7 miran58 "a" "b"', '"a", and "b" too', '"b"'),
        ("9:12 k7 off off", "off stands here twice", "off"),
        ("9:12 k7 off miran58 f/4", "miran58 can't stand with off", "miran58"),
        ("9:12 k7 f/4 off", "f/4 can't stand with off", "f/4"),
        ("9:12 k7 miran58 via", "via what?", "via"),
        ("9:12 k7 miran58 via n2", "n2 is a body", "n2"),
        ("2026-05-17 9:12 k7 miran58", "a date stands on a line of its own", "2026-05-17"),
        ("k7 miran58 Then", "k7's `first` is missing", "Then"),
        ("first k7", "the entry says nothing new", "first k7"),
        ("first then k7 miran58", "first, and then too", "then"),
        ("first First k7 miran58", "First stands here twice", "First"),
        ("9:12 first k7 miran58", "a time and `first`", "first"),
        ("first 9:12 k7 miran58", "a time and `first`", "9:12"),
        ("first K7_0212 k7 miran58", "frame names and `first`", "K7_0212"),
    ],
)
def test_entries_that_cant_stand(entry: str, text: str, word: str) -> None:
    problem = fault(entry)
    assert problem.text == text
    assert under_caret(problem) == word


@pytest.mark.parametrize(
    ("entry", "word", "suggestion"),
    [
        ("9:12 k7 mirran58", "mirran58", "miran58"),
        ("9:12 k7 MIRRAN58", "MIRRAN58", "miran58"),
        ("9:12 k7 miran58 via m42e", "m42e", "m42-e"),
        ("9:12 k7 miran58 opne", "opne", "open"),
        ("9:12 k7 miran58 8", "8", "f/8"),
        ("zoone Europe/Paris 9:12", "zoone", "zone"),
        ("9:12 k7 miran58 xyzzy", "xyzzy", None),
        ("09:00h k7 miran58", "09:00h", "09:00"),
        ("2026-05-17T09:00 k7 miran58", "2026-05-17T09:00", "09:00"),
    ],
)
def test_the_nearest_known_word_is_suggested(entry: str, word: str, suggestion: str | None) -> None:
    problem = faults(entry)[0]
    assert (under_caret(problem), problem.suggestion) == (word, suggestion)


def test_a_remark_without_quotes_is_one_fault() -> None:
    problem = fault("9:12 k7 miran58 down by the quay, at noon f/4")
    assert under_caret(problem) == "down by the quay, at noon"
    assert "a remark in quotes" in (problem.expected or "")


@pytest.mark.parametrize(
    "log",
    [
        # The lens is lost: nothing is held against the entries that carry it on.
        "9:12 k7 mirran58 f/1.4\n9:20 k7 f/99\n9:30 k7 via f-mft",
        # The lens before it is not the one meant.
        "9:12 k7 brask135 f/8\n9:20 k7 mirran58 f/2",
        # The adapter is lost, and there are two that would do.
        "9:12 k7 tolvan28 via fering f/4\n9:20 k7 f/8\n9:30 k7 tolvan28",
        # The time is lost, and it was the only one.
        "9:75 k7 miran58 f/4\n9:20 k7 f/8",
        # The body is lost: it may be any.
        "9:12 k7x miran58\n9:20 k7 f/8\n9:30 n2 f/4",
        # The zone is lost.
        "zone Europe/Stokholm\n9:12 k7 miran58",
        # One entry is out of order, and not those that follow it.
        "9:12 k7 miran58\n8:10 k7 f/4\n8:20 k7 f/8",
        # The f-number is out of range, and is not told again for the focal lengths below.
        "9:12 k7 zoom3570 f/2 35mm\n9:20 k7 50mm\n9:30 k7 70mm",
        # Two lenses: which one it was is not known below.
        "9:12 k7 miran58 brask135\n9:20 k7 f/2\n9:30 k7 f/22",
        # Quotes take the rest of the line.
        '9:12 k7 "quay miran58 f/4\n9:20 k7 f/8',
        # A lost lens may have named the adapter that the next entry carries on.
        "9:12 k7 tolvan82 f-e-ring f/4\n9:20 k7 tolvan28 f/8",
        # The f-number is lost, and the one above it is not the one meant.
        "9:12 k7 zoom3570 f/3.5 35mm\n9:20 k7 zoom3570 70mm xf8",
        # So is the focal length.
        "9:12 k7 zoom3570 open 70mm\n9:20 k7 zoom3570 f/3.5 x35mm",
        "9:12 k7 zoom3570 open 70mm\n9:20 k7 f/3.5 99mm",
        # An entry by frames between two times has lost its lens.
        "9:12 k7 miran58\nK7_0212 k7 brsk135\n9:30 k7 f/4",
        # The first zone is lost, and so is whether the second differs.
        "zone Europe/Stokholm\nzone +2\n9:12 k7 miran58",
        # Two bodies: the entry may be either's.
        "9:12 k7 n2 tolvan28 open\n9:20 n2 f/4\n9:30 k7 f/4",
        # A second `first`, however often, and what carries on from it.
        "first k7 miran58 f/2.8\nfirst k7 f/4\nfirst k7 f/8\n9:40 k7 f/5.6",
        # Without its `first`, however many follow.
        "then k7 miran58 f/2.8\nthen k7 f/4",
        # The body of the first isn't understood: it may be anyone's.
        "first k77 miran58 f/2.8\nthen k7 f/4",
    ],
)
def test_one_fault_makes_no_other(log: str) -> None:
    fault(log)


def test_faults_in_different_words_of_a_line_are_all_told() -> None:
    found = faults("9:75 k7 mirran58 T2 99mm #")
    assert [under_caret(problem) for problem in found] == ["9:75", "mirran58", "T2"]
    found = faults("k7 miran58 f/99 99mm via f-mft")
    assert [under_caret(problem) for problem in found] == [
        "k7 miran58 f/99 99mm via f-mft",
        "f/99",
        "99mm",
        "f-mft",
    ]


# Files -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        GOOD.encode(),
        codecs.BOM_UTF8 + GOOD.encode(),
        codecs.BOM_UTF16_LE + GOOD.encode("utf-16-le"),
        codecs.BOM_UTF16_BE + GOOD.replace("\n", "\r\n").encode("utf-16-be"),
    ],
)
def test_encodings(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "session.txt"
    path.write_bytes(data)
    log = read_log(path, EXAMPLE_KIT)
    assert log.file == str(path)
    assert log.spans[0].setting.log == str(path)
    assert log.entries == parse_log(GOOD, EXAMPLE_KIT).entries
    assert log.lines[1] == "9:12 k7 miran58 f/2.8 # Köln"
    assert log.problem(2, "look", "a look").source == log.lines[1]


@pytest.mark.parametrize(
    ("data", "line", "column"),
    [
        (GOOD.encode("latin-1"), 2, 26),
        (codecs.BOM_UTF8 + GOOD.encode("latin-1"), 2, 26),
        (GOOD.encode("utf-16-le"), 1, None),
        (codecs.BOM_UTF16_LE + GOOD.encode("utf-16-le")[:-1], 2, 29),
        (b"\xff\xd8\xff\xe1\x10Exif", 1, 1),
    ],
)
def test_other_encodings_are_told_by_line(
    tmp_path: Path, data: bytes, line: int, column: int | None
) -> None:
    path = tmp_path / "session.txt"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_log(path, EXAMPLE_KIT)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.column) == (str(path), line, column)
    assert "UTF-8" in (problem.expected or "")


def test_no_such_log(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such session log"):
        read_log(tmp_path / "session.txt", EXAMPLE_KIT)
    with pytest.raises(InputError, match="can't be read"):
        read_log(tmp_path, EXAMPLE_KIT)


def test_an_empty_log_is_a_log() -> None:
    assert parse_log("", EXAMPLE_KIT).entries == ()
    assert parse_log(DAY + "\n# nothing\n   \n- \n", EXAMPLE_KIT).spans == ()


# What would be right ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("above", "line", "expected"),
    [
        ("23:50", "0:10", "`date 2026-05-18` above it, if midnight lies between"),
        ("23:50", "11:40", "`date 2026-05-18` above it, if midnight lies between"),
        (
            "11:50",
            "1:15",
            "13:15, if it was in the afternoon; `date 2026-05-18` above it, if midnight lies "
            "between",
        ),
        ("11:50", "1:15 am", "`date 2026-05-18` above it, if midnight lies between"),
        ("13:20", "1:15", "`date 2026-05-18` above it, if midnight lies between"),
    ],
)
def test_a_time_before_the_one_above_gets_both_its_readings(
    above: str, line: str, expected: str
) -> None:
    assert fault(f"{above} k7 miran58 f/2.8\n{line} k7 f/4").expected == expected


def test_the_last_day_there_is_has_a_next_one() -> None:
    with pytest.raises(InputError, match="`date 2200-01-01` above it"):
        parse_log("date 2199-12-31\n9:00 k7 off\n8:00 k7 off", EXAMPLE_KIT)


def test_a_lens_that_is_not_in_the_kit_is_told_what_is() -> None:
    expected = fault("9:12 k7 sonda90 f/4").expected
    assert expected is not None
    for key in EXAMPLE_KIT.lenses:
        assert key in expected


@pytest.mark.parametrize("line", ["4. k7 f/8", "1) miran58", "12. 9"])
def test_a_number_is_a_lists_only_where_an_entry_can_begin_after_it(line: str) -> None:
    assert any(found.column == 1 for found in faults(line))


def test_a_line_of_words_is_told_how_to_be_a_remark() -> None:
    assert str(fault("lindholm harbour, sunny").expected).startswith("# before a line that is a")
    assert not str(fault("9:12 k7 miran58 sunny").expected).startswith("#")


@pytest.mark.parametrize("line", ["k7 clock is 3 min 20 fast", "k7 clock 3m20s fast", "K7 Clock"])
def test_a_clock_after_its_body_is_one_fault(line: str) -> None:
    problem = fault(line)
    assert problem.text == "a clock's line begins with `clock`"
    assert problem.expected is not None
    assert problem.expected.startswith("clock BODY fast 3m20s")
