"""Where a body's clock was set along the way, and what its frames go by on either side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import NamedTuple

from flangeback.clock.checks import BACK, MOST_SET, amount, is_ambiguous
from flangeback.clock.counting import LAST_NUMBER, NEXT, by_count, count_of
from flangeback.clock.fitting import contradict, fit_clock, outlier
from flangeback.clock.model import SECOND, BodyClock, Reference, instant, microseconds, placed
from flangeback.frames.model import Frame

_LONGEST = 24 * 3600 * SECOND
"""Microseconds by which a clock may be off where frames bound it on one side alone."""
_NIGHT = timedelta(hours=12)
"""After a longer pause over the beginning of summer time clocks were set, or set themselves."""
_ORDINARY = 300 * SECOND
"""Microseconds of a pause such as there are many of."""


class Resets(NamedTuple):
    """`clocks` is what each file's reading goes by.

    `text` says in words where the clock was set.
    """

    clocks: Mapping[str, BodyClock]
    text: str


class _Made(NamedTuple):
    frame: Frame
    reading: int


class _Piece(NamedTuple):
    """Frames between two settings of the clock, with the photos of a clock among them.

    Or frames that may lie on either side of one, with a photo of each side in `either`.
    """

    made: Sequence[_Made]
    references: Sequence[Reference]
    either: bool = False


def find_resets(
    frames: Sequence[Frame], zone: tzinfo | None, references: Mapping[str, Reference]
) -> Resets | None:
    """The clocks of one body that was set along the way, by its `references` (by file).

    None where it wasn't, or no reference tells what it was set from or to.

    The count in the names tells where: it goes on where the reading goes back. A clock set forward
    leaves a pause as long in the readings, and the photos of a clock around it differ by as much.
    """
    made = _as_made(frames, zone) if references else ()
    if not made:
        return None
    pieces: list[_Piece] = []
    for part in _cut_by_count(made):
        found = _cut_by_references(part, references)
        if found is None:
            return None
        pieces += found
    if len(pieces) == 1:
        return None
    clocks = _clocks(pieces)
    return Resets(
        {
            one.frame.file: clock
            for piece, clock in zip(pieces, clocks, strict=True)
            for one in piece.made
        },
        "; ".join(_words(pieces, clocks)),
    )


def over_summer_time(
    frames: Sequence[Frame], zone: tzinfo | None, clock: BodyClock
) -> Mapping[str, BodyClock]:
    """By file, the clocks of a body whose frames lie on both sides of a change by summer time.

    There are none where the log's clock wasn't set during the outing. Bodies keep the offset that
    they were set to (common practice): where the readings don't fall back in autumn as the count
    goes on, or one lies in the hour that spring leaves out, those after the change keep the old
    offset. Where spring's readings tell nothing, they are taken as set forward, and after a night
    that is no doubt any more.
    """
    made = [(one.time.at, one) for one in frames if one.time and one.time.offset is None]
    if zone is None or not made:
        return {}
    made.sort(key=lambda one: count_of(one[1]))
    falls = any(
        later < one - timedelta(microseconds=BACK) and count_of(frame)[0] == count_of(other)[0]
        for (one, frame), (later, other) in pairwise(made)
    )
    first = zone.utcoffset(min(at for at, _ in made)) or timedelta(0)
    ahead = {one.file: first - (zone.utcoffset(at) or timedelta(0)) for at, one in made}
    is_spring = min(ahead.values()) < timedelta(0)
    if not any(ahead.values()) or (falls and not is_spring):
        return {}
    is_kept = not is_spring or any(_is_left_out(at, zone) for at, _ in made)
    before = max(at for at, one in made if not ahead[one.file])
    after = min(at for at, one in made if ahead[one.file])
    if not is_kept and after - before > _NIGHT:
        return {}
    text = (
        "summer time began during the outing: the body's clock is taken as set forward"
        if not is_kept
        else "summer time began during the outing, and a reading lies in the hour that was left "
        "out: the body's clock is taken as not set forward"
        if is_spring
        else "summer time ended during the outing, and the readings don't fall back: the body's "
        "clock is taken as not set back"
    )
    return {
        file: replace(clock, ahead=clock.ahead + microseconds(more) * is_kept, unsure=text)
        if more
        else clock
        for file, more in ahead.items()
    }


def _is_left_out(at: datetime, zone: tzinfo) -> bool:
    """Whether a reading is one that the zone's clocks never show: they were set forward over it."""
    return at.replace(tzinfo=zone).astimezone(UTC).astimezone(zone).replace(tzinfo=None) != at


