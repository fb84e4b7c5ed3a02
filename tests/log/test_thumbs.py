"""A log as thumbs write it: what has one reading is understood, two are a fault with both."""

from __future__ import annotations

from datetime import date, timedelta, timezone

import pytest

from flangeback.errors import InputError, Problem
from flangeback.kit import parse_kit
from flangeback.log import parse_log
from flangeback.log.model import ClockOffset, FrameGroup, FrameRange, GroupKind
from flangeback.log.vocabulary import A_LENS, A_STOP
from support.log_gear import DAY, EXAMPLE_KIT, fault, faults, read, under_caret
from support.log_printing import format_log

KVARN = """
[lens.kvarn50]
name = "Kvarn 50mm f/1.8"
focal = 50
widest = 1.8
narrowest = 16
mount = "M42"
[lens.kvarn135]
name = "Kvarn 135mm f/2.8"
focal = 135
widest = 2.8
narrowest = 22
mount = "M42"
[lens.kvarn20]
name = "Kvarn Wide 20mm f/4"
maker = "Ostrava"
focal = 20
widest = 4
narrowest = 22
mount = "M42"
[lens.zoom1635]
name = "Brask 16-35mm f/4"
focal = [16, 35]
widest = 4
narrowest = 22
mount = "M42"
"""
HEAD = (
    '[body.k7]\nmodel = "Kestrin K7"\nmount = "E"\n'
    '[adapter.m42-e]\nlens_mount = "M42"\nbody_mount = "E"\n'
)
KIT = parse_kit(HEAD + KVARN)


# f-numbers and remarks -------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["5.6", "5,6", "5.60", "f5.6", "f/5.6"])
def test_a_decimal_of_the_marked_series_is_an_f_number(written: str) -> None:
    assert read(f"9:12 k7 miran58 {written}").spans[0].setting.f_number is not None
    assert str(read(f"9:12 k7 miran58 {written}").spans[0].setting.f_number) == "5.6"


def test_the_widest_mark_of_all_is_an_f_number() -> None:
    # Lenses that open to f/0.95 are marked so (common practice).
    problem = fault("9:12 k7 miran58 0.95")
    assert problem.text == "f/0.95 is wider than miran58's f/2"


@pytest.mark.parametrize("written", ["5.7", "8", "11", "2.7"])
def test_other_bare_numbers_are_told_what_they_may_be(written: str) -> None:
    problem = fault(f"9:12 k7 miran58 {written}")
    assert problem.suggestion == f"f/{written}"


def test_a_question_mark_is_an_f_number_not_noted() -> None:
    assert (
        read("9:12 k7 miran58 ?").entries[0].aperture
        == read("9:12 k7 f/? miran58").entries[0].aperture
    )
    assert fault("9:12 k7 miran58 ? f/4").text == "?, and f/4 too"


@pytest.mark.parametrize(
    ("written", "remark"),
    [
        ("(quay wall)", "quay wall"),
        ("(f/4 – or #8)", "f/4 – or #8"),
        ("f/4(quay)", "quay"),
        ("（quay）", "quay"),
        ('(the "Gull\'s" mate)', 'the "Gull\'s" mate'),
    ],
)
def test_round_brackets_are_remarks(written: str, remark: str) -> None:
    log = read(f"9:12 k7 miran58 {written}")
    assert log.entries[0].remark == remark
    assert parse_log(format_log(log), EXAMPLE_KIT) == log


def test_a_bracket_that_isnt_closed() -> None:
    problem = fault("9:12 k7 miran58 (quay wall")
    assert (problem.text, under_caret(problem)) == ("this bracket isn't closed", "(quay wall")


# Times and dates -------------------------------------------------------------------------------


@pytest.mark.parametrize("line", ["1516 k7 miran58", "k7 1516 miran58", "15:16 k7 miran58"])
def test_a_time_without_its_dots(line: str) -> None:
    assert read(line).entries[0].start == read("15:16 k7 off").entries[0].start


