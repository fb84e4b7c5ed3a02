"""The changes that a log claims, with the places where each may have been made.

Place p lies after p shots. The changes of a body by time or order stand in the order of their first
places; a change's number is its position in that order, counted from 1, and 0 stands for no change
yet. Those that name files govern these alone. Where several govern a frame, `Rank` says which one
stands above.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from enum import Enum, IntEnum
from functools import cache
from itertools import accumulate, pairwise
from typing import TypeVar

from flangeback.clock.checks import amount
from flangeback.clock.model import SECOND, ClockHistory, in_their_hours, instant, microseconds
from flangeback.log.model import FrameRange, Frames, Setting, Span, covers
from flangeback.match.doubts import Doubt
from flangeback.match.shots import Shot

LATEST_NOTE = 60.0
"""Seconds by which notes follow their changes at the most, as a rule (common practice)."""
LONGEST_CARRIED = 6 * 3600 * SECOND
"""Microseconds without frame or entry of a body over which an entry doesn't hold: by then the gear
has been put away."""
_T = TypeVar("_T")
Values = tuple[str | None, str | None, Decimal | None, Decimal | None]
"""Lens, adapter, f-number and focal length of a setting."""

Doubts = Mapping[int, tuple[Doubt, ...]]
"""Doubts on shots, by the shot's index."""


class ChangeKind(Enum):
    """What hands have to do for a change."""

    LENS = "lens"
    """Another lens, another adapter, or none."""
    RING = "ring"
    """A ring on the lens is turned: f-number or focal length."""


class Rank(IntEnum):
    """What stands above what, the lowest first; of one rank, the change of fewer files does.

    A change whose files are a part of another's stands above it, whatever their ranks.
    """

    ALL = 0
    GROUP = 1
    """A folder or a day."""
    TIME = 2
    """Or the order of slate frames: where a body has both, neither stands above the other."""
    NAME = 3
    """Frames by their names, or by a pattern of them."""


@dataclass(frozen=True, slots=True)
class Change:
    """From one of its `places` on, `setting` holds; None where the log claims nothing more.

    One whose entry names its `files`, as `frames`, has no places: it holds for these. `body` is the
    one that the entry names then.

    `log` and `line` say where the entry stands, `before` what the log has before it (None: nothing,
    or not known). `places` rise. By the log alone it was made within `window`, from the earliest up
    to the latest true time (microseconds); None for an entry without a time. `reason` says why
    nothing holds any more.
    """

    log: str
    line: int
    setting: Setting | None
    before: Setting | None
    places: tuple[int, ...]
    window: tuple[int, int] | None = None
    reason: str | None = None
    rank: Rank = Rank.TIME
    files: frozenset[str] = frozenset()
    frames: Frames | None = None
    body: str | None = None

    def is_part_of(self, other: Change) -> bool:
        """Whether its files are a part of another's; where they are the same, by its words."""
        if self.files != other.files:
            return self.files < other.files
        return other._covers(self) and not self._covers(other)

    def _covers(self, other: Change) -> bool:
        is_around = self.frames is not None and covers(self.frames, other.frames)
        # A frame is one body's, whether or not that is named.
        is_any = isinstance(self.frames, FrameRange) or self.body in (None, other.body)
        return bool(is_around) and is_any

    def contradicts(self, other: Change) -> bool:
        """Whether both name files, neither stands above the other, and they differ in values."""
        if self.setting is None or other.setting is None or self.rank != other.rank:
            return False
        is_nested = self.is_part_of(other) or other.is_part_of(self)
        return not is_nested and values(self.setting) != values(other.setting)

    @property
    def kind(self) -> ChangeKind | None:
        """What hands had to do; None where the log claims no change of anything."""
        old, new = self.before, self.setting
        if old is None or new is None or values(old) == values(new):
            return None
        same = (old.lens, old.adapter) == (new.lens, new.adapter)
        return ChangeKind.RING if same else ChangeKind.LENS

    @property
    def repeats(self) -> bool:
        """Whether the entry gives the f-number that the log has there already.

        Nobody notes the ring where it stood: it had been turned without a note.
        """
        old, new = self.before, self.setting
        if old is None or new is None or not new.says_f_number or new.f_number is None:
            return False
        return values(old) == values(new)

    def at(self, places: Iterable[int]) -> Change:
        """The same change, at these of its places."""
        return replace(self, places=tuple(places))


