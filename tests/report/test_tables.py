"""Paragraphs and tables on a terminal, held against those of rich, a library for terminals."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text as RichText

from flangeback.report.tables import Column, Terminal
from support.screens import Screen


def words(longest: int) -> st.SearchStrategy[str]:
    """Text of letters of which some take two columns."""
    word = st.text(st.sampled_from("abc-/.é°…ƒ写真レ한"), min_size=1, max_size=longest)
    return st.lists(word, max_size=12).map(" ".join)


SHORT, LONG = words(3), words(20)


def by_rich(what: RichText | Table, width: int) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=width, markup=False, emoji=False, highlight=False).print(what)
    return [line.strip() for line in out.getvalue().split("\n")][:-1]


def bare(lines: Sequence[str]) -> list[str]:
    return [line.strip() for line in lines]


@given(st.lists(SHORT, min_size=1, max_size=3).map("\n".join), st.integers(6, 60))
def test_a_paragraph_breaks_where_rich_breaks_it(text: str, width: int) -> None:
    screen = Screen(width)
    screen.print([(text[: len(text) // 2], "bold"), (text[len(text) // 2 :], "")])
    assert bare(screen.lines) == by_rich(RichText(text, overflow="fold"), width)


@given(
    st.lists(st.tuples(SHORT, st.text("12./?", max_size=9), SHORT), min_size=1, max_size=4),
    st.integers(6, 20),
)
def test_a_table_of_given_widths_is_as_rich_draws_it(
    rows: list[tuple[str, str, str]], width: int
) -> None:
    screen = Screen(100)
    columns = (Column("one two three", width), Column("f/", 6, right=True), Column("more", width))
    screen.table(columns, rows)
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False)
    for column in columns:
        table.add_column(
            column.name,
            width=column.width,
            justify="right" if column.right else "left",
            no_wrap=column.right,
            overflow="fold",
        )
    for row in rows:
        table.add_row(*map(RichText, row))
    assert bare(screen.lines) == by_rich(table, 100)


@given(st.lists(st.tuples(LONG, LONG), max_size=4), st.integers(5, 60))
def test_no_table_is_wider_than_its_terminal_and_no_cell_is_lost(
    rows: list[tuple[str, str]], width: int
) -> None:
    screen = Screen(width)
    screen.table((Column(""), Column("")), rows, heading=False)
    assert max(map(cell_len, screen.lines), default=0) <= width
    for letter in "abc写":
        assert "".join(screen.lines).count(letter) == str(rows).count(letter)


@pytest.mark.parametrize("word", ["quay" * 9, "写真レ" * 7])
def test_a_word_longer_than_a_line_goes_on_as_rich_has_it(word: str) -> None:
    screen = Screen(11)
    screen.print(f"a {word} b")
    assert bare(screen.lines) == by_rich(RichText(f"a {word} b", overflow="fold"), 11)


def test_styles_stand_around_each_line_of_their_text() -> None:
    """ECMA-48, 8.3.117: 1 is bold, 31 red, 0 none."""
    lines: list[str] = []
    Terminal(lines.append, 12).print([("one ", "bold"), ("two three four", "red")])
    assert lines == [
        "\x1b[1mone \x1b[0m\x1b[31mtwo \x1b[0m",
        "\x1b[31mthree four\x1b[0m",
    ]


@pytest.mark.parametrize("width", [20, 40, 50])
def test_a_short_row_has_room_on_a_narrow_terminal(width: int) -> None:
    screen = Screen(width)
    columns = [Column("frames", 20), Column("count", 5, right=True), Column("lens", 12)]
    screen.table([*columns, *columns], [["K7_0201", "1"]])
    assert max(map(len, screen.lines)) <= width
    assert "1" in "".join(screen.lines[-1:])
