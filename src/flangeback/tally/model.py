"""Which lenses and f-numbers folders of frames were made with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

_SAME = 0.03
"""Relative: marks are rounded (f/5.6 is 5.657, ISO 517), and a third of a stop is 12 %."""
Key = tuple[Any, ...]
"""The values of some fields of [Taken], such as its lens and f-number."""
TABLES: Mapping[str, tuple[str, ...]] = {
    "lenses": ("lens",),
    "f_numbers": ("lens", "f_number"),
    "focal_lengths": ("focal_length", "focal_length_35mm"),
    "bodies": ("body", "adapter"),
    "months": ("month",),
}
"""What is counted, by which fields of [Taken]."""
_IN_ORDER = ("f_numbers", "focal_lengths", "months")


@dataclass(frozen=True, slots=True)
class Taken:
    """One frame, by its tags or by what was written into its copy; what is blank is None.

    Focal lengths are in mm. `adapter` is a key of the kit. `filled` says that flangeback wrote
    lens data for it, `kept` that it is still there; `month` is that of its camera time, 2026-05.
    """

    body: str
    adapter: str | None = None
    lens: str | None = None
    f_number: float | None = None
    widest: float | None = None
    focal_length: float | None = None
    focal_length_35mm: int | None = None
    filled: bool = False
    kept: bool = True
    month: str | None = None

    @property
    def is_wide_open(self) -> bool | None:
        """Whether it was made at the lens's widest f-number; None where that isn't known."""
        if self.f_number is None or self.widest is None:
            return None
        return self.f_number <= self.widest * (1 + _SAME)


@dataclass(frozen=True, slots=True)
class Count:
    """Frames of one kind: `wide_open` counts among the `known`, `kept` among the `filled` ones."""

    frames: int = 0
    wide_open: int = 0
    known: int = 0
    filled: int = 0
    kept: int = 0


@dataclass(frozen=True)
class Tally:
    """The frames of some folders, alike ones together. `folders` and `damaged` are counts."""

    taken: Mapping[Taken, int]
    folders: int = 0
    damaged: int = 0

    @cached_property
    def total(self) -> Count:
        """All of them."""
        return _count(self.taken)

    @cached_property
    def tables(self) -> Mapping[str, Mapping[Key, Count]]:
        """The TABLES; f-numbers are those of frames that name their lens."""
        found = {name: self.by(*kind, in_order=name in _IN_ORDER) for name, kind in TABLES.items()}
        named = {key: count for key, count in found["f_numbers"].items() if key[0]}
        return found | {"f_numbers": named}

    def by(self, *fields: str, in_order: bool = False) -> Mapping[Key, Count]:
        """Counts by these fields of [Taken], in their order or the most frequent first."""
        groups: dict[Key, dict[Taken, int]] = {}
        for taken, number in self.taken.items():
            key = tuple(getattr(taken, name) for name in fields)
            groups.setdefault(key, {})[taken] = number
        counts = {key: _count(group) for key, group in groups.items()}

        def place(one: tuple[Key, Count]) -> tuple[object, ...]:
            ends = -one[1].frames, _order(one[0])
            return ends[::-1] if in_order else ends

        return dict(sorted(counts.items(), key=place))


def _order(key: Key) -> tuple[tuple[bool, bool, float | str], ...]:
    """Numbers in their order, then texts in theirs, blanks last."""
    parts = (part.casefold() if isinstance(part, str) else part for part in key)
    return tuple((one is None, isinstance(one, str), 0 if one is None else one) for one in parts)


def _count(group: Mapping[Taken, int]) -> Count:
    found: Counter[str] = Counter()
    for taken, number in group.items():
        found["frames"] += number
        found["wide_open"] += number * (taken.is_wide_open is True)
        found["known"] += number * (taken.is_wide_open is not None)
        found["filled"] += number * taken.filled
        found["kept"] += number * (taken.filled and taken.kept)
    return Count(**{name: found[name] for name in Count.__dataclass_fields__})
