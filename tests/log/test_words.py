"""Every form that a word of a session log may have."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from flangeback.errors import InputError
from flangeback.kit import parse_kit
from flangeback.kit.reading import RESERVED_WORDS
from flangeback.log import parse_log
from flangeback.log.model import (
    Aperture,
    ApertureKind,
    ClockOffset,
    ClockReference,
    FrameRange,
    Moment,
)
from flangeback.log.vocabulary import CLOCK_WORDS, KEYWORDS, PLAIN_WORDS
from support.kits import MIRAN58, changed
from support.log_gear import AWKWARD_KIT, DAY, fault, faults, read, under_caret

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)


def at(clock: str, width: timedelta = MINUTE) -> Moment:
    start = datetime.fromisoformat(f"2026-05-17T{clock}")
    return Moment(start, start + width)


# Times -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["9:12", "09:12", "09.12", "9h12", "9H12", "9:12 am", "9.12AM"])
def test_a_time_to_the_minute(written: str) -> None:
    assert read(f"{written} k7 miran58").entries[0].start == at("09:12")


@pytest.mark.parametrize("written", ["09:12:30", "9.12.30", "9:12:30 a.m."])
def test_a_time_to_the_second(written: str) -> None:
    assert read(f"{written} k7 miran58").entries[0].start == at("09:12:30", SECOND)


@pytest.mark.parametrize(
    ("written", "means"),
    [
        ("9:12 pm", "21:12"),
        ("9:12pm", "21:12"),
        ("9:12 p.m.", "21:12"),
        ("12:05 am", "00:05"),
        ("12:05 pm", "12:05"),
        ("00:00", "00:00"),
    ],
)
def test_am_and_pm(written: str, means: str) -> None:
    assert read(f"k7 {written} miran58").entries[0].start == at(means)


@pytest.mark.parametrize(
    ("written", "text", "suggestion"),
    [
        ("24:00", "24:00 is the next day", None),
        ("9:75", "there is no minute 75", None),
        ("25:10", "there is no hour 25", None),
        ("9:12:61", "there is no second 61", None),
        ("13:00 pm", "13:00 pm mixes the 24-hour and the 12-hour clock", None),
        ("0:30 am", "0:30 am mixes the 24-hour and the 12-hour clock", None),
        ("9h", "9h has no minutes", "9h00"),
        ("9 pm", "9 pm has no minutes", "9:00 pm"),
        ("9:5", "minutes take two digits", "9:05"),
    ],
)
def test_times_that_are_none(written: str, text: str, suggestion: str | None) -> None:
    problem = fault(f"k7 {written} miran58")
    assert (problem.text, problem.suggestion) == (text, suggestion)
    assert under_caret(problem) == written


@pytest.mark.parametrize(
    ("written", "start", "end"),
    [
        ("10:05-10:30", "10:05", "10:30"),
        ("10:05 - 10:30", "10:05", "10:30"),
        ("10:05–10:30", "10:05", "10:30"),
        ("10:05 — 10.30", "10:05", "10:30"),
        ("10:05-10:30 pm", "22:05", "22:30"),
        ("11:50-12:10 pm", "11:50", "12:10"),
        ("10:05-1:30 pm", "10:05", "13:30"),
        ("9:00 am - 9:30", "09:00", "09:30"),
        ("10:30-10:30", "10:30", "10:30"),
        ("10:30:30-10:30", "10:30:30", "10:30"),
    ],
)
def test_start_and_end(written: str, start: str, end: str) -> None:
    entry = read(f"{written} k7 miran58").entries[0]
    width = SECOND if start.count(":") == 2 else MINUTE
    assert (entry.start, entry.end) == (at(start, width), at(end))


@pytest.mark.parametrize("written", ["10:30-10:05", "23:50-0:20"])
def test_an_end_before_its_start(written: str) -> None:
    problem = fault(f"{written} k7 miran58")
    assert problem.text == "this ends before it starts"
    assert problem.expected is not None
    assert "midnight" in problem.expected
    assert under_caret(problem) == written


@pytest.mark.parametrize(("written", "dash"), [("10:05-", "-"), ("10:05-soon", "-soon")])
def test_a_start_without_an_end_is_no_plain_time(written: str, dash: str) -> None:
    problem = fault(f"{written} k7 miran58")
    assert problem.text == "no time after the dash"
    assert under_caret(problem) == dash


# Apertures -------------------------------------------------------------------------------------

FAR = "are too far apart for a ring that stands between two marks"
F28 = Aperture(ApertureKind.STOP, (Decimal("2.8"),))


@pytest.mark.parametrize(
    "written",
    ["f/2.8", "f2.8", "F/2,8", "ƒ/2.8", "Ƒ2.8", "f:2.8", "f 2.8", "f / 2.8", "1:2.8", "f⁄2.80"],
)
def test_an_f_number(written: str) -> None:
    assert read(f"9:12 k7 {written} miran58").entries[0].aperture == F28


@pytest.mark.parametrize("written", ["open", "Open", "wide open", "OPEN."])
def test_wide_open(written: str) -> None:
    assert read(f"9:12 k7 miran58 {written}").entries[0].aperture == Aperture(ApertureKind.OPEN)


@pytest.mark.parametrize("written", ["f/?", "f?", "F/ ?", "ƒ/？"])
def test_an_aperture_not_noted(written: str) -> None:
    entry = read(f"9:12 k7 miran58 {written}").entries[0]
    assert entry.aperture == Aperture(ApertureKind.NOT_NOTED)


@pytest.mark.parametrize(
    "written", ["f/4-5.6", "f4-f5.6", "f5.6-f4", "f/4–5,6", "f/4 - f/5.6", "1:4-5.6"]
)
def test_between_two_stops(written: str) -> None:
    entry = read(f"9:12 k7 miran58 {written}").entries[0]
    assert entry.aperture == Aperture(ApertureKind.BETWEEN, (Decimal(4), Decimal("5.6")))


def test_between_two_equal_stops_is_that_stop() -> None:
    entry = read("9:12 k7 miran58 f/2.8-2.8").entries[0]
    assert entry.aperture == F28


# The marked full stops of ISO 517.
@pytest.mark.parametrize("stop", ["1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32"])
def test_the_marked_series_is_taken(stop: str) -> None:
    assert read(f"9:12 k7 exa50 f/{stop}").spans[0].setting.f_number == Decimal(stop)


@pytest.mark.parametrize("written", ["T2.8", "T/2.8", "t1.5", "T 2"])
def test_a_t_stop_is_refused(written: str) -> None:
    problem = fault(f"9:12 k7 miran58 {written}")
    assert problem.text == "a T-stop is not an f-number"
    assert under_caret(problem) == written


@pytest.mark.parametrize(
    ("written", "text", "suggestion"),
    [
        ("f/0", "f/0 is no f-number", None),
        ("f/28", "f/28 is beyond miran58's f/16", "f/2.8"),
        ("f/56", "f/56 is beyond miran58's f/16", "f/5.6"),
        ("f/22", "f/22 is beyond miran58's f/16", None),
        ("f/45", "f/45 is beyond miran58's f/16", "f/4.5"),
        ("f/99", "f/99 is beyond miran58's f/16", None),
        ("f/1.4", "f/1.4 is wider than miran58's f/2", None),
        ("f/4-22", "f/22 is beyond miran58's f/16", None),
        ("f/2-16", f"f/2 and f/16 {FAR}", None),
        ("f8-4", f"f/4 and f/8 {FAR}", None),
        ("f/8,11", "f/8,11 can be f/8.11, or f/8 and f/11", None),
        ("f/4,16-22", "f/4,16-22 can be f/4.16, or f/4 and f/16", None),
        ("f/2.8x", "f/2.8x isn't an f-number", None),
        ("f/1000", "f/1000 isn't an f-number", None),
        ("f/", "f/ isn't an f-number", None),
        ("2.7", '"2.7" isn\'t understood', "f/2.7"),
        ("8", '"8" isn\'t understood', "f/8"),
    ],
)
def test_f_numbers_that_are_none(written: str, text: str, suggestion: str | None) -> None:
    problem = fault(f"9:12 k7 miran58 {written}")
    assert (problem.text, problem.suggestion) == (text, suggestion)
    assert under_caret(problem) == written


UNLIMITED = parse_kit(changed(MIRAN58, "narrowest", None))


@pytest.mark.parametrize("written", ["f/1,25", "f/1.25", "f/1,05"])
def test_two_decimals_are_those_of_the_fastest_lenses(written: str) -> None:
    aperture = read(f"9:12 k7 exa50 {written}").entries[0].aperture
    assert aperture == Aperture(ApertureKind.STOP, (Decimal(written[2:].replace(",", ".")),))


@pytest.mark.parametrize(("written", "meant"), [("f/28", "f/2.8"), ("f/24", "f/2.4")])
def test_an_f_number_that_no_ring_has_lacks_its_point(written: str, meant: str) -> None:
    """Of ISO 517's series 2.8 and 2.4 are marks, 28 and 24 none; 25 is one of the third stops."""
    problem = fault(f"9:12 miran58 {written}", UNLIMITED)
    assert (problem.text, problem.suggestion) == (f"no ring is marked {written}", meant)
    assert read("9:12 miran58 f/25", UNLIMITED).spans[0].setting.f_number == 25
    narrow = parse_kit(changed(MIRAN58, "narrowest", written.removeprefix("f/")))
    assert str(read(f"9:12 miran58 {written}", narrow).spans[0].setting.f_number) == written[2:]


