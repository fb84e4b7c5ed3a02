"""The lines of a log, cleaned of what phones and word processors put into them, and faults in them.

The cleaned text is what the rules read; every character of it remembers where it stands in the
line as written, so that a caret points at the right place.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from flangeback.errors import Problem

_LINE_END = re.compile("\r\n|[\r\n\u2028\u2029]")

_LOOKS_LIKE = {
    # Dashes: hyphen, non-breaking, figure, en, em, bar, minus, small forms.
    **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63", "-"),
    **dict.fromkeys("\u201c\u201d\u201e\u201f\u00ab\u00bb\u301d\u301e\u301f", '"'),
    **dict.fromkeys("\u2018\u2019\u201a\u201b\u2039\u203a\u02bc", "'"),
    **dict.fromkeys("\u2025\u2026", ".."),
    **dict.fromkeys("\u2044\u2215", "/"),
    "\u2236": ":",
}
_VARIATION_SELECTORS = "\ufe0e\ufe0f\u034f"


def split_lines(text: str) -> tuple[str, ...]:
    """The lines of a text, whichever way they end, without a leading byte-order mark."""
    return tuple(_LINE_END.split(text.removeprefix("\ufeff")))


class Line(NamedTuple):
    """A line as written (`source`) and as read (`text`).

    Character i of `text` came from `source[starts[i]:ends[i]]`. `number` counts from 1.
    """

    number: int
    source: str
    text: str
    starts: tuple[int, ...]
    ends: tuple[int, ...]

    def original(self, start: int, end: int) -> str:
        """What stands in the file where the cleaned text has [start, end)."""
        first = self.ends[start - 1] if start else 0
        last = self.starts[end] if end < len(self.starts) else len(self.source)
        return self.source[first:last]


class Place(NamedTuple):
    """A stretch [start, end) of a line's cleaned text."""

    line: Line
    start: int
    end: int

    @property
    def text(self) -> str:
        """The words that stand here, as cleaned."""
        return self.line.text[self.start : self.end]

    @property
    def is_quoted(self) -> bool:
        """Whether it stands in double quotes."""
        return self.line.text[: self.start].endswith('"')

    @property
    def column(self) -> int:
        """Where it begins in the line as written, counted from 1."""
        return self.line.starts[self.start] + 1 if self.start < len(self.line.starts) else 1

    @property
    def width(self) -> int:
        """How many characters of the line as written it takes."""
        if self.end <= self.start:
            return 1
        return max(1, self.line.ends[self.end - 1] - self.column + 1)

    def to(self, other: Place) -> Place:
        """From the start of this place to the end of the other, on the same line."""
        return Place(self.line, self.start, other.end)

    def fault(self, text: str, expected: str | None = None, suggestion: str | None = None) -> Fault:
        """A fault at this place, to be raised or kept."""
        return Fault(self, text, expected, suggestion)


@dataclass(eq=False)
class Fault(Exception):
    """A fault at a place of a log; `parse_log` makes a Problem of it."""

    place: Place
    text: str
    expected: str | None = None
    suggestion: str | None = None

    def problem(self, file: str) -> Problem:
        """The fault as the reader of the log is told of it."""
        place, line = self.place, self.place.line
        where = line.number, place.column, place.width, line.source.rstrip()
        return Problem(file, self.text, *where, self.expected, self.suggestion)


@contextmanager
def noted(faults: list[Fault]) -> Iterator[None]:
    """Keeps a fault that is raised inside, so that reading goes on after it."""
    try:
        yield
    except Fault as fault:
        faults.append(fault)


def clean_line(number: int, source: str) -> Line:
    """Clean a line, keeping the way back to the columns as written."""
    text: list[str] = []
    starts: list[int] = []
    ends: list[int] = []
    begin = 0
    while begin < len(source):
        end = begin + 1
        while end < len(source) and _joins(source[end]):
            end += 1
        for ch in _clean_cluster(source[begin:end]):
            text.append(ch)
            starts.append(begin)
            ends.append(end)
        begin = end
    return Line(number, source, "".join(text), tuple(starts), tuple(ends))


def clean_word(word: str) -> str:
    """A word, such as a key of the kit, as it reads in a cleaned line."""
    return clean_line(0, word).text


def _joins(ch: str) -> bool:
    """Whether it composes with the character before it: a mark, or a Hangul vowel or final."""
    if ch < "\u0300":
        return False
    return unicodedata.category(ch).startswith("M") or "\u1160" <= ch <= "\u11ff"


@lru_cache(maxsize=4096)
def _clean_cluster(cluster: str) -> str:
    if cluster.isascii():
        return " " if cluster.isspace() else cluster
    return "".join(map(_clean_character, unicodedata.normalize("NFC", cluster)))


def _clean_character(ch: str) -> str:
    if "\uff01" <= ch <= "\uff5e":
        return chr(ord(ch) - 0xFEE0)
    if ch in _LOOKS_LIKE:
        return _LOOKS_LIKE[ch]
    if ch.isspace():
        return " "
    # Format characters draw nothing: zero-width, soft hyphen, byte-order and direction marks.
    if unicodedata.category(ch) == "Cf" or ch in _VARIATION_SELECTORS:
        return ""
    digit = unicodedata.decimal(ch, None)
    return ch if digit is None else str(digit)
