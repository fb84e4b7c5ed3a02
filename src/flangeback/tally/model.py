"""Which lenses and f-numbers folders of frames were made with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

_SAME = 0.03
"""Relative: marks are rounded (f/5.6 is 5.657, ISO 517), and a third of a stop is 12 %."""


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
    """Frames of one kind.

    `wide_open` counts among those for which that is `known`, `kept` among the `filled` ones.
    """

    frames: int = 0
    wide_open: int = 0
    known: int = 0
    filled: int = 0
    kept: int = 0


Key = tuple[str | float | None, ...]


@dataclass(frozen=True)
class Tally:
    """The frames of some folders, alike ones together. `folders` and `damaged` are counts."""

    taken: Mapping[Taken, int]
    folders: int = 0
    damaged: int = 0

    @cached_property
    def total(self) -> Count:
        """All of them."""
        return _count(dict(self.taken))

    def by(
        self, key: Callable[[Taken], Key | None], *, in_order: bool = False
    ) -> Mapping[Key, Count]:
        """Counts by some kind, in its order or the most frequent first.

        Frames whose kind is None are left out.
        """
        groups: dict[Key, dict[Taken, int]] = {}
        for taken, number in self.taken.items():
            kind = key(taken)
            if kind is not None:
                groups.setdefault(kind, {})[taken] = number
        counts = {kind: _count(group) for kind, group in groups.items()}

        def place(one: tuple[Key, Count]) -> tuple[object, ...]:
            ends = -one[1].frames, _order(one[0])
            return ends[::-1] if in_order else ends

        return dict(sorted(counts.items(), key=place))

    def by_lens(self) -> Mapping[Key, Count]:
        """By lens, None for frames that name none."""
        return self.by(lambda taken: (taken.lens,))

    def by_lens_and_f_number(self) -> Mapping[Key, Count]:
        """By lens and f-number, in that order."""
        return self.by(lambda one: (one.lens, one.f_number) if one.lens else None, in_order=True)

    def by_focal_length(self) -> Mapping[Key, Count]:
        """By focal length and 35 mm equivalent."""
        return self.by(lambda one: (one.focal_length, one.focal_length_35mm), in_order=True)

    def by_month(self) -> Mapping[Key, Count]:
        """By month, in order."""
        return self.by(lambda one: (one.month,), in_order=True)

    def by_body_and_adapter(self) -> Mapping[Key, Count]:
        """By body and adapter, None where none is known."""
        return self.by(lambda taken: (taken.body, taken.adapter))


def _order(key: Key) -> tuple[tuple[int, float, str], ...]:
    """Numbers in their order, then texts in theirs, blanks last."""
    return tuple(
        (2, 0.0, "")
        if part is None
        else (1, 0.0, part.casefold())
        if isinstance(part, str)
        else (0, part, "")
        for part in key
    )


def _count(group: Mapping[Taken, int]) -> Count:
    found: Counter[str] = Counter()
    for taken, number in group.items():
        found["frames"] += number
        found["wide_open"] += number * (taken.is_wide_open is True)
        found["known"] += number * (taken.is_wide_open is not None)
        found["filled"] += number * taken.filled
        found["kept"] += number * (taken.filled and taken.kept)
    return Count(**{name: found[name] for name in Count.__dataclass_fields__})