def test_a_limit_that_the_kit_does_not_name_is_told_as_assumed() -> None:
    problem = fault("9:12 miran58 f/64", UNLIMITED)
    assert problem.text == "f/64 is beyond f/32, the narrowest assumed for miran58"
    assert problem.expected == (
        "an f-number from f/2 to f/32, or narrowest = 64 in [lens.miran58] of the kit"
    )


def test_one_to_sixteen_is_a_time_or_an_f_number_by_what_else_stands_there() -> None:
    alone = read("1:16 k7 miran58 f/4").entries[0]
    assert alone.start == at("01:16")
    timed = read("9:12 k7 miran58 1:16").entries[0]
    assert (timed.start, timed.aperture) == (
        at("09:12"),
        Aperture(ApertureKind.STOP, (Decimal(16),)),
    )
    framed = read("1:16 K7_0212 k7 miran58").entries[0]
    assert framed.aperture == Aperture(ApertureKind.STOP, (Decimal(16),))
    both = fault("1:16 1:22 k7 miran58")
    assert both.text == "1:16 and 1:22 can each be a time or an f-number"
    assert under_caret(both) == "1:16 1:22"


# Focal lengths ---------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["50mm", "50 mm", "50MM", "50.0mm", "50,0 mm"])
def test_a_focal_length(written: str) -> None:
    assert read(f"9:12 k7 zoom3570 {written}").entries[0].focal_length == Decimal(50)