def _as_made(frames: Sequence[Frame], zone: tzinfo | None) -> Sequence[_Made]:
    """The frames in the order they were made.

    They go by the count in their names where it tells, else by their readings; empty where clocks
    change by law: readings then go back of themselves.
    """
    timed = [(frame, frame.time) for frame in frames if frame.time is not None]
    if any(is_ambiguous(time, zone) for _, time in timed):
        return ()
    made = [_Made(frame, instant(placed(time, zone))) for frame, time in timed]
    counted = by_count(made, lambda one: count_of(one.frame)[1])
    falls = [pair for pair in pairwise(counted) if _fell(*pair)]
    one_count = len({count_of(one.frame)[0] for one in made}) == 1
    if one_count and len(falls) <= MOST_SET and all(_goes_on(*pair) for pair in falls):
        return counted
    return sorted(made, key=lambda one: (one.reading, one.frame.file))


def _fell(one: _Made, other: _Made) -> bool:
    """Whether the reading went back from one frame to the next."""
    return other.reading < one.reading - BACK


def _goes_on(one: _Made, other: _Made) -> bool:
    """Whether the count goes on from one frame to the other, with few deleted between."""
    return (count_of(other.frame)[1] - count_of(one.frame)[1]) % LAST_NUMBER <= NEXT


def _cut_by_count(made: Sequence[_Made]) -> Iterator[Sequence[_Made]]:
    start = 0
    for at in range(1, len(made) + 1):
        if at == len(made) or _fell(made[at - 1], made[at]):
            yield made[start:at]
            start = at


def _cut_by_references(
    made: Sequence[_Made], references: Mapping[str, Reference]
) -> list[_Piece] | None:
    """The pieces between settings that the photos of a clock tell.

    None where it can't be told whether the clock was set at all.
    """
    known = [(at, references[one.frame.file]) for at, one in enumerate(made)
             if one.frame.file in references]  # fmt: skip
    agreeing = _agreeing(known)
    pieces, start = [], 0
    for n, (before, after) in enumerate(pairwise(agreeing)):
        (at, earlier), (then, later) = before[-1], after[0]
        cuts = [cut for cut in range(at, then) if _may_be_set(made, cut, earlier, later)]
        proven = len(before) > 1 < len(after)
        if not cuts or not (proven or any(_is_set(made, cut, earlier, later) for cut in cuts)):
            return _misread(made, agreeing, n, cuts)
        pieces.append(_Piece(made[start : cuts[0] + 1], [one for _, one in before]))
        if cuts[0] < cuts[-1]:
            middle = made[cuts[0] + 1 : cuts[-1] + 1]
            pieces.append(_Piece(middle, (earlier, later), either=True))
        start = cuts[-1] + 1
    own = [one for _, one in agreeing[-1]] if agreeing else []
    return [*pieces, _Piece(made[start:], own)]


_Known = tuple[int, Reference]


def _agreeing(known: Sequence[_Known]) -> list[list[_Known]]:
    """The photos of a clock in runs that one clock could show.

    One among others that alone contradicts those before it and after it was misread, and stays with
    them.
    """
    odd = outlier([reference for _, reference in known])
    inside = odd is not None and odd not in (known[0][1], known[-1][1])
    runs: list[list[_Known]] = []
    for at, reference in known:
        apart = not runs or contradict(runs[-1][-1][1], reference)
        if inside and reference is odd:
            continue
        if apart:
            runs.append([])
        runs[-1].append((at, reference))
    return runs


def _misread(
    made: Sequence[_Made], agreeing: Sequence[Sequence[_Known]], n: int, cuts: Sequence[int]
) -> list[_Piece] | None:
    """The pieces where a photo at one end contradicts others that agree.

    It was misread, or the clock was set, and what lies on its side goes by the one or the other.
    """
    if len(agreeing) != 2 or not cuts:
        return None
    before, after = agreeing
    either = before[-1][1], after[0][1]
    if len(before) > 1:
        own = [one for _, one in before]
        return [_Piece(made[: cuts[0] + 1], own), _Piece(made[cuts[0] + 1 :], either, either=True)]
    if len(after) > 1:
        own = [one for _, one in after]
        return [
            _Piece(made[: cuts[-1] + 1], either, either=True),
            _Piece(made[cuts[-1] + 1 :], own),
        ]
    return None


