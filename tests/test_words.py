"""How numbers, times and counts are worded."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback import words


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (Decimal("2.8"), "2.8"),
        (Decimal("2.0"), "2"),
        (Fraction(17, 3), "5.67"),
        (0.71, "0.71"),
        (1.414213562, "1.41"),
        (99.7, "99.7"),
        (135, "135"),
        (1200, "1200"),
        (Decimal("1E+3"), "1000"),
    ],
)
def test_numbers_have_the_digits_that_rings_have(value: words.Number, told: str) -> None:
    assert words.number(value) == told


def test_f_numbers_and_focal_lengths() -> None:
    # ISO 517 and common practice: "f/" before the number; millimetres are said.
    assert words.f_number(Decimal("2.8")) == "f/2.8"
    assert words.f_number(None) == "f/?"
    assert words.focal_length(58) == "58 mm"
    assert words.focal_length(None) == "? mm"


@given(st.decimals(min_value=0, max_value=10**6, places=4))
def test_exact_loses_nothing(value: Decimal) -> None:
    assert Decimal(words.exact(value)) == value
    assert "E" not in words.exact(value)


@given(st.integers(min_value=0, max_value=10**6))
def test_a_duration_adds_up(seconds: int) -> None:
    told = words.duration(timedelta(seconds=seconds))
    units = {"d": 86_400, "h": 3600, "m": 60, "s": 1}
    figure, total = "", 0
    for letter in told:
        figure, total = (
            (figure + letter, total)
            if letter.isdigit()
            else ("", total + int(figure) * units[letter])
        )
    assert total == seconds


def test_durations_have_no_sign_and_round_up() -> None:
    assert words.duration(timedelta(hours=1, minutes=7, seconds=23)) == "1h7m23s"
    assert words.duration(timedelta(seconds=-200)) == "3m20s"
    assert words.duration(timedelta(seconds=0.2)) == "1s"
    assert words.duration(timedelta(0)) == "0s"
    assert words.duration(timedelta(hours=47)) == "47h"
    assert words.duration(timedelta(days=2, hours=3)) == "2d3h"


@given(st.integers(min_value=-14 * 60, max_value=14 * 60))
def test_offsets_are_those_of_iso_8601(minutes: int) -> None:
    told = words.utc_offset(timedelta(minutes=minutes))
    parsed = datetime.fromisoformat(f"2026-05-17T00:00:00{told}").utcoffset()
    assert parsed == timedelta(minutes=minutes)


def test_clock_times() -> None:
    at = datetime(2026, 5, 17, 9, 5, 7)
    assert words.clock_time(at) == "09:05:07"
    assert words.clock_time(at.time(), seconds=False) == "09:05"


def test_counts_and_lists() -> None:
    assert words.count(1, "copy", "copies") == "1 copy"
    assert words.count(0, "copy", "copies") == "0 copies"
    assert words.count(2, "frame") == "2 frames"
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b"]) == "a and b"
    assert words.listed(["a", "b", "c"], "or") == "a, b or c"
    assert words.some_of("abc") == "a, b, c"
    assert words.some_of("abcde") == "a, b, c and 2 more"


@given(st.text())
def test_what_is_visible_does_nothing_and_what_is_escaped_means_the_same(text: str) -> None:
    harmful = {*map(chr, range(32)), "\x7f", "\u202e", "\u2066"} - {"\n", "\t"}
    assert not harmful & set(words.visible(text))
    document = json.dumps(text, ensure_ascii=False)
    assert json.loads(words.escaped(document)) == text
    assert not harmful & set(words.escaped(document))
