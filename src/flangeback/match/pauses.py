"""Where among the shots a change had the time to be made.

A lens can't be changed within a burst: only pauses that are long enough count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from flangeback.clock.model import SECOND
from flangeback.match.changes import Change, ChangeKind, Doubts, in_order
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.shots import Shot, pause

LEAST_PAUSE = {ChangeKind.LENS: 10.0, ChangeKind.RING: 1.0}
"""Seconds without a frame that a change takes at the least. All that rests on the speed of hands
rests on this table, and its figures are common practice. They are the quickest there is, not the
usual: a pause counts as too short only when nobody could have used it.

lens: tens of seconds as a rule. One bayonet off and the next one on, both at hand, no caps, is ten;
a screw mount alone takes three or four turns of the wrist each way.
ring: a few seconds as a rule, with a look at the marks. From the shutter button to the ring, one
stop on and back to the button is one."""

_AMPLE = 30
"""Times the least pause; in a longer one the change is no likelier."""
_TOO_SHORT = 0.1
"""Seconds as which a pause counts that is too short for a change: notes err."""


def by_pauses(
    shots: Sequence[Shot],
    changes: Sequence[Change],
    speaks_against: Callable[[Change, int], bool] = lambda change, first: False,
) -> tuple[Sequence[Change], Doubts]:
    """The changes without the places whose pauses are too short for them.

    And a doubt `placed-in-gap` on each shot that is told that way. Where something `speaks_against`
    a change's having no earlier place than a `first` one, its note may be late: what lies before
    that place stays open.
    """
    narrowed, doubts = [], dict[int, tuple[Doubt, ...]]()
    for change in changes:
        kept = _long_enough(shots, change)
        # Where no pause is long enough the log is in error, and it isn't overruled.
        if not 0 < len(kept) < len(change.places):
            narrowed.append(change)
            continue
        if speaks_against(change, kept[0]):
            kept = [place for place in change.places if place <= kept[-1]]
        narrowed.append(change.at(kept))
        doubt = Doubt(DoubtKind.PLACED_IN_GAP, _in_words(shots, change, kept))
        doubts |= dict.fromkeys(told_shots(change.places, kept), (doubt,))
    return in_order(narrowed), doubts


def told_shots(places: Sequence[int], kept: Sequence[int]) -> Iterable[int]:
    """The shots that are on one side of a change for certain once only these places are kept."""
    return (*range(places[0], kept[0]), *range(kept[-1], places[-1]))


def _long_enough(shots: Sequence[Shot], change: Change) -> Sequence[int]:
    if change.kind is None or len(change.places) < 2:
        return change.places
    least = LEAST_PAUSE[change.kind]
    return [place for place in change.places if pause(shots, place) > least]


def _in_words(shots: Sequence[Shot], change: Change, kept: Sequence[int]) -> str:
    what = f"line {change.line}'s change"
    least = f"{LEAST_PAUSE[change.kind or ChangeKind.LENS]:.0f} s"
    if len(kept) > 1:
        return f"{what} takes {least} at the least, and no pause on its other side is as long"
    place = kept[0]
    if place == 0:
        return f"{what} came before {shots[0].frame.stem}: no pause after it is {least} long"
    if place == len(shots):
        return f"{what} came after {shots[-1].frame.stem}: no pause before it is {least} long"
    last, first = shots[place - 1], shots[place]
    seconds = (first.start - last.start) / SECOND
    return (
        f"{what} was made in the {seconds:.0f} s between {last.frame.stem} and "
        f"{first.frame.stem}: no other pause fits it"
    )


def place_odds(shots: Sequence[Shot], change: Change) -> Mapping[int, float]:
    """How likely a change was made at each of its places, as far as pauses tell.

    The longer one is, the likelier, up to what is ample.
    """
    window = change.window
    if window is None:
        return dict.fromkeys(change.places, 1 / len(change.places))
    least = LEAST_PAUSE[change.kind or ChangeKind.RING]
    seconds = {place: _seconds(shots, place, window, least) for place in change.places}
    whole = sum(seconds.values())
    return {place: one / whole for place, one in seconds.items()}


def _seconds(shots: Sequence[Shot], place: int, window: tuple[int, int], least: float) -> float:
    """The part of a pause, within a window of true time, in which a change may have been made."""
    start, end = window
    if place > 0:
        start = max(start, shots[place - 1].latest)
    if place < len(shots):
        end = min(end, shots[place].earliest)
    room = pause(shots, place) - least
    return max(_TOO_SHORT, min((end - start) / SECOND, room, least * _AMPLE))