def test_figures_that_are_a_time_or_a_lens_are_told_both() -> None:
    problem = _fault("1635 k7 f/4")
    assert problem.text == '"1635" can be 16:35 or zoom1635'
    (span,) = parse_log(DAY + "9:12 k7 1635 20mm f/4", KIT).spans
    assert span.setting.lens == "zoom1635"


@pytest.mark.parametrize(
    ("written", "suggestion"), [("912", "9:12"), ("noon", "12:00"), ("midnight", "00:00")]
)
def test_near_misses_of_a_time(written: str, suggestion: str) -> None:
    problem = fault(f"{written} k7 miran58")
    assert (under_caret(problem), problem.suggestion) == (written, suggestion)


DAYS = (date(2026, 5, 16), date(2026, 5, 17), date(2025, 6, 5))


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("17 May", date(2026, 5, 17)),
        ("May 17", date(2026, 5, 17)),
        ("Sunday", date(2026, 5, 17)),
        ("sat", date(2026, 5, 16)),
        # Two readings, one of which is a day with frames.
        ("05/06/2025", date(2025, 6, 5)),
    ],
)
def test_the_frames_days_tell_what_a_date_leaves_open(written: str, day: date) -> None:
    # 2026-05-17 is a Sunday (ISO 8601 calendar).
    log = parse_log(f"date {written}\n9:12 k7 miran58", EXAMPLE_KIT, days=DAYS)
    start = log.entries[0].start
    assert start is not None
    assert start.earliest.date() == day


@pytest.mark.parametrize(
    "line",
    ["2026-05-17", "- 17.5.2026:", "17 May 2026", "Sunday, 17 May 2026", "date Sun 17.5.2026"],
)
def test_a_date_alone_is_a_date_line(line: str) -> None:
    log = parse_log(f"date 2026-05-16\n{line}\n9:12 k7 miran58", EXAMPLE_KIT)
    start = log.entries[0].start
    assert start is not None
    assert start.earliest.date() == date(2026, 5, 17)


def test_a_weekday_that_isnt_the_dates_is_a_fault() -> None:
    problem = fault("Monday 17 May 2026")
    assert (problem.text, under_caret(problem)) == ("2026-05-17 is no Monday", "Monday")


@pytest.mark.parametrize("written", ["sunset", "sunny", "march", "maybe 17", "17 marvellous"])
def test_words_that_begin_like_a_day_are_none(written: str) -> None:
    assert fault(f"date {written}").text == f'"{written}" isn\'t a date'


@pytest.mark.parametrize("line", ["clock k7 3m20s fast", "clock k7 3 min 20 s fast sure"])
def test_how_much_a_clock_is_fast_may_stand_first(line: str) -> None:
    assert [clock.ahead for clock in read(line).clocks if isinstance(clock, ClockOffset)] == [
        timedelta(seconds=200)
    ]
    assert fault("clock k7 3m20s").text == "fast or slow is missing"
    assert fault("clock k7 3m20s right").text == "fast or slow is missing"


@pytest.mark.parametrize(
    ("written", "days", "text", "expected"),
    [
        ("17 May", (), "17 May of which year?", None),
        ("18 May", DAYS, "no frame was made on 18 May", None),
        ("Sunday", (*DAYS, date(2026, 5, 24)), "Sunday can be more than one day",
         "2026-05-17 or 2026-05-24"),
        ("17 May", (*DAYS, date(2025, 5, 17)), "17 May can be more than one day",
         "2025-05-17 or 2026-05-17"),
    ],
)  # fmt: skip
def test_a_date_that_stays_open_is_a_fault(
    written: str, days: tuple[date, ...], text: str, expected: str | None
) -> None:
    with pytest.raises(InputError) as caught:
        parse_log(f"date {written}\n9:12 k7 miran58", EXAMPLE_KIT, days=days)
    (problem,) = caught.value.problems
    assert (problem.text, under_caret(problem)) == (text, written)
    assert expected is None or problem.expected == expected