def test_a_focal_length_is_not_a_time() -> None:
    entry = read("9:12 k7 zoom3570 50.25 mm").entries[0]
    assert (entry.start, entry.focal_length) == (at("09:12"), Decimal("50.25"))


@pytest.mark.parametrize(
    ("lens", "written", "expected"),
    [
        ("zoom3570", "85mm", "35 to 70 mm"),
        ("miran58", "85mm", "58mm, or nothing"),
        (
            "miran58",
            "40mm",
            "58mm, or nothing; if another lens was on, its key: zoom3570 or ringlesszoom",
        ),
    ],
)
def test_a_focal_length_the_lens_has_not(lens: str, written: str, expected: str) -> None:
    problem = fault(f"9:12 k7 {lens} {written}")
    assert problem.expected == expected
    assert under_caret(problem) == written


def test_a_prime_may_be_given_its_own_focal_length() -> None:
    assert read("9:12 k7 miran58 58mm").spans[0].setting.focal_length == 58


# Frames ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "first", "last"),
    [
        ("K7_0212..K7_0230", "K7_0212", "K7_0230"),
        ("K7_0212.JPG..K7_0230.JPG", "K7_0212", "K7_0230"),
        ("K7_0212.arw .. K7_0230.arw", "K7_0212", "K7_0230"),
        ("K7_0212…K7_0230", "K7_0212", "K7_0230"),
        ("K7_0212...K7_0230.", "K7_0212", "K7_0230"),
        ("100_K7/K7_0212..K7_0230", "100_K7/K7_0212", "100_K7/K7_0230"),
        ("100_K7/K7_9990..101_K7/K7_0010", "100_K7/K7_9990", "101_K7/K7_0010"),
        ("100_K7/K7_5000..101_K7/K7_0010", "100_K7/K7_5000", "101_K7/K7_0010"),
        ("K7_9990..K7_0010", "K7_9990", "K7_0010"),
        ("K7_12..K7_14", "K7_12", "K7_14"),
        ("K7_0212", "K7_0212", "K7_0212"),
        ("K7_0212.CR3", "K7_0212", "K7_0212"),
        ("DSC01234.JPG", "DSC01234", "DSC01234"),
        ("F0412", "F0412", "F0412"),
        ("100_K7/K7_12", "100_K7/K7_12", "100_K7/K7_12"),
    ],
)
def test_frames(written: str, first: str, last: str) -> None:
    frames = read(f"{written} k7 miran58").entries[0].frames
    assert isinstance(frames, FrameRange)
    assert (frames.first.name, frames.last.name) == (first, last)
    assert (frames.first.line, frames.first.column) == (2, 1)