def _may_be_set(made: Sequence[_Made], at: int, earlier: Reference, later: Reference) -> bool:
    """Whether the clock may have been set after this frame: no pause is shorter than none."""
    return _left(made, at, earlier, later) >= -(earlier.error + later.error)


def _is_set(made: Sequence[_Made], at: int, earlier: Reference, later: Reference) -> bool:
    """Whether a setting makes an ordinary pause of a long one: chance hardly does that."""
    return later.ahead > earlier.ahead and _left(made, at, earlier, later) <= _ORDINARY


def _left(made: Sequence[_Made], at: int, earlier: Reference, later: Reference) -> float:
    """The pause after a frame if the clock was set in it (microseconds)."""
    return made[at + 1].reading - made[at].reading - (later.ahead - earlier.ahead)


# What each piece goes by ------------------------------------------------------------------------


def _clocks(pieces: Sequence[_Piece]) -> list[BodyClock]:
    fitted = [None if piece.either or not piece.references else fit_clock(piece.references)
              for piece in pieces]  # fmt: skip
    return [
        clock or (_either(piece.references) if piece.either else _bounded(pieces, fitted, n))
        for n, (piece, clock) in enumerate(zip(pieces, fitted, strict=True))
    ]


def _either(references: Sequence[Reference]) -> BodyClock:
    """By the one or by the other."""
    ends = [one.ahead + way * one.error for one in references for way in (-1, 1)]
    return _between(min(ends), max(ends))


def _bounded(pieces: Sequence[_Piece], fitted: Sequence[BodyClock | None], n: int) -> BodyClock:
    """Later than the frames of pieces before it, earlier than those after it."""
    made = pieces[n].made
    most = [
        made[0].reading - _true(pieces[at].made[-1], clock, -1)
        for at in range(n)
        if (clock := fitted[at]) is not None
    ]
    least = [
        made[-1].reading - _true(pieces[at].made[0], clock, 1)
        for at in range(n + 1, len(pieces))
        if (clock := fitted[at]) is not None
    ]
    if most and least:
        return _between(max(least), max(min(most), max(least)))
    if most:
        return _between(min(most) - _LONGEST, min(most))
    return _between(max(least, default=0.0), max(least, default=0.0) + _LONGEST)


def _true(made: _Made, clock: BodyClock, way: int) -> float:
    """The earliest or the latest that a frame was made."""
    return made.reading - clock.ahead_at(made.reading) + way * clock.error_at(made.reading)


def _between(least: float, most: float) -> BodyClock:
    return BodyClock(ahead=(least + most) / 2, error=(most - least) / 2)


# In words ---------------------------------------------------------------------------------------


def _words(pieces: Sequence[_Piece], clocks: Sequence[BodyClock]) -> Iterator[str]:
    settled = [one for one in zip(pieces, clocks, strict=True) if not one[0].either]
    for (before, old), (after, new) in pairwise(settled):
        last, first = before.made[-1], after.made[0]
        yield (
            f"the body's clock was set {_by(before, old, after, new)} between "
            f"{last.frame.stem} and {first.frame.stem}: each side goes by its own photos of a clock"
        )
    for piece, _ in zip(pieces, clocks, strict=True):
        names = " to ".join(dict.fromkeys((piece.made[0].frame.stem, piece.made[-1].frame.stem)))
        if not piece.references:
            yield f"no photo of a clock tells the time of {names}"
        elif piece.either and (len(settled) < 2):
            photos = " and ".join(one.name for one in piece.references)
            yield (
                f"two photos of a clock ({photos}) contradict each other, so {names} go by the one "
                "or the other: the clock was set between them, or one was misread"
            )


def _by(before: _Piece, old: BodyClock, after: _Piece, new: BodyClock) -> str:
    if not (before.references and after.references):
        return "back"
    step = new.ahead - old.ahead
    return f"{'forward' if step > 0 else 'back'} by {amount(abs(step))}"