@pytest.mark.parametrize(
    ("written", "offset"),
    # Source: the IANA time zone database; summer time in central Europe is UTC+2.
    [("CEST", "+02:00"), ("cet", "+01:00"), ("EST", "-05:00")],
)
def test_abbreviated_zones_are_refused_with_their_offset(written: str, offset: str) -> None:
    problem = fault(f"zone {written}\n9:12 k7 miran58")
    assert (under_caret(problem), problem.suggestion) == (written, offset)


def test_no_abbreviation_is_suggested_for_a_zone() -> None:
    # MEZ is German for CET; the time zone database has a zone MET.
    assert fault("zone MEZ\n9:12 k7 miran58").suggestion is None


def test_an_abbreviation_of_several_zones_names_them_all() -> None:
    # Ireland's summer, Israel's winter, India (IANA time zone database).
    assert "+01:00 or +02:00 or +05:30" in str(fault("zone IST").expected)
    assert read("zone GMT\n9:12 k7 miran58").zone is not None
    assert read("zone UTC\n9:12 k7 miran58").zone != timezone(timedelta(hours=1))


# Lenses and bodies by a part of their name -----------------------------------------------------


def _fault(line: str) -> Problem:
    with pytest.raises(InputError) as caught:
        parse_log(DAY + line, KIT)
    (problem,) = caught.value.problems
    return problem


@pytest.mark.parametrize(
    ("words", "lens"),
    [
        ("kvarn 50", "kvarn50"),
        ("the 135", "kvarn135"),
        ("50 kvarn", "kvarn50"),
        ("Kvarn 135mm", "kvarn135"),
        ("wide", "kvarn20"),
        ("ostrava", "kvarn20"),
        ("the kvarn50", "kvarn50"),
        ("zoom 20mm", "zoom1635"),
        ("wi", "kvarn20"),
        ("ide", "kvarn20"),
        ("n50", "kvarn50"),
        ("oom 16-35 20mm", "zoom1635"),
        ("16-35 20mm", "zoom1635"),
    ],
)
def test_a_lens_by_any_part_that_fits_only_one(words: str, lens: str) -> None:
    for body in ("k7", "kestrin"):
        (span,) = parse_log(f"{DAY}9:12 {body} {words} f/8", KIT).spans
        assert (span.body, span.setting.lens, str(span.setting.f_number)) == ("k7", lens, "8")


def test_a_focal_length_that_only_one_lens_has_names_it() -> None:
    log = parse_log(DAY + "9:12 k7 50mm f/2\n9:20 k7 f/4\n9:30 k7 135mm 5.6", KIT)
    held = [(span.setting.lens, span.setting.f_number) for span in log.spans]
    assert [(lens, str(f_number)) for lens, f_number in held] == [
        ("kvarn50", "2"),
        ("kvarn50", "4"),
        ("kvarn135", "5.6"),
    ]


def test_a_focal_length_that_more_lenses_have_names_none() -> None:
    assert _fault("9:12 k7 20mm f/4").text == "which lens on k7?"
    assert _fault("9:12 k7 kvarn50\n9:20 k7 20mm").text == "kvarn50 has no 20 mm"
    (_, zoomed) = parse_log(DAY + "9:12 k7 zoom1635\n9:20 k7 20mm", KIT).spans
    assert (zoomed.setting.lens, str(zoomed.setting.focal_length)) == ("zoom1635", "20")


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ("kvarn", '"kvarn" can be kvarn50, kvarn135 or kvarn20'),
        ("20", '"20" can be f/20 or kvarn20'),
        ("kvarn50 kvarn135", "kvarn50, and kvarn135 too"),
        ("kva 50 135", "kva 50, and 135 too"),
        ("kv", '"kv" can be kvarn50, kvarn135 or kvarn20'),
        ("varn", '"varn" can be kvarn50, kvarn135 or kvarn20'),
        ("n50 n135", "n50, and n135 too"),
    ],
)
def test_a_part_that_fits_more_is_a_fault_with_all_of_them(words: str, text: str) -> None:
    assert _fault(f"9:12 k7 {words}").text == text