@pytest.mark.parametrize(
    ("written", "text", "suggestion"),
    [
        ("K7_0230..K7_0212", "K7_0230 comes after K7_0212", None),
        ("K7_0212..N2_0230", "K7_0212 and N2_0230 don't count alike", None),
        ("K7_0212..0230", "K7_0212 and 0230 don't count alike", "K7_0212..K7_0230"),
        ("K7_0212..30", "K7_0212 and 30 don't count alike", "K7_0212..K7_0230"),
        ("K7_0212..", "one end of the range is missing", None),
        ("..K7_0212", "one end of the range is missing", None),
        ("K7_0212-K7_0230", "frame names are joined with two dots", "K7_0212..K7_0230"),
        ("9:12..9:40", "two dots join frame names, not times", "9:12-9:40"),
        ("quay..pier", '"quay" isn\'t a frame name', None),
    ],
)
def test_frames_that_are_none(written: str, text: str, suggestion: str | None) -> None:
    problem = fault(f"{written} k7 miran58")
    assert (problem.text, problem.suggestion) == (text, suggestion)
    assert under_caret(problem) == written


def test_a_shutter_time_is_no_frame_in_a_folder() -> None:
    problem = fault("9:12 k7 miran58 1/4000")
    assert problem.text == '"1/4000" isn\'t understood'


def test_a_key_of_the_kit_wins_over_a_frame_name() -> None:
    entry = read("9:12 k7 brask135").entries[0]
    assert (entry.lens, entry.frames) == ("brask135", None)
    entry = read("9:12 k7 zoom3570").entries[0]
    assert (entry.lens, entry.frames) == ("zoom3570", None)
    problem = fault("slate zoom3570.JPG")
    assert problem.text == "zoom3570 is a lens of the kit"


