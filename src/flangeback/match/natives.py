"""What lenses that name themselves to the body tell of the frames after them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from flangeback.kit.model import Kit
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.changes import Change, Doubts, setting_of, standing
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.shots import Shot


def by_natives(
    shots: Sequence[Shot], changes: Sequence[Change], kit: Kit, named: Collection[str]
) -> Doubts:
    """Doubts on shots beside which a lens was on that no entry speaks of.

    A lens that names itself where an adapted one is logged came off again unnoted, and what was
    mounted then nobody noted either: a doubt on each shot up to the next entry. Under `off`, a shot
    without lens data tells of an adapted lens, where others of its body name theirs. Of the files
    `named` an entry speaks by name: nothing is concluded from them.
    """
    if not any(shot.frame.lens_data.is_native for shot in shots):
        return {}
    told = _told(shots, changes, kit, named)
    return {at: (Doubt(DoubtKind.NATIVE_LENS, text),) for at, text in told}


def _told(
    shots: Sequence[Shot], changes: Sequence[Change], kit: Kit, named: Collection[str]
) -> Iterator[tuple[int, str]]:
    native: int | None = None
    for at, numbers in enumerate(standing(changes, shots)):
        frame = shots[at].frame
        settings = [one for number in numbers if (one := setting_of(changes, number))]
        if frame.file in named or len(settings) < len(numbers):
            continue
        if native is not None and changes[numbers[0] - 1].places[0] > native:
            native = None  # An entry says what stood on the body since.
        lenses = {one.lens for one in settings}
        if frame.lens_data.is_native:
            native = at if all(_is_another(shots[at], one, kit) for one in settings) else None
        elif native is not None and None not in lenses:
            before = shots[native].frame.stem
            yield at, f"{before} before it names its lens: no entry says what was mounted after it"
        elif lenses == {None} and frame.lens_data.f_number is None:
            yield at, "it names no lens, as native ones do on this body: was an adapted one on?"


def _is_another(shot: Shot, setting: Setting, kit: Kit) -> bool:
    """Whether the shot names another lens than an adapted one that is logged."""
    if setting.lens is None:
        return False
    data = shot.frame.lens_data
    return not same_lens(kit.lenses[setting.lens], data.lens, data.specification)
