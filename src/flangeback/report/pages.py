"""The HTML pages, made from templates, and written over nothing that isn't flangeback's own.

Where another's file is in the way of one, or it can't be written, InputError is raised.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path, PurePath

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

import flangeback
from flangeback import words
from flangeback.clock.model import SECOND, instant
from flangeback.copies.output import lies_in
from flangeback.errors import InputError
from flangeback.kit.card import Card
from flangeback.match.clock_fit import clock_words
from flangeback.match.meanings import OUTCOMES
from flangeback.report import fit, lanes
from flangeback.report import tally as tally_words
from flangeback.report.outing_page import OutingPage, before_of, on_the_ring, strip, values_of
from flangeback.report.proof import Proof
from flangeback.report.runs import sensor_lines, shown_fill
from flangeback.report.survey import clock_remarks
from flangeback.report.timeline import axis_of
from flangeback.saving import save
from flangeback.survey.model import Survey
from flangeback.system import open_file
from flangeback.tally.model import Key, Tally

_FRAMES, _CARD = "flangeback frames", "flangeback kit card"
_TALLY, _SURVEY = "flangeback tally", "flangeback survey"
"""What pages of each kind say made them, so that they may be written over."""
_SURVEY_WIDTH = 1080.0
_HEAD = 4096
"""Bytes at a page's start, up to its title."""


def write_outing_page(path: Path, page: OutingPage, proof: Proof | None = None) -> None:
    """Writes the page of an outing, with the proof of its copies, if any. Raises InputError."""
    files = [log.file for log in page.logs]

    def line_anchor(log: str, line: int) -> str:
        return f"l{files.index(log)}-{line}" if log in files else "log"

    values = {"page": page, "proof": proof, "line_anchor": line_anchor}
    _write(path, _rendered("outing.html", _FRAMES, values), _FRAMES)


def own_page(page: Path, name: str, frames: Iterable[Path]) -> Path:
    """PAGE-NAME.html for PAGE.html. Raises InputError where that lies in one of `frames`."""
    if any(lies_in(page, folder) for folder in frames):
        text = "lies in the frames folder, where nothing is ever written"
        raise InputError.at(page, text, "a name outside of it")
    stem = "-".join((page.stem, *name.split("/"))) if name else page.stem
    return page.with_name(stem + page.suffix)


def write_tally_page(path: Path, tally: Tally) -> None:
    """Writes how lenses, f-numbers and focal lengths were used. Raises InputError."""
    tables = tally.tables
    named: dict[str, tally_words.Namer] = {
        "lenses": tally_words.lens_name,
        "bodies": tally_words.body_namer(tally),
        "focal_lengths": _both_lengths,
        "months": lambda key: str(key[0] or "no date"),
    }
    rows = {name: [(say(key), n) for key, n in tables[name].items()] for name, say in named.items()}
    rows["focal_lengths"] = [(name, n) for name, n in rows["focal_lengths"] if name]
    stops = sorted({stop for _, stop in tables["f_numbers"]}, key=lambda stop: (stop is None, stop))
    _write(path, _rendered("tally.html", _TALLY, {"tally": tally, "stops": stops} | rows), _TALLY)


def _both_lengths(key: Key) -> str:
    """A focal length with its 35 mm equivalent; empty where it isn't known."""
    own, equivalent = key
    told = "" if equivalent is None else f" (as {words.focal_length(equivalent)})"
    return "" if own is None else words.focal_length(own) + told