# Remarks, comments, order ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "remark"),
    [
        ('"quay wall"', "quay wall"),
        ("“quay wall”", "quay wall"),
        ("„quay wall“", "quay wall"),
        ("«quay wall»", "quay wall"),
        ("'quay wall'", "quay wall"),
        ("‘the skipper’s dog’", "the skipper’s dog"),
        ('"no # comment, f/4 – or …"', "no # comment, f/4 – or …"),
        ("'the \"Gull\"'", 'the "Gull"'),
        ("“ka\u0308se”", "käse"),
    ],
)
def test_a_remark_stays_as_written(written: str, remark: str) -> None:
    entry = read(f"9:12 k7 miran58 {written} # seen from the quay").entries[0]
    assert entry.remark == remark


@pytest.mark.parametrize("written", ['"quay wall', "“quay wall", "'til noon"])
def test_a_quote_that_isnt_closed(written: str) -> None:
    problem = fault(f"9:12 k7 miran58 {written}")
    assert problem.text == "this quote isn't closed"
    assert under_caret(problem) == written


def test_an_apostrophe_in_a_word_is_no_quote() -> None:
    problem = fault("9:12 k7 miran58 skipper's boat's")
    assert under_caret(problem) == "skipper's boat's"
    assert problem.text == "\"skipper's boat's\" isn't understood"


@pytest.mark.parametrize(
    "line",
    [
        "09:12 k7 miran58 f/2.8 via m42-e",
        "via m42-e f/2.8 miran58 k7 09:12",
        "- 09:12 k7 miran58 f/2.8 m42-e",
        "• 09:12, k7, miran58, f/2,8, via m42-e.",
        "* 09:12: k7 miran58; f/2.8; m42-e",
        "09:12 - k7 - miran58 - f/2.8 - m42-e",
        "09:12 k7,miran58,f/2,8,m42-e",
        "  09:12\tK7\u00a0MIRAN58 F/2.8 Via M42‑E # end",
        "０９：１２　ｋ７　ｍｉｒａｎ５８　ｆ／２．８　ｍ４２－ｅ",
        "٠٩:١٢ k7 miran٥٨ f/٢.٨ m٤٢-e",
        "09:\u200b12 k7 mi\u00adran58 f/2.8\ufeff m42-e",
    ],
)
def test_words_in_any_order_and_as_phones_mangle_them(line: str) -> None:
    assert read(line).entries == read("09:12 k7 miran58 f/2.8 via m42-e").entries


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\u2028"])
def test_line_ends(end: str) -> None:
    lines = ["\ufeff# Lindholm", "date 2026-05-17", "", "9:12 k7 miran58", "9:75 k7 f/4"]
    with pytest.raises(InputError) as caught:
        parse_log(end.join(lines), AWKWARD_KIT)
    (problem,) = caught.value.problems
    assert (problem.line, problem.column, problem.source) == (5, 1, "9:75 k7 f/4")


# Dates -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    [
        *("2026-05-17", "2026/05/17", "2026.5.17", "2026–05–17", "20260517"),
        *("17.5.2026", "17-05-2026", "5/17/2026", "17 May 2026", "May 17, 2026", "17th May 2026"),
        *("17. may 2026", "MAY 17 2026"),
    ],
)
def test_dates(written: str) -> None:
    log = parse_log(f"Date {written}\n9:12 k7 miran58", AWKWARD_KIT)
    start = log.entries[0].start
    assert start is not None
    assert start.earliest.date() == date(2026, 5, 17)


@pytest.mark.parametrize(
    ("written", "text", "suggestion"),
    [
        ("05/06/2026", "a date is written with the year first", None),
        ("31/02/2026", "a date is written with the year first", None),
        ("31 Feb 2026", "2026-02 has no day 31", None),
        ("17 May", "17 May of which year?", None),
        ("Sunday", "Sunday of which year?", None),
        ("2026-02-30", "2026-02 has no day 30", None),
        ("2026-13-01", "there is no month 13", None),
        ("1026-05-17", "1026 can't be the year of a frame", None),
        ("today", '"today" isn\'t a date', None),
    ],
)
def test_dates_that_are_none(written: str, text: str, suggestion: str | None) -> None:
    # The entry below isn't told that it has no date: that one was meant.
    with pytest.raises(InputError) as caught:
        parse_log(f"date {written}\n9:12 k7 miran58", AWKWARD_KIT)
    (problem,) = caught.value.problems
    assert (problem.text, problem.suggestion) == (text, suggestion)
    assert under_caret(problem) == written