@dataclass(frozen=True, slots=True)
class BodyTimeline:
    """The shots of one body and the changes among them. `clock` is what its readings go by."""

    clock: ClockHistory
    shots: tuple[Shot, ...] = ()
    changes: tuple[Change, ...] = ()

    def without(self, files: Collection[str]) -> BodyTimeline:
        """The same without these files' shots; each change stays between the same others."""
        kept = [at for at, shot in enumerate(self.shots) if shot.frame.file not in files]
        if len(kept) == len(self.shots):
            return self
        moved = (
            change.at(dict.fromkeys(bisect_left(kept, place) for place in change.places))
            for change in self.changes
        )
        return replace(self, shots=tuple(self.shots[at] for at in kept), changes=tuple(moved))


def highest(named: Mapping[str, Sequence[Change]]) -> Mapping[str, Change]:
    """For each file, of the changes that name it the one that holds.

    Against times it has the greatest rank among them.
    """
    every = {id(one): one for changes in named.values() for one in changes}

    @cache
    def is_part(one: int, other: int) -> bool:
        return every[one].is_part_of(every[other])

    @cache
    def highest_of(numbers: tuple[int, ...]) -> Change:
        inmost = [every[n] for n in numbers if not any(is_part(other, n) for other in numbers)]
        rank = max(every[n].rank for n in numbers)
        return replace(max(inmost, key=lambda one: (one.rank, -len(one.files))), rank=rank)

    return {file: highest_of(tuple(map(id, changes))) for file, changes in named.items()}


def values(setting: Setting) -> Values:
    """What a setting says, wherever it stands."""
    return setting.lens, setting.adapter, setting.f_number, setting.focal_length


def in_order(changes: Iterable[Change]) -> tuple[Change, ...]:
    """The changes by their first places, each narrowed to lie between those around it in its log.

    Where the log contradicts itself, all between the two is open.
    """
    logs = _by_log(changes, lambda change: change.log)
    narrowed = [change for log in logs for change in _narrowed(log)]
    return tuple(sorted(narrowed, key=lambda change: change.places[0]))


def _by_log(things: Iterable[_T], log: Callable[[_T], str]) -> Iterable[Sequence[_T]]:
    found: dict[str, list[_T]] = {}
    for thing in things:
        found.setdefault(log(thing), []).append(thing)
    return found.values()


def _narrowed(changes: Sequence[Change]) -> Iterator[Change]:
    bounds = _in_turn([(change.places[0], change.places[-1]) for change in changes])
    for change, (first, last) in zip(changes, bounds, strict=True):
        kept = [place for place in change.places if first <= place <= last]
        yield change.at(kept or range(first, last + 1))