@pytest.mark.parametrize("words", ["k5", "5", "n5", "kvarn5", "kvarns", "kvarn?", "the", "m16"])
def test_what_is_no_part_of_a_name_isnt_understood(words: str) -> None:
    assert "isn't understood" in _fault(f"9:12 k7 {words}").text


@pytest.mark.parametrize("word", ["to", "no", "me"])
def test_a_word_of_a_sentence_is_no_lens(word: str) -> None:
    """`to f/8` mounts no lens whose name begins so."""
    lens = '[lens.{0}28]\nname = "{0} 28mm f/2.8"\nfocal = 28\nwidest = 2.8\nmount = "M42"\n'
    names = ("tolvan", "nordan", "meran")
    kit = parse_kit(HEAD + "".join(lens.format(name) for name in names))
    with pytest.raises(InputError, match=f'"{word}" isn\'t understood'):
        parse_log(f"{DAY}9:00 k7 meran28 f/4\n9:12 k7 {word} f/8", kit)
    for name in names:
        (span,) = parse_log(f"{DAY}9:12 k7 {name[:3]} f/8", kit).spans
        assert span.setting.lens == f"{name}28"


def test_the_logs_own_words_come_first() -> None:
    nexion = '[lens.nexion50f2]\nname = "Nexion 50mm Open"\nfocal = 50\nwidest = 1.8\n'
    kit = parse_kit(HEAD + KVARN + nexion + 'mount = "M42"\n')
    for words, f_number in (("nexi open", "1.8"), ("nexi f2", "2"), ("xio 2.8", "2.8")):
        (span,) = parse_log(f"{DAY}9:12 k7 {words}", kit).spans
        assert (span.setting.lens, str(span.setting.f_number)) == ("nexion50f2", f_number)
    # `on` is in its name, too; who writes it here means no lens.
    assert '"on" isn\'t understood' in fault("9:12 k7 kvarn50 f/4\n9:20 k7 on f/8", kit).text


def test_an_f_number_in_a_name_is_no_part_of_it() -> None:
    assert _fault("9:12 k7 kvarn50 1.8 f/2").text == "1.8, and f/2 too"
    assert parse_log(DAY + "9:12 k7 kvarn50 2.8", KIT).spans[0].setting.lens == "kvarn50"


# Places ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "kind", "name"),
    [
        ("all", GroupKind.ALL, "all"),
        ("All:", GroupKind.ALL, "All"),
        ("day1/", GroupKind.FOLDER, "day1"),
        ("cards\\day1\\", GroupKind.FOLDER, "cards/day1"),
        ('"old cards/"', GroupKind.FOLDER, "old cards"),
        ("2026-08-03", GroupKind.DAY, "2026-08-03"),
        ("23.8.2026", GroupKind.DAY, "2026-08-23"),
        ("K7_02*", GroupKind.PATTERN, "K7_02*"),
        ("day1/*.jpg", GroupKind.PATTERN, "day1/*.jpg"),
        ('"IMG 02*"', GroupKind.PATTERN, "IMG 02*"),
        ("*", None, None),
    ],
)
def test_groups_of_frames(written: str, kind: GroupKind | None, name: str | None) -> None:
    if kind is None:
        assert fault(f"{written} k7 miran58").text == "no time and no frame names"
        return
    log = parse_log(f"{written} k7 miran58 f/4", EXAMPLE_KIT)
    (entry,) = log.entries
    assert isinstance(entry.frames, FrameGroup)
    assert (entry.frames.kind, entry.frames.name.name) == (kind, name)
    assert parse_log(format_log(log), EXAMPLE_KIT) == log