def test_an_unclear_date_names_both_readings() -> None:
    assert fault("date 05/06/2026").expected == "2026-06-05 or 2026-05-06"


def test_a_log_without_a_date_is_told_once() -> None:
    text = "9:12 k7 miran58\n9:40 k7 f/4\nclock n2 N2_0412 shows 9:14"
    with pytest.raises(InputError) as caught:
        parse_log(text, AWKWARD_KIT)
    (problem,) = caught.value.problems
    assert problem.expected == "a line `date YYYY-MM-DD` above"
    assert (problem.line, under_caret(problem)) == (1, "9:12")


# Zones -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "zone"),
    [
        ("Europe/Stockholm", ZoneInfo("Europe/Stockholm")),
        ("europe/stockholm", ZoneInfo("Europe/Stockholm")),
        ("+02:00", timezone(timedelta(hours=2))),
        ("+0200", timezone(timedelta(hours=2))),
        ("+2", timezone(timedelta(hours=2))),
        ("−03:30", timezone(-timedelta(hours=3, minutes=30))),
        ("Z", UTC),
        ("UTC", UTC),
    ],
)
def test_zones(written: str, zone: object) -> None:
    log = read(f"zone {written}\n9:12 k7 miran58")
    assert log.zone == zone
    start = log.entries[0].start
    assert start is not None
    offset = log.zone.utcoffset(datetime(2026, 5, 17, 9, 12)) if log.zone else None
    assert start.earliest == datetime(2026, 5, 17, 9, 12, tzinfo=timezone(offset or timedelta(0)))


@pytest.mark.parametrize(
    ("written", "suggestion"),
    [
        ("Stockholm", "Europe/Stockholm"),
        ("Europe/Stokholm", "Europe/Stockholm"),
        ("+15", None),
        ("+02:75", None),
    ],
)
def test_zones_that_are_none(written: str, suggestion: str | None) -> None:
    problem = fault(f"zone {written}\n9:12 k7 miran58")
    assert problem.suggestion == suggestion
    assert under_caret(problem) == written


def test_one_zone_above_all_times() -> None:
    assert read("zone +2\nzone +02:00\n9:12 k7 miran58").zone == timezone(timedelta(hours=2))
    second = fault("zone +2\nzone +3\n9:12 k7 miran58")
    assert second.text == "line 2 gives another zone"
    assert "--log" in (second.expected or "")
    late = fault("9:12 k7 miran58\nzone +2")
    assert late.text == "the zone stands below the time in line 2"


def test_a_time_that_the_clocks_skip() -> None:
    # Source: EU directive 2000/84/EC: forward at 01:00 UTC on the last Sunday of March.
    text = "zone Europe/Stockholm\ndate 2026-03-29\n"
    problem = fault(text + "01:59 k7 miran58\n02:30 k7 f/4\n03:00 k7 f/8")
    assert (problem.line, under_caret(problem)) == (5, "02:30")


def test_a_time_that_occurs_twice_reaches_over_both() -> None:
    # Source: EU directive 2000/84/EC: back at 01:00 UTC on the last Sunday of October.
    log = read("zone Europe/Stockholm\ndate 2026-10-25\n02:30 k7 miran58\n02:30:05 k7 f/4")
    first, second = log.entries[0].start, log.entries[1].start
    assert first is not None
    assert second is not None
    assert first.earliest == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert first.latest == datetime(2026, 10, 25, 1, 31, tzinfo=UTC)
    assert first.latest - first.earliest == timedelta(minutes=61)
    assert second.latest - second.earliest == timedelta(hours=1, seconds=1)