def write_survey_page(path: Path, survey: Survey, folder: str) -> None:
    """Writes what lens data is missing, on a timeline. Raises InputError."""
    timed = [body for body in survey.bodies if body.clusters or body.registered]
    stretches = [
        stretch
        for body in timed
        for stretch in (*body.clusters, *(one for r in body.registered for one in r.stretches))
    ]
    times = [_seconds(at) for stretch in stretches for at in (stretch.start, stretch.end)]
    axis = axis_of(times, _SURVEY_WIDTH)
    values = {
        "survey": survey,
        "folder": folder,
        "axis": axis,
        "place": lambda at: axis.x(_seconds(at)),
        "timed": timed,
        "hours": tuple(lanes.hours_of(axis, timedelta(0))),
        "remarks": tuple(clock_remarks(survey)),
    }
    _write(path, _rendered("survey.html", _SURVEY, values), _SURVEY)


def _seconds(at: datetime) -> float:
    """A reading of a body's own clock, which is taken as it stands."""
    return instant(at.replace(tzinfo=None)) / SECOND


def write_card_page(path: Path, cards: Sequence[Card]) -> None:
    """Writes the cards as a page to print on A6, one sheet per body. Raises InputError."""
    _write(path, card_page(cards), _CARD)


def card_page(cards: Sequence[Card]) -> str:
    """The cards as an HTML document."""
    return _rendered("card.html", _CARD, {"cards": cards}, "card.css")


def _rendered(name: str, mark: str, values: Mapping[str, object], css: str = "style.css") -> str:
    style, script = _part(css), _part("script.js")
    about = {
        "mark": mark,
        "style": style,
        "script": script,
        "policy": _policy(style, script),
        "version": flangeback.__version__,
        "made": f"{datetime.now().astimezone():%Y-%m-%d %H:%M}",
    }
    return _environment().get_template(name).render(about | dict(values))


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("flangeback.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_inert,
    )
    made.filters["base_name"] = lambda file: PurePath(file).name
    in_words = words.count, words.listed, words.f_number, words.focal_length, words.clock_time
    of_cards = fit.span, fit.ring, fit.f_range, fit.equivalents, fit.angles
    of_frames = strip, values_of, before_of, on_the_ring, shown_fill, clock_words, sensor_lines
    for each in (*in_words, *of_cards, *of_frames):
        made.globals[each.__name__] = each
    made.globals |= {"symbol": _symbol, "lanes": lanes, "meanings": OUTCOMES}
    made.globals["px"] = lambda value: f"{value:.1f}"
    return made


@cache
def _symbol(outcome: str) -> Markup:
    """The mark whose shape is this outcome."""
    return Markup(
        '<svg class="mark {0}" aria-hidden="true" focusable="false"><use href="#m-{0}"/></svg>'
    ).format(outcome)


def _inert(value: object) -> object:
    """Text from elsewhere with what isn't to be seen made visible; it is escaped after this."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return words.visible(value)
    return value


def _part(name: str) -> Markup:
    """A file of the package that stands in a page as it is."""
    loader = _environment().loader
    assert loader is not None
    return Markup(loader.get_source(_environment(), name)[0])


def _policy(style: str, script: str) -> str:
    """The page's own policy (CSP Level 3, W3C): it loads nothing, and runs only its own script."""
    return (
        f"default-src 'none'; img-src data:; style-src {_hash(style)}; script-src {_hash(script)}; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _is_page(path: Path, mark: str) -> bool:
    """Whether a file is a page of this kind, by its first lines: any file may hold the mark."""
    with open_file(path) as file:
        head = file.read(_HEAD).partition(b"<title>")[0].splitlines()
    generator = f'<meta name="generator" content="{mark}">'
    return head[:1] == [b"<!doctype html>"] and generator.encode() in head


def _write(path: Path, page: str, mark: str) -> None:
    """Writes a page, over nothing but flangeback's own of this kind."""
    if path.is_dir():
        raise InputError.at(path, "is a folder", "the name of a new file")
    try:
        own = not path.exists() or _is_page(path, mark)
    except OSError as error:
        raise InputError.at(path, f"can't be read: {error.strerror}") from None
    if not own:
        text = "stands there already and isn't a page that flangeback made"
        raise InputError.at(path, text, "the name of a new file")
    save(path, page.encode("utf-8", "replace"))