def _in_turn(stretches: Sequence[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Each stretch without what lies before the ones before it, or after the ones after it."""
    least = accumulate((first for first, _ in stretches), max)
    most = [*accumulate((last for _, last in reversed(stretches)), min)][::-1]
    for first, last in zip(least, most, strict=True):
        yield min(first, last), max(first, last)


def changes_by_time(spans: Iterable[Span], shots: Sequence[Shot]) -> tuple[Change, ...]:
    """The changes that these spans mean, with their places among the shots."""
    ends = (end for span in spans for end in _ends(span))
    windows = [
        (entry, setting, *stretch)
        for log in _by_log(ends, lambda end: end[0].log)
        for (entry, setting, *_), stretch in zip(
            log, _in_turn(in_their_hours([end[2:] for end in log])), strict=True
        )
    ]
    windows.sort(key=lambda window: window[2])
    changes: list[Change] = []
    for entry, setting, *window in windows:
        first, last = window
        before = _before(changes, entry.log, first)
        changes.append(Change(entry.log, entry.line, setting, before, (), (first, last)))
    return at_their_places(changes, shots)


def at_their_places(changes: Iterable[Change], shots: Sequence[Shot]) -> tuple[Change, ...]:
    """The changes with the places that their windows allow."""
    # Rising, so that they can be searched, whatever a single reading's width is.
    latest = list(accumulate((shot.latest for shot in shots), max))
    earliest = [*accumulate((shot.earliest for shot in reversed(shots)), min)][::-1]
    return tuple(
        change.at(
            range(
                bisect_right(latest, change.window[0]), bisect_left(earliest, change.window[1]) + 1
            )
        )
        if change.window
        else change
        for change in changes
    )


def ended_by_pauses(changes: Sequence[Change], shots: Sequence[Shot]) -> tuple[Change, ...]:
    """The changes, and one more for each long pause of a body.

    After it nothing holds until the next entry; an entry that says its own end holds up to that.
    """
    has_end = {(change.log, change.line) for change in changes if change.setting is None}
    moments: list[tuple[tuple[int, int], Change | None]] = [
        ((shot.earliest, shot.latest - (shot.end - shot.start)), None) for shot in shots
    ]
    moments += [(change.window, change) for change in changes if change.window]
    moments.sort(key=lambda moment: moment[0])
    found: list[Change] = []
    held: Change | None = None
    reached = moments[0][0][1] if moments else 0
    for (first, last), change in moments:
        carries = held is not None and held.setting and (held.log, held.line) not in has_end
        if first - reached >= LONGEST_CARRIED and held is not None and carries:
            held = _end(held, first - reached, sum(shot.earliest <= reached for shot in shots))
            found.append(held)
        if change is not None:
            is_after_pause = held is not None and held.reason is not None
            held = replace(change, before=None) if is_after_pause else change
            found.append(held)
        reached = max(reached, last)
    return tuple(found)


def _end(held: Change, pause: int, place: int) -> Change:
    reason = (
        f"line {held.line} doesn't hold over a pause of {amount(pause)}: add an entry after it, "
        "or `overnight` on a line of its own"
    )
    return Change(held.log, held.line, None, held.setting, (place,), None, reason)


def _ends(span: Span) -> Iterator[tuple[Setting, Setting | None, int, int, int]]:
    """Where a span begins and ends.

    Its entry, what holds from there on, and the stretch of time in which that is, with how far its
    two hours are apart where clocks fall back.
    """
    for moment, setting in ((span.start, span.setting), (span.end, None)):
        if moment is not None:
            first, last = moment.earliest, moment.latest
            apart = (first.utcoffset() or timedelta(0)) - (last.utcoffset() or timedelta(0))
            hours = max(0, microseconds(apart))
            yield span.setting, setting, instant(first), instant(last), hours


def _before(changes: Sequence[Change], log: str, first: int) -> Setting | None:
    """What stood before; of two logs whose changes may have come in either order, neither tells."""
    if not changes:
        return None
    last = changes[-1]
    known = last.log == log or (last.window is not None and last.window[1] <= first)
    return last.setting if known else None


def standing(changes: Sequence[Change], shots: Sequence[Shot]) -> tuple[tuple[int, ...], ...]:
    """For each shot the numbers of the changes that may have been the last before it, rising."""
    first_places = [change.places[0] for change in changes]
    # The greatest so far: rising, so that it can be searched.
    last_places = list(accumulate((change.places[-1] for change in changes), max))
    edges = {0, *first_places, *(change.places[-1] for change in changes)}
    found: list[tuple[int, ...]] = []
    for at, end in pairwise((*sorted(one for one in edges if one < len(shots)), len(shots))):
        first, last = bisect_right(last_places, at), bisect_left(first_places, at + 1)
        # A change that was made before the shot for certain ends all before it.
        here = tuple(
            number
            for number in range(first, last + 1)
            if number == last or changes[number].places[-1] > at
        )
        found += [here] * (end - at)
    return tuple(found)


def setting_of(changes: Sequence[Change], number: int) -> Setting | None:
    """What holds after the change of this number; None before any."""
    return changes[number - 1].setting if number else None
