"""What stands on a terminal: text in styles, and tables, all of one kind, without rules."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, repeat
from typing import NamedTuple

from flangeback.words import visible

Text = str | Sequence[tuple[str, str]]
"""Text, or pieces of it, each with its style: "bold", "dim", a colour, or "" for none."""
_CODES = {"bold": 1, "dim": 2, "red": 31, "green": 32, "yellow": 33}
"""Select graphic rendition (ECMA-48, 8.3.117)."""
_WORD = re.compile(r"\s*\S+\s*")
_OPEN = 12
"""Characters that a column without a width of its own gets at least, if its cells need them."""
_Pieces = Sequence[tuple[str, str]]


class Column(NamedTuple):
    """A column of a table; `width` in characters, None for what its cells need.

    Where the terminal is too narrow, a `whole` column keeps its width, as one of figures does.
    """

    name: str
    width: int | None = None
    right: bool = False
    style: str = ""
    whole: bool = False

    @property
    def is_whole(self) -> bool:
        """Whether its cells aren't broken into lines."""
        return self.right or self.whole


class Terminal:
    """A terminal so many characters wide, on which what others wrote does nothing.

    `write` takes its lines. Styles are in them as codes (ECMA-48), to be taken out where nobody
    sees them.
    """

    def __init__(self, write: Callable[[str], object], width: int) -> None:
        self.width = width
        self._write = write

    def print(self, text: Text = "", style: str = "", by: int = 0) -> None:
        """Prints a paragraph, set in from the left."""
        self._write_lines(_wrapped(_inert(text, style), self.width - by), by)

    def say(self, text: str, style: str = "") -> None:
        """Prints a line as it is; a long one isn't broken."""
        self._write(_coded(_inert(text, style)))

    def table(
        self,
        columns: Sequence[Column],
        rows: Iterable[Iterable[Text]] = (),
        *,
        heading: bool = True,
        gap: int = 1,
        by: int = 0,
    ) -> None:
        """Prints a table, set in from the left. What is wider than its column goes on below, whole.

        Where the terminal is narrower than all columns, what there is goes where most is wanted,
        and no word is cut as long as all columns' longest words have room.
        """
        styles = [column.style for column in columns]
        cells = [list(map(_inert, chain(row, repeat("")), styles)) for row in rows]
        if heading:
            cells.insert(0, [_inert(column.name, "dim") for column in columns])
        widths = _widths(columns, cells, self.width - by - gap * (len(columns) - 1))
        for n, row in enumerate(cells):
            self._write_lines(_row_lines(columns, widths, row, gap, low=heading and not n), by)

    def _write_lines(self, lines: Iterable[Sequence[tuple[str, str]]], by: int) -> None:
        for line in lines:
            blank = " " * (self.width - by - _length(_plain(line))) if by else ""
            self._write(" " * by + _coded(line) + blank)


def _inert(text: Text, style: str = "") -> _Pieces:
    """Pieces of text with what isn't to be seen made visible, in a style if they have none."""
    pieces = [(text, "")] if isinstance(text, str) else text
    return [(visible(piece).expandtabs(), own or style) for piece, own in pieces]


def _coded(pieces: _Pieces) -> str:
    return "".join(
        f"\x1b[{_CODES[style]}m{text}\x1b[0m" if style and text else text for text, style in pieces
    )


def _plain(pieces: _Pieces) -> str:
    return "".join(text for text, _ in pieces)


def _row_lines(
    columns: Sequence[Column], widths: Sequence[int], row: Sequence[_Pieces], gap: int, *, low: bool
) -> Iterator[_Pieces]:
    """The lines of a table's row, in which shorter cells stand low or on top."""
    cells = [
        list(_wrapped(cell, width, whole=column.is_whole))
        for column, width, cell in zip(columns, widths, row, strict=True)
    ]
    tall = max(map(len, cells))
    for n in range(tall):
        line: list[tuple[str, str]] = []
        for column, width, lines in zip(columns, widths, cells, strict=True):
            at = n - (tall - len(lines)) * low
            pieces = lines[at] if 0 <= at < len(lines) else ()
            blank = (" " * (width - _length(_plain(pieces))), "")
            line += [(" " * gap * bool(line), "")]
            line += [blank, *pieces] if column.right else [*pieces, blank]
        yield line


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[_Pieces]], room: int) -> list[int]:
    """The columns' widths in a table with so much room for them."""
    texts = [[_plain(row[n]) for row in rows] for n in range(len(columns))]
    most = [max((_length(w) for t in cells for w in t.split("\n")), default=0) for cells in texts]
    if sum(column.width or _OPEN for column in columns) <= room:
        widths = [c.width or wide for c, wide in zip(columns, most, strict=True)]
        open_ones = [n for n, c in enumerate(columns) if c.width is None and not c.is_whole]
        return _shrunk(widths, open_ones, room)
    words = [
        wide if column.is_whole else max((_length(w) for t in cells for w in t.split()), default=0)
        for column, cells, wide in zip(columns, texts, most, strict=True)
    ]
    if sum(words) > room:
        return _shrunk(most, [n for n, column in enumerate(columns) if not column.is_whole], room)
    for _ in range(room - sum(words)):
        wanted = [wide - narrow for narrow, wide in zip(words, most, strict=True)]
        words[wanted.index(max(wanted))] += 1
    return words


def _shrunk(widths: list[int], first: Sequence[int], room: int) -> list[int]:
    """Widths of which the widest give way until all have room, of those that come first if any."""
    while sum(widths) > room and max(widths) > 1:
        wide = [n for n in first if widths[n] > 1] or range(len(widths))
        widths[max(wide, key=widths.__getitem__)] -= 1
    return widths


def _wrapped(pieces: _Pieces, width: int, *, whole: bool = False) -> Iterator[_Pieces]:
    """Text in lines of so many characters, or where it is `whole`, cut off there."""
    at = 0
    for line in _plain(pieces).split("\n"):
        ends = [(0, len(line))] if whole else _breaks(line, width)
        for start, end in ends:
            end = start + _fitting(line[start:end], width)
            yield list(_part(pieces, at + start, at + end))
        at += len(line) + 1


def _breaks(line: str, width: int) -> Iterator[tuple[int, int]]:
    """Where the lines begin and end in which a longer one goes on; one word may need several."""
    start = 0
    for word in _WORD.finditer(line):
        end = word.start() + len(word[0].rstrip())
        if _length(line[start:end]) > width and start < word.start():
            yield start, word.start()
            start = word.start()
        while _length(line[start:end]) > width:
            cut = start + max(_fitting(line[start:end], width), 1)
            yield start, cut
            start = cut
    yield start, len(line)


def _part(pieces: _Pieces, start: int, end: int) -> Iterator[tuple[str, str]]:
    """What of pieces stands from one character to another."""
    at = 0
    for text, style in pieces:
        if part := text[max(start - at, 0) : max(end - at, 0)]:
            yield part, style
        at += len(text)


def _length(text: str) -> int:
    """How many columns of a terminal it takes: some characters take two, some none."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def _fitting(text: str, width: int) -> int:
    """How many of its first characters fit in so many columns."""
    if text.isascii() or not text:
        return min(len(text), width)
    from rich.cells import chop_cells

    return len(chop_cells(text, width)[0])
