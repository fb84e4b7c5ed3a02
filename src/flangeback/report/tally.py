"""A tally as text, as wide as the terminal, and as a table for spreadsheets."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from io import StringIO
from textwrap import wrap

from flangeback import words
from flangeback.tally.model import Count, Key, Tally
from flangeback.words import shortened

_NAMES = 16, 36
"""Columns for names: at the least, and where the terminal has them."""
_MOST_ROWS = 40
Namer = Callable[[Key], str]
_COLUMNS = ("body", "adapter", "lens", "f_number", "focal_length", "focal_length_35mm")


def tally_lines(tally: Tally, bar: str = "█", width: int = 80) -> Iterator[str]:
    """The tally as text of this width with bars. `bar` is what they are made of."""
    total = tally.total
    text = f"{words.count(total.frames, 'frame')} in {words.count(tally.folders, 'folder')}"
    if total.filled:
        text += f"; {total.filled} filled, {total.kept} of them still there"
    text += f"; {tally.damaged} can't be read" if tally.damaged else ""
    yield from wrap(text, width)
    tables: Sequence[tuple[str, str, Namer]] = (
        ("lens", "lenses", lens_name),
        ("lens and f-number", "f_numbers", lambda key: f"{key[0]} {words.f_number(key[1])}"),
        ("focal length, 35 mm equivalent", "focal_lengths", _focal_length),
        ("body and adapter", "bodies", body_namer(tally)),
    )
    for title, name, named in tables:
        if counts := tally.tables[name]:
            yield ""
            yield from _table(title, counts, named, bar, width, with_kept=total.kept < total.filled)


def _table(
    title: str, counts: Mapping[Key, Count], named: Namer, bar: str, width: int, *, with_kept: bool
) -> Iterator[str]:
    figures_width = 20 if with_kept else 14
    names = min(max(width - figures_width - width // 6, _NAMES[0]), max(_NAMES[1], width // 3))
    longest_bar = max(min(width - names - figures_width, width // 4), 1)
    yield f"{shortened(title, names):{names}}frames  open{'  kept' if with_kept else ''}"
    most = max(count.frames for count in counts.values())
    for key, count in list(counts.items())[:_MOST_ROWS]:
        name = shortened(named(key), names - 1)
        figures = [str(count.frames), str(count.wide_open) if count.known else "-"]
        if with_kept:
            figures.append(str(count.kept) if count.filled else "-")
        length = max(1, round(longest_bar * count.frames / most))
        yield f"{name:{names}}{''.join(f'{f:>6}' for f in figures)}  {bar * length}"
    if len(counts) > _MOST_ROWS:
        yield f"and {len(counts) - _MOST_ROWS} more; --json and --csv have all"


def lens_name(key: Key) -> str:
    """A lens as its frames name it."""
    return str(key[0] or "no lens named")


def _focal_length(key: Key) -> str:
    length, equivalent = key
    text = "no focal length" if length is None else words.focal_length(length)
    return text if equivalent is None else f"{text}, {words.focal_length(equivalent)}"


def body_namer(tally: Tally) -> Namer:
    """Names bodies with their adapters, and by their serial numbers where they need them."""
    bodies = {body for body, _ in tally.tables["bodies"]}
    models = Counter(map(_model, bodies))

    def named(key: Key) -> str:
        body, adapter = key
        name = _model(body) if models[_model(body)] == 1 else body
        return f"{name}, {adapter}" if adapter else str(name)

    return named


def _model(body: str) -> str:
    return body.partition(", serial ")[0]


def _cell(part: str | float | None) -> str | float:
    """A cell that no spreadsheet takes for a formula (common practice: a quote before it)."""
    if not isinstance(part, str):
        return "" if part is None else part
    is_formula = part.startswith(("=", "+", "-", "@", "\t", "\r"))
    return "'" * is_formula + words.visible(part)


def tally_csv(tally: Tally) -> str:
    """One row for each kind of frame, with its counts: what a spreadsheet's pivot table takes."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*_COLUMNS, *Count.__dataclass_fields__])
    for key, count in tally.by(*_COLUMNS).items():
        writer.writerow([*map(_cell, key), *asdict(count).values()])
    return out.getvalue()
