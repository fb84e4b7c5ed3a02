"""What must hold of an entry as a whole."""

from __future__ import annotations

from dataclasses import replace

from flangeback.log.model import Entry, Part
from flangeback.log.text import Fault
from flangeback.log.vocabulary import A_PLACE

PLACES = (Part.TIME, Part.FRAMES, Part.ORDER)
"""What says when an entry holds."""
OF_A_LENS = (Part.LENS, Part.ADAPTER, Part.APERTURE, Part.FOCAL_LENGTH)
NEWS = (*OF_A_LENS, Part.OFF, Part.REMARK)
"""What an entry has at least one of."""


def check_whole(entry: Entry, faults: list[Fault], *, may_hide_place: bool) -> Entry:
    """The entry, without what contradicts itself; its faults are noted.

    `may_hide_place` says that a fault told before may hide when the entry holds.
    """
    where = [part for part in PLACES if entry.says(part)]
    if len(where) > 1:
        later = max((entry.place(part) for part in where), key=lambda place: place.start)
        words = {Part.TIME: "a time", Part.FRAMES: "frame names", Part.ORDER: f"`{entry.order}`"}
        named = " and ".join(words[part] for part in where)
        faults.append(later.fault(named, "one of them in an entry"))
    # Of a line in which nothing is understood, that is all there is to say.
    is_hidden = may_hide_place or (entry.lost and len(entry.places) == 1)
    if not is_hidden and not where:
        faults.append(entry.place().fault("no time and no frame names", A_PLACE))
    with_off = [entry.place(part) for part in OF_A_LENS if entry.says(part)]
    if entry.says(Part.OFF) and with_off:
        place = min(with_off, key=lambda place: place.start)
        expected = "off alone (no adapted lens from here on), or a lens"
        faults.append(place.fault(f"{place.text} can't stand with off", expected))
        entry = replace(entry, off=False, lost=True)
    if not entry.lost and not entry.says(*NEWS):
        expected = "a lens, an adapter, an f-number, a focal length or off"
        faults.append(entry.place().fault("the entry says nothing new", expected))
    return entry
