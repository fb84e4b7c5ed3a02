"""The numbers that bodies count their frames by, at the end of the names (CIPA DC-009)."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TypeVar

from flangeback.frames.model import Frame

LAST_NUMBER = 9999
"""The number after which names begin anew at 0001 (CIPA DC-009)."""
NEXT = 3
"""Numbers so close were given one after the other, with one or two frames deleted between."""
_T = TypeVar("_T")


def numbered(stem: str) -> tuple[str, int]:
    """A stem as its letters, folded, and its last number; -1 without one."""
    found = re.fullmatch(r"(.*?)(\d+)(\D*)", stem)
    if found is None:
        return stem.casefold(), -1
    return f"{found[1]}#{found[3]}".casefold(), int(found[2])


def count_of(frame: Frame) -> tuple[str, int]:
    """What a frame is counted within (its folder and the letters of its name) and its number."""
    letters, number = numbered(frame.stem)
    return f"{frame.file.rpartition('/')[0]}/{letters}", number


def by_count(things: Sequence[_T], number: Callable[[_T], int]) -> Sequence[_T]:
    """Things by their number, which begins anew after the last one."""
    if len(things) < 2:
        return things
    numbers = [number(thing) for thing in things]
    half = (LAST_NUMBER + 1) // 2
    turned = max(numbers) - min(numbers) > half

    def count(thing: _T) -> int:
        n = number(thing)
        return n + LAST_NUMBER + 1 if turned and n < half else n

    return sorted(things, key=count)
