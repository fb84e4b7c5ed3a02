"""The HTML pages, made from templates, and written over nothing that isn't flangeback's own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from flangeback.copies.model import Filled
from flangeback.errors import InputError, Problem
from flangeback.kit.card import Card
from flangeback.match.model import Matches
from flangeback.report import fit
from flangeback.report.runs import Run, sections, sensor_lines
from flangeback.system import save
from flangeback.words import count, number

_FRAMES, _CARD = "flangeback frames", "flangeback kit card"
"""What pages of each kind say made them, so that they may be written over."""


def write_match_page(path: Path, matches: Matches, folder: str, filled: Filled | None) -> None:
    """Writes the page for the frames of `folder`; `filled` adds what became of the copies.

    Raises InputError when another's file is in the way, or it can't be written.
    """
    page = _rendered(
        "frames.html",
        mark=_FRAMES,
        matches=matches,
        folder=folder,
        filled=filled,
        cells=_cells,
        count=count,
        sections=sections,
        sensor_lines=sensor_lines,
    )
    _write(path, page, _FRAMES)


def own_page(page: Path, name: str) -> Path:
    """The page of one outing of several: PAGE-NAME.html for PAGE.html."""
    stem = "-".join((page.stem, *name.split("/"))) if name else page.stem
    return page.with_name(stem + page.suffix)


def _cells(run: Run) -> Sequence[str]:
    """The lens, then the numbers."""
    fill, line = run.fill, str(run.first.log_line or "")
    if fill is None:
        return "", "", "", "", line
    values = (fill.f_number, fill.focal_length, fill.focal_length_35mm)
    return fill.lens.name, *("" if value is None else number(value) for value in values), line


def write_card_page(path: Path, cards: Sequence[Card]) -> None:
    """Writes the cards as a page to print on A6, one sheet per body.

    Raises InputError when another's file is in the way, or it can't be written.
    """
    _write(path, card_page(cards), _CARD)


def card_page(cards: Sequence[Card]) -> str:
    """The cards as an HTML document."""
    figures = {each.__name__: each for each in (fit.span, fit.ring, fit.f_range, fit.equivalents)}
    return _rendered("card.html", mark=_CARD, cards=cards, **figures)


def _rendered(template: str, **values: object) -> str:
    made = Environment(
        loader=PackageLoader("flangeback.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return made.get_template(template).render(values)


def _write(path: Path, page: str, mark: str) -> None:
    """Writes a page, over nothing but flangeback's own of this kind."""
    if path.is_dir():
        raise InputError(Problem(str(path), "is a folder", expected="the name of a new file"))
    try:
        own = not path.exists() or f'content="{mark}"'.encode() in path.read_bytes()
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be read: {error.strerror}")) from None
    if not own:
        text = "stands there already and isn't a page that flangeback made"
        raise InputError(Problem(str(path), text, expected="the name of a new file"))
    save(path, page.encode("utf-8", "replace"))
