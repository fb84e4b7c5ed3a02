"""Values registered by hand for a lens, such as its focal length, tell of a change of lens."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from flangeback.kit.model import Kit
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.changes import Change, ChangeKind, Doubts, setting_of, standing
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.outcomes import has_focal
from flangeback.match.pauses import LEAST_PAUSE, place_odds, told_shots
from flangeback.match.shots import Shot, pause

_AS_LIKELY = 0.5
"""How likely by the pauses, against 1 where the value turns, an earlier place is from which on it
may have been keyed in late (judgement)."""


def by_registered(
    shots: Sequence[Shot], changes: Sequence[Change], kit: Kit
) -> tuple[Sequence[Change], Doubts]:
    """The changes of lens without the places that registered values rule out.

    The change was made where what is registered turns from the old lens's to the new one's. Each
    shot that is told that way gets a doubt.

    It tells only where the shots before the change have what is registered for the old lens, and
    those after it what is for the new. Where it was keyed in late for another change, or an earlier
    pause suits this one as well, shots with the old value tell nothing.
    """
    narrowed, doubts = [], dict[int, tuple[Doubt, ...]]()
    turns = [_turn(shots, change, kit) for change in changes]
    pairs = list(zip(changes, turns, strict=True))
    may_lag = any(turn is not None and turn not in change.places for change, turn in pairs)
    for change, turn in pairs:
        if turn is not None:
            kept = [place for place in change.places if place <= turn]
            if turn in kept and not may_lag and not _is_late(shots, change, turn):
                kept = [turn]
            if 0 < len(kept) < len(change.places):
                doubt = Doubt(DoubtKind.NEAR_CHANGE, _in_words(change))
                doubts |= dict.fromkeys(told_shots(change.places, kept), (doubt,))
                change = change.at(kept)
        narrowed.append(change)
    return narrowed, doubts


def by_unnoted_lenses(shots: Sequence[Shot], changes: Sequence[Change], kit: Kit) -> Doubts:
    """Doubts on shots from where the value for the logged lens turns to another's, unnoted.

    They go up to the next lens, or to where it turns back. A value for the lens before that wasn't
    keyed in while that one was on was keyed in late.
    """
    lens, before, was_right, keyed_in = None, None, False, set[str | None]()
    doubt, doubts = None, dict[int, tuple[Doubt, ...]]()
    for at, numbers in enumerate(standing(changes, shots)):
        setting, data = setting_of(changes, numbers[-1]), shots[at].frame.lens_data
        focal = data.registered_focal_length
        if setting is None or setting.lens is None or focal is None or data.says_lens:
            continue
        if setting.lens != lens:
            keyed_in = {lens} if was_right else set()
            lens, before, was_right, doubt = setting.lens, lens, False, None
        others = [one.key for one in kit.lenses.values() if has_focal(one, focal)]
        is_late = before in others and before not in keyed_in
        if _has(shots[at], setting, kit):
            was_right, doubt = True, None
        elif was_right and doubt is None and others and len(numbers) == 1 and not is_late:
            text = (
                f"from {shots[at].frame.stem} on {float(focal):g} mm is registered, as for "
                f"{others[0]}, and no entry says that it was mounted"
            )
            doubt = Doubt(DoubtKind.REGISTERED_FOCAL, text)
        if doubt is not None:
            doubts[at] = (doubt,)
    return doubts


def turns_before(change: Change, first: int, shots: Sequence[Shot], kit: Kit) -> bool:
    """Whether a shot that a change may lie before has the new lens's value already.

    Before the place `first`: it is keyed in for a lens that is on, or later.
    """
    old, new = change.before, change.setting
    if old is None or new is None or change.kind is not ChangeKind.LENS:
        return False
    return any(_fits(shots[at], new, old, kit) for at in range(change.places[0], first))


def _turn(shots: Sequence[Shot], change: Change, kit: Kit) -> int | None:
    """The first shot with what is registered for the new lens; None where that tells nothing.

    It isn't one of the change's places if it was keyed in late: in a pause too short to change the
    lens, or once the new one was on for certain.
    """
    old, new, places = _before(change), change.setting, change.places
    if new is None or (change.kind is not ChangeKind.LENS and change.before is not None):
        return None
    last = places[-1]
    if not 0 < places[0] <= last < len(shots) or not _fits(shots[places[0] - 1], old, new, kit):
        return None
    if _fits(shots[last], old, new, kit):
        return last + 1
    if not _fits(shots[last], new, old, kit):
        return None
    turn = next(at for at in range(places[0], last + 1) if _fits(shots[at], new, old, kit))
    goes_back = any(_fits(shots[at], old, new, kit) for at in range(turn, last))
    return None if goes_back else turn


def _before(change: Change) -> Setting:
    """What stood before; where the log doesn't say, a native lens that names itself may have."""
    return change.before or Setting(None)


def _is_late(shots: Sequence[Shot], change: Change, turn: int) -> bool:
    """Whether the lens may have been changed in an earlier pause, and the value keyed in later.

    A native lens names itself as soon as it is on.
    """
    if any(one is None or one.lens is None for one in (change.before, change.setting)):
        return False
    odds, least = place_odds(shots, change), LEAST_PAUSE[ChangeKind.LENS]
    earlier = [at for at in change.places if at < turn and pause(shots, at) > least]
    return any(odds[place] > _AS_LIKELY * odds[turn] for place in earlier)


def _fits(shot: Shot, setting: Setting, other: Setting, kit: Kit) -> bool:
    """Whether a shot has what is registered for one setting's lens, and not for the other's.

    Native lenses name themselves: a shot that names none was made with an adapted one.
    """
    if other.lens is None and not shot.frame.lens_data.says_lens:
        return setting.lens is not None
    return _has(shot, setting, kit) and not _has(shot, other, kit)


def _has(shot: Shot, setting: Setting, kit: Kit) -> bool:
    data = shot.frame.lens_data
    if setting.lens is None:
        return data.says_lens and data.f_number is not None
    lens = kit.lenses[setting.lens]
    if data.says_lens:
        return same_lens(lens, data.lens, data.specification)
    focal = data.registered_focal_length
    factor = kit.adapters[setting.adapter].factor if setting.adapter else 1
    if focal is None:
        return False
    return has_focal(lens, focal) or has_focal(lens, focal / Fraction(factor))


def _in_words(change: Change) -> str:
    assert change.setting is not None
    lenses = [one.lens for one in (change.setting, _before(change))]
    new, old = (lens or "a native lens" for lens in lenses)
    what = "what is registered on the body" if all(lenses) else "a lens that names itself"
    return f"made within the change of line {change.line}: {what} tells {new} from {old}"
