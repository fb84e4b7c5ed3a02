"""The open lens-correction database, through the optional package lensfunpy.

Lens corrections find a lens by its maker and name; an entry says how they are written. The data
are CC BY-SA 3.0 and stay in the package: only what the user chooses is ever written.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from difflib import SequenceMatcher
from functools import cache
from typing import Any

from flangeback.errors import InputError, Problem
from flangeback.kit.model import Kit, Lens
from flangeback.kit.names import folded

HINT = 'the extra lensdb has it: pip install "flangeback[lensdb]"'
Pair = tuple[Decimal, Decimal]
"""The figures at the shortest and the longest end of a zoom, alike for one focal length."""
_SAME = Decimal("0.03")
"""Relative; figures of one lens, which makers round."""
_MOST_NEAREST = 3
_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:\.\d+)?")
_APERTURES = re.compile(
    r"(?:[fƒ]/?|1:)\s?(\d+(?:[.,]\d+)?)(?:\s?[-–—]\s?(?:[fƒ]/?)?(\d+(?:[.,]\d+)?))?(?!\d*mm)", re.I
)


@dataclass(frozen=True, slots=True)
class RecordedLens:
    """A lens of the database; None where it doesn't tell.

    `focal` is in mm, (shortest, longest); `widest` the f-number wide open at each of them.
    """

    maker: str
    name: str
    focal: Pair | None
    widest: Pair | None
    narrowest: Decimal | None
    mounts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LookUp:
    """A lens of the kit in the database: its entry, or those nearest to it."""

    lens: Lens
    entry: RecordedLens | None
    nearest: tuple[RecordedLens, ...] = ()


@cache
def entries() -> tuple[RecordedLens, ...]:
    """Every lens of the database. Raises InputError where the package can't be loaded."""
    try:
        import lensfunpy

        lenses = lensfunpy.Database().lenses
    except Exception as error:  # Compiled code fails to load in ways of its own.
        raise InputError(_problem(error)) from None
    # Some lenses are in it more than once, calibrated on sensors of other sizes.
    return tuple(dict.fromkeys(map(entry_of, lenses)))


def _problem(error: Exception) -> Problem:
    if isinstance(error, ModuleNotFoundError) and error.name == "lensfunpy":
        return Problem("", "the lens-correction database isn't installed", expected=HINT)
    text = f"the lens-correction database is installed but can't be loaded: {error}"
    return Problem("", text, expected="pip install --force-reinstall lensfunpy")


def entry_of(lens: Any) -> RecordedLens:
    """An entry from lensfunpy's own object; it has None or 0 for what it doesn't know."""
    shortest, longest = _figure(lens.min_focal), _figure(lens.max_focal)
    focal = None if shortest is None else (shortest, longest or shortest)
    return RecordedLens(
        lens.maker,
        lens.model,
        focal,
        _widest(lens.model, _figure(lens.min_aperture), focal),
        _figure(lens.max_aperture),
        tuple(lens.mounts),
    )


def _figure(value: float | None) -> Decimal | None:
    """A figure of 32-bit floats, as it was written."""
    return Decimal(f"{value:.4g}") if value else None


def apertures_in(name: str, focal: Pair | None) -> Pair | None:
    """The f-number wide open that a lens's name tells, at both ends of a zoom."""
    for wide, long in _apertures(name):
        if focal is not None and not (long and focal[0] == focal[1]):
            return wide, long or wide
    return None


def _apertures(name: str) -> Iterator[tuple[Decimal, Decimal | None]]:
    """Every f-number that a name may tell, with that at the other end of a zoom."""
    for found in _APERTURES.findall(name):
        wide, long = (Decimal(one.replace(",", ".")) if one else None for one in found)
        assert wide is not None
        yield wide, long


def _widest(name: str, smallest: Decimal | None, focal: Pair | None) -> Pair | None:
    """The database has one f-number; how it goes along a zoom only the name tells."""
    if smallest is None or focal is None:
        return None
    if focal[0] == focal[1]:
        return smallest, smallest
    for wide, long in _apertures(name):
        if abs(wide - smallest) <= _SAME * smallest:
            return smallest, long or smallest
    return None


def look_up(lens: Lens, known: Sequence[RecordedLens]) -> LookUp:
    """The entry of a lens's maker and name, else the nearest of its focal length and aperture."""
    maker, name = folded(lens.maker or ""), folded(lens.name)
    for entry in known:
        if folded(entry.name) == name and (not maker or folded(entry.maker) == maker):
            return LookUp(lens, entry)
    like = sorted(
        (entry for entry in known if _same_optics(lens, entry)),
        key=lambda entry: (entry.widest is not None, _likeness(maker + name, entry)),
        reverse=True,
    )
    return LookUp(lens, None, tuple(like[:_MOST_NEAREST]))


def look_up_all(kit: Kit) -> tuple[LookUp, ...] | Problem:
    """Every lens of a kit; what keeps the database from being asked, where something does."""
    try:
        return tuple(look_up(lens, entries()) for lens in kit.lenses.values())
    except InputError as error:
        return error.problems[0]


def _likeness(name: str, entry: RecordedLens) -> float:
    own = folded(entry.name)
    whole = own if own.startswith(folded(entry.maker)) else folded(entry.maker) + own
    return SequenceMatcher(None, name, whole, autojunk=False).ratio()


def _same_optics(lens: Lens, entry: RecordedLens) -> bool:
    if entry.focal is None or not same_figures(lens.focal, entry.focal):
        return False
    return entry.widest is None or same_figures(lens.widest, entry.widest)


def same_figures(mine: Pair, theirs: Pair) -> bool:
    """Whether figures are one lens's, which makers round."""
    return all(abs(one - other) <= _SAME * one for one, other in zip(mine, theirs, strict=True))


def find(
    words: Sequence[str], pick: int | None, choose: Callable[[Sequence[RecordedLens]], int]
) -> tuple[RecordedLens | None, tuple[Problem, ...]]:
    """The entry that words name, and what kept it from being found.

    Of several it is the one picked by its number from 1, else by the number that `choose` gives, 0
    for none. Raises InputError for a number beyond them.
    """
    if not words:
        return None, ()
    try:
        found = search(words, entries())
    except InputError as error:
        return None, error.problems
    text = " ".join(words)
    if not found:
        expected = "fewer or other words of its maker, name, mount, or its numbers"
        return None, (Problem("", f'no lens of the database has "{text}"', expected=expected),)
    number = choose(found) if pick is None and len(found) > 1 else pick or 1
    if number > len(found):
        told = f"there is no entry {number} for {text}"
        raise InputError.at("", told, f"--pick from 1 to {len(found)}")
    return (found[number - 1] if number else None), ()


def search(words: Sequence[str], known: Iterable[RecordedLens]) -> tuple[RecordedLens, ...]:
    """The entries in which every word stands, those with the fewest other words first.

    Letters may be the start of a word, numbers have to be whole.
    """
    wanted = _TOKEN.findall(" ".join(words).casefold())
    found = []
    for entry in known:
        tokens = _TOKEN.findall(" ".join((entry.maker, entry.name, *entry.mounts)).casefold())
        if wanted and all(
            any(want == token or (want.isalpha() and token.startswith(want)) for token in tokens)
            for want in wanted
        ):
            found.append((len(tokens), entry))
    return tuple(entry for _, entry in sorted(found, key=lambda each: each[0]))
