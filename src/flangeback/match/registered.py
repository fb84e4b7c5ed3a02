"""Values registered by hand for a lens, such as its focal length, tell of a change of lens."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from flangeback.kit.model import Kit
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.changes import Change, ChangeKind, Doubts
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.outcomes import has_focal
from flangeback.match.pauses import told_shots
from flangeback.match.shots import Shot


def by_registered(
    shots: Sequence[Shot], changes: Sequence[Change], kit: Kit
) -> tuple[Sequence[Change], Doubts]:
    """The changes of lens without the places that registered values rule out.

    Those lie after the first shot with what is registered for the new lens. Each shot that is told
    that way gets a doubt.

    It tells only where the shots before the change have what is registered for the old lens, and
    those after it what is for the new. What is registered may lag behind a change, so shots with
    the old value tell nothing.
    """
    narrowed, doubts = [], dict[int, tuple[Doubt, ...]]()
    for change in changes:
        kept = _kept(shots, change, kit)
        if 0 < len(kept) < len(change.places):
            doubt = Doubt(DoubtKind.NEAR_CHANGE, _in_words(change))
            doubts |= dict.fromkeys(told_shots(change.places, kept), (doubt,))
            change = change.at(kept)
        narrowed.append(change)
    return narrowed, doubts


def _kept(shots: Sequence[Shot], change: Change, kit: Kit) -> Sequence[int]:
    old, new, places = change.before, change.setting, change.places
    if change.kind is not ChangeKind.LENS or old is None or new is None:
        return places
    if not (0 < places[0] < places[-1] < len(shots)):
        return places
    if not (_fits(shots[places[0] - 1], old, new, kit) and _fits(shots[places[-1]], new, old, kit)):
        return places
    inside = range(places[0], places[-1] + 1)
    first = next(at for at in inside if _fits(shots[at], new, old, kit))
    if any(_fits(shots[at], old, new, kit) for at in range(first, places[-1])):
        return places
    return [place for place in places if place <= first]


def _fits(shot: Shot, setting: Setting, other: Setting, kit: Kit) -> bool:
    """Whether a shot has what is registered for one setting's lens, and not for the other's."""
    return _has(shot, setting, kit) and not _has(shot, other, kit)


def _has(shot: Shot, setting: Setting, kit: Kit) -> bool:
    data = shot.frame.lens_data
    if setting.lens is None:
        return False
    lens = kit.lenses[setting.lens]
    if data.says_lens:
        return same_lens(lens, data.lens, data.specification)
    focal = data.registered_focal_length
    factor = kit.adapters[setting.adapter].factor if setting.adapter else 1
    if focal is None:
        return False
    return has_focal(lens, focal) or has_focal(lens, focal / Fraction(factor))


def _in_words(change: Change) -> str:
    assert change.before is not None
    assert change.setting is not None
    return (
        f"made within the change of line {change.line}: what is registered on the body "
        f"tells {change.setting.lens} from {change.before.lens}"
    )
