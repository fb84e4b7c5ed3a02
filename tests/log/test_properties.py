"""What must hold of any log at all."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flangeback.errors import InputError, Problem
from flangeback.kit import parse_kit
from flangeback.log import SessionLog, parse_log
from flangeback.log.model import (
    Aperture,
    ApertureKind,
    ClockOffset,
    ClockReference,
    Entry,
    FrameGroup,
    FrameName,
    FrameRange,
    GroupKind,
    Moment,
    OrderWord,
    Part,
)
from support.examples import examples
from support.log_gear import AWKWARD_KIT, under_caret
from support.log_printing import format_log

pytestmark = pytest.mark.filterwarnings("error")
STOCKHOLM = ZoneInfo("Europe/Stockholm")


def check(text: str) -> SessionLog | None:
    """Read any text: a log that prints as itself, or problems that point into their lines."""
    problems: tuple[Problem, ...] = ()
    try:
        log = parse_log(text, AWKWARD_KIT)
    except InputError as error:
        problems, log = error.problems, None
    places = [(problem.line, problem.column) for problem in problems]
    assert places == sorted(places)
    for problem in problems:
        assert len(under_caret(problem)) == problem.width >= 1
    if log is None:
        assert problems
        return None
    assert parse_log(format_log(log), AWKWARD_KIT) == log
    return log


# Anything --------------------------------------------------------------------------------------


@settings(deadline=None)
@given(st.text())
def test_any_text_is_a_log_or_has_problems(text: str) -> None:
    check(text)
    check(f"date 2026-05-17\n9:12 k7 miran58 {text}")


VOCABULARY = (
    "date zone clock slack slate not-slate overnight first then off open via fast slow right sure "
    "shows am pm wide "
    "2026-05-17 2026-05-18 17-05-2026 Europe/Stockholm +02:00 Z 3m20s 45s 3:20 0 1h "
    "9:12 09:12:30 9h 9h40 24:00 1:16 1:22 1:2.8 10:05-10:30 10:05 - 10:05- 9:12.. 23:50 "
    "k7 n2 miran58 brask135 tolvan28 zoom3570 ringless50 native35 exa50 lonely90 mirran58 "
    "m42-e f-mft f-e-ring f-e-reducer f/2.8 f/28 f/0 f/? f f/4-5.6 T2.8 ƒ/8 50mm 50 mm 58mm 85mm "
    "K7_0212 K7_0212..K7_0230 K7_9990..K7_0010 .. … K7_0230.JPG 100/K7_0001 a/1 F0412 /0001 "
    'all day1/ cards/day1/ K7_02* *.jpg jpeg-501 "IMG 1" "IMG 1".."IMG 9" ( ) (quay) ? 5.6 2,8 '
    "1516 miran brask the 135 58 28 50 zoom 35 17.5.2026 Sunday May CEST "
    "zoom3570.JPG \"quay\" “wall” 'gull' \" ' it's # #K7_0001 - • , . : ; \u200b \ufeff é e\u0301"
)
WORDS = st.sampled_from(VOCABULARY.split(" "))
GAPS = st.sampled_from([" ", " ", " ", " ", "", ", ", "\t", "\u00a0", " - ", "."])


@st.composite
def lines_of_words(draw: st.DrawFn) -> str:
    return "".join(draw(WORDS) + draw(GAPS) for _ in range(draw(st.integers(1, 7))))


@settings(max_examples=examples(4000), deadline=None)
@given(st.lists(lines_of_words(), min_size=1, max_size=6))
def test_any_words_are_a_log_or_have_problems(lines: list[str]) -> None:
    check("\n".join(lines))
    check("date 2026-05-17\n" + "\n".join(f"9:1{n} k7 miran58 {s}" for n, s in enumerate(lines)))


# Sound logs ------------------------------------------------------------------------------------

STOPS = {
    "miran58": ["2", "2.8", "11", "16"],
    "brask135": ["3.5", "5.6", "22"],
    "tolvan28": ["2.8", "4", "22"],
    "zoom3570": ["4.5", "5.6", "22"],
    "exa50": ["1", "1.4", "32"],
}
BODIES = {
    "k7": {"miran58": "m42-e", "brask135": "m42-e", "zoom3570": "m42-e", "tolvan28": "f-e-ring"},
    "n2": {"tolvan28": "f-mft"},
}
ZONES: list[tzinfo | None] = [None, UTC, timezone(timedelta(hours=-9, minutes=-30)), STOCKHOLM]
REMARKS = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "Zs", "S"]), max_size=12)


@st.composite
def apertures(draw: st.DrawFn, lens: str) -> Aperture | None:
    kind = draw(st.sampled_from([None, *ApertureKind]))
    if kind is None:
        return None
    stops = sorted(Decimal(stop) for stop in STOPS[lens])
    if kind is ApertureKind.BETWEEN:
        near = [(low, high) for low, high in pairwise(stops) if high / low < 1.68]
        return Aperture(kind, draw(st.sampled_from(near)))
    return Aperture(kind, (draw(st.sampled_from(stops)),) if kind is ApertureKind.STOP else ())


def remark_as_read(remark: str) -> str | None:
    """The remark as the reader gives it; None where no quotes can hold it."""
    try:
        return parse_log(f'K7_0001 k7 miran58 "{remark}"', AWKWARD_KIT).entries[0].remark
    except InputError:
        return None


def ranges(first: int, count: int) -> FrameRange:
    return FrameRange(FrameName(f"K7_{first:04}"), FrameName(f"K7_{first + count:04}"))


NAMES = st.sampled_from(["day1", "old cards", "a/100_K7", "k7", "it's", "2026-05-17", "all", "9h"])
PLACES: st.SearchStrategy[FrameRange | FrameGroup] = st.one_of(
    st.builds(ranges, st.integers(1, 9000), st.integers(0, 99)),
    st.just(FrameGroup(GroupKind.ALL, FrameName("all"))),
    NAMES.map(lambda name: FrameGroup(GroupKind.FOLDER, FrameName(name))),
    NAMES.map(lambda name: FrameGroup(GroupKind.PATTERN, FrameName(f"{name}*"))),
    NAMES.map(lambda name: FrameRange(FrameName(name), FrameName(name))),
    st.dates(date(1950, 1, 1), date(2150, 1, 1)).map(
        lambda day: FrameGroup(GroupKind.DAY, FrameName(str(day)), day)
    ),
)


@st.composite
def entries(
    draw: st.DrawFn,
    body: str | None,
    when: Moment | None,
    end: Moment | None,
    remarks: bool,
    order: OrderWord | None = None,
) -> Entry:
    lenses = BODIES[body or "k7"]
    lens = draw(st.sampled_from(sorted(lenses)))
    zoomed = lens == "zoom3570" and draw(st.booleans())
    frames = draw(PLACES)
    return Entry(
        start=when,
        end=end,
        frames=frames if when is None and order is None else None,
        order=order,
        body=body,
        lens=lens,
        adapter=lenses[lens] if lens == "tolvan28" or draw(st.booleans()) else None,
        aperture=draw(apertures(lens)),
        focal_length=draw(st.sampled_from([Decimal(35), Decimal("50.5")])) if zoomed else None,
        remark=remark_as_read(draw(REMARKS)) if remarks and draw(st.booleans()) else None,
    )


def written_at(start: datetime, zone: tzinfo | None, exact: bool) -> Moment:
    width = timedelta(seconds=1) if exact else timedelta(minutes=1)
    start = start if exact else start.replace(second=0)
    return Moment(start.replace(tzinfo=zone), (start + width).replace(tzinfo=zone))


@st.composite
def logs(draw: st.DrawFn, remarks: bool = True) -> SessionLog:
    """Logs without faults; times in May, when no clock changes."""
    zone = draw(st.sampled_from(ZONES))
    names_bodies = draw(st.booleans())
    clock = datetime(2026, 5, 17, draw(st.integers(0, 23)), draw(st.integers(0, 59)))
    found: list[Entry] = []
    # Most bodies' entries go by time or by order; those by name stand above both.
    ordered = draw(st.sets(st.sampled_from([None, *sorted(BODIES)])))
    for _ in range(draw(st.integers(0, 6))):
        clock += timedelta(seconds=draw(st.integers(120, 40_000)))
        body = draw(st.sampled_from(sorted(BODIES))) if names_bodies else None
        when = written_at(clock, zone, draw(st.booleans())) if draw(st.integers(0, 3)) else None
        end = None
        if when is not None and body in ordered:
            begun = any(entry.body == body and entry.order for entry in found)
            order: OrderWord = "then" if begun else "first"
            found.append(draw(entries(body, None, None, remarks, order)))
            continue
        if when is not None and draw(st.booleans()) and clock.hour < 23:
            clock += timedelta(seconds=draw(st.integers(120, 3000)))
            end = written_at(clock, zone, draw(st.booleans()))
        found.append(draw(entries(body, when, end, remarks)))
    if any(entry.frames for entry in found):
        # Which of their f-numbers an entry without one carries on may be open.
        noted = Aperture(ApertureKind.NOT_NOTED)
        found = [replace(entry, aperture=entry.aperture or noted) for entry in found]
    body = "k7" if names_bodies else None
    clocks: list[ClockOffset | ClockReference] = []
    if draw(st.booleans()):
        ahead = timedelta(seconds=draw(st.just(0) | st.integers(-9999, 9999)))
        clocks.append(ClockOffset(body, ahead, sure=draw(st.booleans())))
    elif draw(st.booleans()):
        shows = written_at(clock, zone, draw(st.booleans()))
        sure = draw(st.booleans())
        clocks.append(ClockReference(body, FrameName("K7_0001"), shows, sure=sure))
    return SessionLog(
        "session.txt",
        tuple(found),
        clocks=tuple(clocks),
        slates=(FrameName("K7_0245"),) if draw(st.booleans()) else (),
        not_slates=(FrameName("100_K7/K7_0246"),) if draw(st.booleans()) else (),
        zone=zone,
        slack=timedelta(seconds=draw(st.integers(0, 5000))),
        overnight=draw(st.booleans()),
    )


@settings(max_examples=examples(400), suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(logs())
def test_a_printed_log_reads_as_itself(log: SessionLog) -> None:
    again = parse_log(format_log(log), AWKWARD_KIT)
    assert again == log
    assert len(again.spans) == len(log.entries)


FULL_WIDTH = {code: code + 0xFEE0 for code in range(0x21, 0x7F)}
MANGLES: list[Callable[[str], str]] = [
    str.upper,
    str.title,
    lambda text: text.translate(FULL_WIDTH),
    lambda text: text.translate({ord("-"): "–", ord(" "): "\u00a0"}),
    lambda text: text.translate({ord("-"): "\u2011", ord(" "): "\t"}),
    lambda text: text.translate({ord(str(n)): chr(0x0966 + n) for n in range(10)}),
    lambda text: text.replace("..", "…").replace("\n", "\r\n"),
    lambda text: "".join(f"• {line}.\n" for line in text.splitlines()),
    # Two spaces in a name are another name.
    lambda text: text.replace("f/", "ƒ:").replace(" ", "  ").replace("old  cards", "old cards"),
    lambda text: "\ufeff" + text.replace(" ", " \u200b"),
]


@settings(max_examples=examples(400), suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(logs(remarks=False), st.sampled_from(MANGLES))
def test_a_mangled_log_means_the_same(log: SessionLog, mangle: Callable[[str], str]) -> None:
    again = parse_log(mangle(format_log(log)), AWKWARD_KIT)
    if mangle not in (str.upper, str.title):
        assert again == log
        return
    # Frame names keep the case they were written in; the rest is the kit's and the clock's.
    assert [(e.start, e.end, e.body, e.lens, e.aperture) for e in again.entries] == [
        (e.start, e.end, e.body, e.lens, e.aperture) for e in log.entries
    ]
    assert (again.zone, again.slack) == (log.zone, log.slack)


@settings(deadline=None)
@given(st.datetimes(datetime(2026, 10, 24), datetime(2026, 10, 26)), st.booleans())
def test_times_round_a_clock_change_print_as_themselves(when: datetime, exact: bool) -> None:
    clock = f"{when:%H:%M:%S}" if exact else f"{when:%H:%M}"
    log = check(f"zone Europe/Stockholm\ndate {when:%Y-%m-%d}\n{clock} k7 miran58")
    assert log is not None
    start = log.entries[0].start
    assert start is not None
    shown = start.earliest.astimezone(STOCKHOLM).replace(tzinfo=None, fold=0)
    assert shown == when.replace(microsecond=0, second=when.second if exact else 0)


@pytest.mark.parametrize(
    "text",
    [
        "K7_" + "9" * 900 + "..K7_" + "9" * 901 + " k7 miran58",
        "slate K7_" + "1" * 1900,
        "9:12 k7 miran58 f/" + "2" * 1900,
        "9:12 k7 miran58 " + "x" * 1900,
        "9:12 k7 miran58 " + "' " * 900,
        "- " * 500 + "." * 500 + '"',
        "slack " + "9" * 1900 + "h",
        "zone +" + "9" * 1900,
        "date " + "2" * 1900,
    ],
    ids=lambda text: text[:20],
)
def test_overlong_words_are_told_like_any_other(text: str) -> None:
    check("date 2026-05-17\n" + text)


@pytest.mark.parametrize(
    "text", ["9:12 k7 miran58 " + "x" * 100_000, "a/" * 50_000, " ( " * 40_000]
)
def test_a_line_that_nobody_writes_is_one_fault(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_log(f"date 2026-05-17\n{text}\n9:12 xyzzy", AWKWARD_KIT)
    told = [(problem.line, problem.text) for problem in caught.value.problems]
    assert told[0] == (2, "this is too long")
    assert told[1][0] == 3


def test_a_comment_may_be_as_long_as_one_likes() -> None:
    assert parse_log("#" + " x" * 50_000, AWKWARD_KIT).entries == ()


def test_keys_are_found_however_the_kit_writes_them() -> None:
    kit = parse_kit(
        '[body."Ｋ７"]\nmount = "E"\n[lens."Mir–58"]\nname = "Miran"\nfocal = 58\nwidest = 2\n'
        'narrowest = 16\nmount = "M42"\n'
        '[adapter."한"]\nlens_mount = "M42"\nbody_mount = "E"\n'
    )
    log = parse_log("K7_0001 k7 MIR-58 via \u1112\u1161\u11ab", kit)
    assert (log.entries[0].body, log.entries[0].lens) == ("Ｋ７", "Mir–58")
    assert parse_log(format_log(log), kit) == log


GROUPS = st.sampled_from(
    [
        *("9:12", "1516", "1:16", "9:12 pm", "10:05-10:30", "K7_0212", "K7_0212..K7_0230", "all"),
        *("day1/", "K7_02*", "2026-05-17", "17.5.2026", "jpeg-501", '"IMG 1"', "first", "then"),
        *("k7", "kestrin k7", "n2", "miran58", "miran", "the 135", "zoom 35", "exa", "tele", "28"),
        *("f/4", "f8", "5.6", "open", "f/?", "?", "f/4-5.6", "1:4", "58mm", "135 mm", "off"),
        *("via m42-e", "m42-e", '"quay"', "(quay)", "'gull'", "xyzzy", "8"),
    ]
)


@settings(max_examples=examples(2000), deadline=None)
@given(st.lists(GROUPS, min_size=2, max_size=6, unique=True).filter(
    # Together they are one name.
    lambda words: not {"the 135", "tele"} <= {*words}
).flatmap(lambda words: st.tuples(st.just(words), st.permutations(words))))  # fmt: skip
def test_no_order_of_words_is_read_in_another_way(pair: tuple[list[str], list[str]]) -> None:
    found = []
    for words in pair:
        with suppress(InputError):
            found.append(parse_log("date 2026-05-17\n" + " ".join(words), AWKWARD_KIT).entries)
            (entry,) = found[-1]
            # Each word says one thing, and none is passed over.
            assert len(entry.places) == len(words) + len([Part.ENTRY])
    assert len(found) < 2 or found[0] == found[1]
