"""How an aperture ring goes from where it stood at one observation to where it stands at the next.

At each it stands in a row of the ring model: for each hypothesis of its ring offsets, 0 first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flangeback.match.grid import Array
from flangeback.match.observation import Hypothesis

Rows = NDArray[np.intp]
TURNED_AGAIN = 0.15
"""Relative probability that a ring which already stands off the log is turned to another offset."""
TURNED_BACK = 0.003
"""Relative probability that such a ring is turned back to what the log says."""
UNNOTED_AT_ENTRY = 0.35
"""Relative probability of an un-noted turn between an entry and the next frame."""
_LEAST_TURN = 1.0
"""Stops; smaller turns are no likelier."""


def blocks(hypotheses: Sequence[Hypothesis]) -> Iterator[tuple[Hypothesis, slice]]:
    """Each with the rows of its ring offsets, 0 first."""
    start = 0
    for one in hypotheses:
        end = start + 1 + len(one.offsets)
        yield one, slice(start, end)
        start = end


def pairs(
    before: Sequence[Hypothesis], after: Sequence[Hypothesis]
) -> Iterator[tuple[Hypothesis, Hypothesis, slice, slice]]:
    """Hypotheses that may follow each other, with their rows."""
    for one, rows in blocks(before):
        for other, columns in blocks(after):
            if other.entry >= one.entry:
                yield one, other, rows, columns


class Turns(NamedTuple):
    """Rows that a ring goes from and to, pair by pair, and their places in the table of all pairs.

    For each old row `of_old` has 1 at its pairs and 0 at others, `of_new` for each new row.
    """

    old: Rows
    new: Rows
    places: Rows
    of_old: Array
    of_new: Array


class Ways(NamedTuple):
    """The ways from rows to rows.

    `turns` are followed within a scene: rings that stay, are turned from the log, or back to it;
    `still` are those of them that nobody turned without a note. Where an entry `is_noted`, it has
    been made in between. `stays` and `goes` are the probabilities that a ring goes from each row to
    each, untouched and maybe turned, if that was made.
    """

    turns: Turns
    still: Turns
    is_noted: NDArray[np.bool_]
    stays: Array
    goes: Array


@lru_cache(maxsize=64)
def ways(before: tuple[Hypothesis, ...], after: tuple[Hypothesis, ...]) -> Ways:
    """Those from hypotheses to others, by their offsets and by which entries come first."""
    sides = (
        np.array([(x, one.entry) for one in those for x in (0.0, *one.offsets)]).T
        for those in (before, after)
    )
    (one, old_entry), (other, new_entry) = (side[:, :, None] for side in sides)
    is_noted, is_later = old_entry < new_entry.T, old_entry <= new_entry.T
    is_still = np.where(is_noted, other.T == 0, is_later & (one == other.T))
    is_turned = is_later & ((one == 0) | (other.T == 0) | (one == other.T))
    stays, goes = np.zeros(is_noted.shape), np.zeros(is_noted.shape)
    for old, new, *place in pairs(before, after):
        found = _turns((0.0, *new.offsets), is_entry=new.entry > old.entry)
        stays[*place], goes[*place] = found
    return Ways(_pairs_of(is_turned), _pairs_of(is_still), is_noted, stays, goes)


def _pairs_of(table: NDArray[np.bool_]) -> Turns:
    """The pairs of an old row and a new one that are true."""
    old, new = np.nonzero(table)
    of_old, of_new = (
        (np.arange(count)[:, None] == rows).astype(np.float32)
        for count, rows in zip(table.shape, (old, new), strict=True)
    )
    return Turns(old, new, old * table.shape[1] + new, of_old, of_new)


@cache
def _turns(offsets: tuple[float, ...], *, is_entry: bool) -> tuple[Array, Array]:
    """Probabilities that a ring goes from each offset to each: untouched, and maybe turned.

    That is without a note; the less it is turned, the likelier. A new entry forgets where it stood.
    """
    to = np.array(offsets)
    sizes = np.abs(to[:, None] - to)
    turns: Array = np.where(sizes > 0, 1 / np.maximum(sizes, _LEAST_TURN), 0.0)
    if len(offsets) > 1:
        turns /= turns.sum(axis=1, keepdims=True)
    turns[1:] *= TURNED_AGAIN
    turns[1:, 0] = TURNED_BACK
    turns = UNNOTED_AT_ENTRY * turns[:1] if is_entry else turns
    stand = np.eye(*turns.shape)
    return stand, turns + (1 - turns.sum(axis=1, keepdims=True)) * stand