# Amounts, clocks, slack, slates ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("45s", 45),
        ("3m", 180),
        ("3m20s", 200),
        ("3m 20s", 200),
        ("3 min 20 s", 200),
        ("1h", 3600),
        ("1h30m", 5400),
        ("1h30m10s", 5410),
        ("1H 30 Min.", 5400),
        ("3m20", 200),
        ("1h30", 5400),
        ("1 h 5", 3900),
        ("0", 0),
    ],
)
def test_amounts_of_time(written: str, seconds: int) -> None:
    amount = timedelta(seconds=seconds)
    assert read(f"slack {written}").slack == amount
    assert read(f"clock k7 fast {written}").clocks == (ClockOffset("k7", amount),)
    assert read(f"clock k7 slow {written}").clocks == (ClockOffset("k7", -amount),)


@pytest.mark.parametrize("written", ["3:20", "3.20", "90", "1w", "soon", "-3m", "1.5m"])
def test_amounts_that_are_none(written: str) -> None:
    problem = fault(f"clock k7 fast {written}")
    assert under_caret(problem) == written
    assert "3m20s" in (problem.expected or "")


def test_slack_is_given_once_and_widens_spans_alone() -> None:
    log = read("slack 2m\n9:12 k7 miran58")
    assert log.entries[0].start == at("09:12")
    assert log.spans[0].start == Moment(datetime(2026, 5, 17, 9, 10), datetime(2026, 5, 17, 9, 15))
    assert fault("slack 1m\nslack 1m").text == "slack is given above"


def test_a_frame_that_shows_a_clock() -> None:
    log = read("clock n2 N2_0412 shows 09:14:05\nclock N2 100/N2_0999.JPG shows 9:20 pm")
    first, second = log.clocks
    assert isinstance(first, ClockReference)
    assert isinstance(second, ClockReference)
    assert (first.body, first.frame.name, first.shows) == ("n2", "N2_0412", at("09:14:05", SECOND))
    assert (second.body, second.frame.name, second.shows) == ("n2", "100/N2_0999", at("21:20"))
    assert (first.frame.line, first.frame.column, first.line) == (2, 10, 2)


@pytest.mark.parametrize(
    ("line", "word", "suggestion"),
    [
        ("clock k9x7 fast 3m", "k9x7", "k7"),
        ("clock miran58 fast 3m", "miran58", None),
        ("clock k7 fats 3m", "fats", "fast"),
        ("clock k7 fast", "fast", None),
        ("clock k7", "clock k7", None),
        ("clock k7 K7_0412 9:14", "9:14", None),
        ("clock k7 K7_0412 shows", "shows", None),
        ("clock k7 quay shows 9:14", "quay", None),
        ("clock k7 fast 3m indeed", "indeed", None),
    ],
)
def test_clock_lines_that_are_none(line: str, word: str, suggestion: str | None) -> None:
    problem = fault(line)
    assert under_caret(problem) == word
    assert problem.suggestion == suggestion


@pytest.mark.parametrize(
    "lines",
    [
        "clock k7 fast 3m\nclock k7 slow 2m",
        "clock k7 fast 3m\nclock k7 K7_0412 shows 9:14",
        "clock k7 K7_0412 shows 9:14\nclock k7 fast 3m",
        "clock k7 K7_0412 shows 9:14\nclock k7 k7_0412.jpg shows 9:15",
    ],
)
def test_a_clock_told_twice(lines: str) -> None:
    problem = fault(lines)
    assert problem.line == 3
    assert problem.text.startswith("line 2 says already")


