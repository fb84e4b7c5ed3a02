"""The changes that a log claims, each with the places among a body's shots where it may have been
made.

Place p lies after p shots. The changes of a body stand in the order of their first places; a
change's number is its position in that order, counted from 1, and 0 stands for no change yet.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import Enum, IntEnum, StrEnum
from itertools import accumulate

from flangeback.log.model import Setting
from flangeback.match.model import Doubt
from flangeback.match.shots import Shot

Values = tuple[str | None, str | None, Decimal | None, Decimal | None]
"""Lens, adapter, f-number and focal length of a setting."""

Doubts = Mapping[int, tuple[Doubt, ...]]
"""Doubts on shots, by the shot's index."""


class Rank(IntEnum):
    """Who stands above whom, where entries of several kinds speak of one frame."""

    TIME = 1
    ORDER = 2
    NAME = 3
    SLATE = 4


class Source(StrEnum):
    """What tells the values of a frame."""

    NAME = "name"
    LOG = "log"
    ORDER = "order"
    PAUSE = "pause"
    LIGHT = "light"
    REGISTERED = "registered"


class ChangeKind(Enum):
    """What hands have to do for a change."""

    LENS = "lens"
    """Another lens, another adapter, or none."""
    RING = "ring"
    """A ring on the lens is turned: f-number or focal length."""


@dataclass(frozen=True, slots=True)
class Change:
    """From one of its `places` on, `setting` holds; None where the log claims nothing more.

    `log` and `line` say where the entry stands, `before` what the log has before it (None: nothing,
    or not known). `places` rise. `earliest` up to `latest` is when the change was made (true time
    in microseconds) by the log alone; both are None for an entry without a time.
    """

    log: str
    line: int
    setting: Setting | None
    before: Setting | None
    rank: Rank
    places: tuple[int, ...]
    earliest: int | None = None
    latest: int | None = None

    @property
    def kind(self) -> ChangeKind | None:
        """What hands had to do; None where the log claims no change of anything."""
        old, new = self.before, self.setting
        if old is None or new is None or values(old) == values(new):
            return None
        same = (old.lens, old.adapter) == (new.lens, new.adapter)
        return ChangeKind.RING if same else ChangeKind.LENS

    def at(self, places: Iterable[int]) -> Change:
        """The same change, at these of its places."""
        return replace(self, places=tuple(places))


def values(setting: Setting) -> Values:
    """What a setting says, wherever it stands."""
    return setting.lens, setting.adapter, setting.f_number, setting.focal_length


def in_order(changes: Iterable[Change]) -> tuple[Change, ...]:
    """The changes by their first places, each narrowed to lie between those around it in its log.

    Where the log contradicts itself, all between the two is open.
    """
    by_log: dict[str, list[Change]] = {}
    for change in changes:
        by_log.setdefault(change.log, []).append(change)
    narrowed = [change for log in by_log.values() for change in _narrowed(log)]
    return tuple(sorted(narrowed, key=lambda change: change.places[0]))


def _narrowed(changes: Sequence[Change]) -> Iterable[Change]:
    least = accumulate((change.places[0] for change in changes), max)
    most = [*accumulate((change.places[-1] for change in reversed(changes)), min)][::-1]
    for change, first, last in zip(changes, least, most, strict=True):
        kept = [place for place in change.places if first <= place <= last]
        yield change.at(kept or range(min(first, last), max(first, last) + 1))


def standing(changes: Sequence[Change], shots: Sequence[Shot]) -> tuple[tuple[int, ...], ...]:
    """For each shot the numbers of the changes that may have been the last before it, rising."""
    first_places = [change.places[0] for change in changes]
    # The greatest so far: rising, so that it can be searched.
    last_places = list(accumulate((change.places[-1] for change in changes), max))
    found = []
    for at in range(len(shots)):
        first, last = bisect_right(last_places, at), bisect_left(first_places, at + 1)
        # A change that was made before the shot for certain ends all before it.
        found.append(
            tuple(
                number
                for number in range(first, last + 1)
                if number == last or changes[number].places[-1] > at
            )
        )
    return tuple(found)


def setting_of(changes: Sequence[Change], number: int) -> Setting | None:
    """What holds after the change of this number; None before any."""
    return changes[number - 1].setting if number else None