@pytest.mark.parametrize(
    ("written", "first", "last"),
    [
        ("jpeg-501", "jpeg-501", "jpeg-501"),
        ("sunset", "sunset", "sunset"),
        ("sunset.jpg", "sunset", "sunset"),
        ('"IMG 1"', "IMG 1", "IMG 1"),
        ("“IMG – 1”", "IMG - 1", "IMG - 1"),
        ('"miran58"', "miran58", "miran58"),
        ('"501"', "501", "501"),
        ('"IMG (1)".."IMG (9)"', "IMG (1)", "IMG (9)"),
        ('"old cards/IMG 1" .. "IMG 9"', "old cards/IMG 1", "old cards/IMG 9"),
    ],
)
def test_names_of_any_shape_where_a_place_stands(written: str, first: str, last: str) -> None:
    log = parse_log(f'{written} k7 miran58 f/4 "quay"', EXAMPLE_KIT)
    (entry,) = log.entries
    assert isinstance(entry.frames, FrameRange)
    assert (entry.frames.first.name, entry.frames.last.name) == (first, last)
    assert entry.remark == "quay"
    assert parse_log(format_log(log), EXAMPLE_KIT) == log


@pytest.mark.parametrize(
    "line", ['"quay" 9:12 k7 miran58', '9:12 "quay" k7 miran58', '"quay" first k7 miran58']
)
def test_quotes_are_a_remark_where_something_else_is_the_place(line: str) -> None:
    (entry,) = read(line).entries
    assert (entry.remark, entry.frames) == ("quay", None)


def test_names_in_quotes_of_slates_and_clocks() -> None:
    log = read('slate "IMG 1" K7_0001 "k7"\nclock k7 "IMG 2" shows 9:14:05')
    assert [slate.name for slate in log.slates] == ["IMG 1", "K7_0001", "k7"]
    assert parse_log(format_log(log), EXAMPLE_KIT) == log


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("9:12 all k7 miran58", "a time and frame names"),
        ("all day1/ k7 miran58", "all, and day1/ too"),
        ("2026-05-17 9:12 k7 miran58", "a date stands on a line of its own"),
        ("2026-05-17 1:16 k7 miran58", "a date stands on a line of its own"),
        ("2026-02-30 k7 miran58", "2026-02 has no day 30"),
        ("05/06/2026 k7 miran58", "a date is written with the year first"),
        ('"/" k7 miran58', '"/" isn\'t a frame name'),
        ("quay wall k7 miran58", '"quay wall" isn\'t understood'),
        ("9:12 k7 miran58 jpeg-501", '"jpeg-501" isn\'t understood'),
        ("alll k7 miran58", '"alll" isn\'t understood'),
        ("sonda90 k7 f/4", "which lens on k7?"),
        ("sunset", '"sunset" isn\'t understood'),
    ],
)
def test_near_misses_of_places(line: str, text: str) -> None:
    assert text in [problem.text for problem in faults(line)]


# The kit as the log ----------------------------------------------------------------------------


def test_a_kit_given_as_the_log_is_one_fault() -> None:
    text = "# my gear\n" + HEAD + KVARN
    with pytest.raises(InputError) as caught:
        parse_log(text, EXAMPLE_KIT)
    (problem,) = caught.value.problems
    assert problem.text == "this is a kit, not a session log"
    assert (problem.line, under_caret(problem)) == (2, "[body.k7]")


def test_blanks_of_a_draft_that_were_left_are_told() -> None:
    with pytest.raises(InputError) as caught:
        parse_log(f"K7_0209..K7_0215  k7 {A_LENS} {A_STOP}", KIT)
    lens, stop = caught.value.problems
    assert (lens.text, stop.text) == (
        f"{A_LENS} is a blank, to be filled in",
        f"{A_STOP} is a blank, to be filled in",
    )
    assert "kvarn50" in str(lens.expected)


@pytest.mark.parametrize(("word", "meant"), [("8", "f/8"), ("56", None)])
def test_a_number_is_taken_for_a_stop_only_where_rings_have_it(
    word: str, meant: str | None
) -> None:
    """Marked series of full, half and third stops (ISO 517)."""
    assert _fault(f"9:12 k7 kvarn50 {word}").suggestion == meant