def test_a_clock_that_is_right_and_one_that_is_sure() -> None:
    zero = timedelta(0)
    assert read("clock k7 right").clocks == (ClockOffset("k7", zero),)
    assert read("Clock K7 Right, Sure").clocks == (ClockOffset("k7", zero, sure=True),)
    assert read("clock k7 slow 3m 20s sure").clocks == (
        ClockOffset("k7", -timedelta(seconds=200), sure=True),
    )
    (shown,) = read("clock n2 N2_0412 shows 09:14:05 sure").clocks
    assert shown.sure
    assert not read("clock n2 N2_0412 shows 09:14:05").clocks[0].sure


@pytest.mark.parametrize(
    ("line", "word", "text"),
    [
        ("clock k7 right 3m", "3m", '"3m" is more than belongs here'),
        ("clock k7 rihgt", "rihgt", '"rihgt" isn\'t understood'),
        ("clock k7 sure", "sure", '"sure" isn\'t understood'),
        ("clock k7 fast 3m sure sure", "sure", '"sure" is more than belongs here'),
        ("clock k7 fast sure", "sure", '"sure" isn\'t an amount of time'),
        ("clock k7 right\nclock k7 fast 3m", "clock k7 fast 3m",
         "line 2 says already how this clock goes"),
    ],
)  # fmt: skip
def test_near_misses_of_right_and_sure(line: str, word: str, text: str) -> None:
    problem = fault(line)
    assert (under_caret(problem), problem.text) == (word, text)


def test_overnight() -> None:
    assert read("9:12 k7 miran58\nOvernight  # in the hut").overnight
    assert read("overnight\novernight").overnight
    assert not read("9:12 k7 miran58").overnight
    problem = fault("overnight k7")
    assert (under_caret(problem), problem.text) == ("k7", '"k7" is more than belongs here')
    assert fault("overnigth").suggestion == "overnight"


def test_no_key_of_a_kit_is_a_word_of_the_log() -> None:
    words = {*KEYWORDS, *PLAIN_WORDS, *CLOCK_WORDS, "sure", "shows", "am", "pm"}
    assert words <= RESERVED_WORDS


def test_a_clock_names_its_body_if_the_log_does() -> None:
    assert read("clock fast 3m\n9:12 miran58 m42-e").clocks == (
        ClockOffset(None, timedelta(minutes=3)),
    )
    problem = fault("clock fast 3m\n9:12 k7 miran58")
    assert (problem.line, problem.text) == (2, "the clock of which body?")
    assert fault("clock fast 3m\nclock n2 fast 3m").line == 2


def test_slates() -> None:
    log = read("slate K7_0245, K7_0246.JPG\nnot-slate 100_K7/K7_0247\nslate K7_0245")
    assert [frame.name for frame in log.slates] == ["K7_0245", "K7_0246"]
    assert [frame.name for frame in log.not_slates] == ["100_K7/K7_0247"]
    assert (log.slates[1].line, log.slates[1].column) == (2, 16)


def test_slates_that_are_none() -> None:
    found = faults("slate K7_0245\nnot-slate k7_0245\nslate here K7_1..K7_3 k7\nslate")
    assert [(problem.line, under_caret(problem)) for problem in found] == [
        (3, "k7_0245"),
        (4, "here"),
        (4, "K7_1..K7_3"),
        (4, "k7"),
        (5, "slate"),
    ]


def test_no_date_needed_for_frames() -> None:
    log = parse_log("K7_0212 k7 miran58", AWKWARD_KIT)
    assert log.entries[0].start is None
    assert DAY not in "".join(log.lines)


@pytest.mark.parametrize("written", ["1:15 pm", "1:15pm", "1.15 p.m.", "1:15 PM"])
def test_a_time_with_am_or_pm_is_no_f_number(written: str) -> None:
    entry = read(f"{written} k7 miran58 1:16").entries[0]
    assert entry.start is not None
    assert f"{entry.start.earliest:%H:%M}" == "13:15"
    assert entry.aperture is not None
    assert [str(stop) for stop in entry.aperture.stops] == ["16"]
