"""A tally as text, as wide as the terminal, and as a table for spreadsheets."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from functools import partial
from io import StringIO
from textwrap import wrap

from flangeback import words
from flangeback.tally.model import Count, Key, Tally
from flangeback.words import shortened

_NAMES = 16, 36
"""Columns for names: at the least, and where the terminal has them."""
_MOST_ROWS = 40


def tally_lines(tally: Tally, bar: str = "█", width: int = 80) -> Iterator[str]:
    """The tally as text of this width with bars. `bar` is what they are made of."""
    total = tally.total
    text = f"{words.count(total.frames, 'frame')} in {words.count(tally.folders, 'folder')}"
    if total.filled:
        text += f"; {total.filled} filled, {total.kept} of them still there"
    text += f"; {tally.damaged} can't be read" if tally.damaged else ""
    yield from wrap(text, width)
    bodies = tally.by_body_and_adapter()
    tables: Sequence[tuple[str, Mapping[Key, Count], Namer]] = (
        ("lens", tally.by_lens(), lens_name),
        ("lens and f-number", tally.by_lens_and_f_number(), _lens_and_f_number),
        ("focal length, 35 mm equivalent", tally.by_focal_length(), _focal_length),
        ("body and adapter", bodies, body_namer(bodies)),
    )
    for title, counts, named in tables:
        if counts:
            yield ""
            yield from _table(title, counts, named, bar, width, with_kept=total.kept < total.filled)


Namer = Callable[[Key], str]


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


def _lens_and_f_number(key: Key) -> str:
    lens, f_number = key
    stop = words.f_number(_known(f_number))
    return f"{lens} {stop}"


def _focal_length(key: Key) -> str:
    length, equivalent = key
    text = "no focal length" if length is None else words.focal_length(_known(length))
    return text if equivalent is None else f"{text}, {words.focal_length(_known(equivalent))}"


def _known(part: str | float | None) -> float | None:
    return None if part is None else float(part)


def month_name(key: Key) -> str:
    """A month as the key has it."""
    return str(key[0] or "no date")


def body_namer(counts: Mapping[Key, Count]) -> Namer:
    """Names bodies with their adapters, by their serial numbers where they need them."""
    return partial(_body, _plain_bodies(counts))


def _plain_bodies(counts: Mapping[Key, Count]) -> frozenset[str]:
    """Bodies that are told apart without their serial numbers."""
    bodies = {str(key[0]) for key in counts}
    models = Counter(_model(body) for body in bodies)
    return frozenset(body for body in bodies if models[_model(body)] == 1)


def _model(body: str) -> str:
    return body.partition(", serial ")[0]


def _body(plain: frozenset[str], key: Key) -> str:
    body = _model(str(key[0])) if key[0] in plain else str(key[0])
    return f"{body}, {key[1]}" if key[1] else body


_COLUMNS = ("body", "adapter", "lens", "f_number", "focal_length", "focal_length_35mm")


def _cell(part: str | float | None) -> str | float:
    """A cell that no spreadsheet takes for a formula (common practice: a quote before it)."""
    if isinstance(part, str):
        return (
            f"'{words.visible(part)}"
            if part.startswith(("=", "+", "-", "@", "\t", "\r"))
            else words.visible(part)
        )
    return "" if part is None else part


def tally_csv(tally: Tally) -> str:
    """One row for each kind of frame, with its counts: what a spreadsheet's pivot table takes."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*_COLUMNS, *Count.__dataclass_fields__])
    for key, count in tally.by(lambda one: tuple(getattr(one, name) for name in _COLUMNS)).items():
        writer.writerow([_cell(part) for part in key] + list(asdict(count).values()))
    return out.getvalue()
