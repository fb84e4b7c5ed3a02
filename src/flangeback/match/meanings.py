"""What the words mean that frames come to: outcomes, kinds of doubts, what tells a value."""

from __future__ import annotations

from flangeback.errors import InputError, Problem, nearest
from flangeback.match.doubts import DoubtKind
from flangeback.match.model import Matches, Outcome, Source

OUTCOMES = {
    Outcome.FILL: "lens, focal length and f-number are certain and filled",
    Outcome.PARTIAL: "some of them are certain and filled; the rest stays blank",
    Outcome.AGREE: "the frame already says just this",
    Outcome.CONFLICT: "it has another lens or f-number (--over), or its copy stays; left alone",
    Outcome.UNSURE: "which lens it was can't be told; left alone",
    Outcome.UNLOGGED: "no entry covers it; left alone",
    Outcome.NATIVE: "made without an adapted lens, as the log says; left alone",
    Outcome.SLATE: "a slate frame, its lens capped or covered; left alone",
    Outcome.UNREADABLE: "damaged, no picture, or without room for values; left alone",
}
DOUBTS = {
    DoubtKind.NEAR_CHANGE: "close to a logged change: it may be from the other side",
    DoubtKind.TOLD_BY_LIGHT: "a step of the light places the change of f-number",
    DoubtKind.PLACED_IN_GAP: "the only pause that is long enough places the change",
    DoubtKind.LIGHT_STEP: "the light jumps where no entry says so: was a ring turned?",
    DoubtKind.REGISTERED_FOCAL: "the stabiliser worked with another focal length",
    DoubtKind.NATIVE_LENS: "a lens with contacts was on, and no entry says so",
    DoubtKind.PAIR_DIFFERS: "a JPEG and its raw file don't agree, or copies of a frame",
    DoubtKind.CLOCK_UNSURE: "the body's clock may be off: check its clock line",
    DoubtKind.NO_TIME: "the frame has no time to go by",
    DoubtKind.SENSOR_UNSURE: "its sensor's size is unsure: check the 35 mm equivalent",
}
SOURCES = {
    Source.NAME: "an entry names the frame",
    Source.LOG: "the frame's time lies in the entry's",
    Source.ORDER: "slate frames tell which entry it belongs to",
    Source.PAUSE: "a pause between frames places the change",
    Source.LIGHT: "a step in the light places the change",
    Source.REGISTERED: "registered focal lengths or lens names place the change",
}
MEANINGS = {
    str(word): (kind, meaning)
    for kind, meanings in (("outcome", OUTCOMES), ("doubt", DOUBTS), ("told by", SOURCES))
    for word, meaning in meanings.items()
}
"""Each word with the kind of word it is and what it means."""


def meaning_of(word: str) -> tuple[str, str]:
    """What kind of word it is, and its meaning. Raises InputError with the nearest known one."""
    found = MEANINGS.get(word.casefold())
    if found is None:
        expected = f"a folder with the frame, or one of {', '.join(MEANINGS)}"
        near = nearest(word, MEANINGS)
        raise InputError(Problem("", f'"{word}" isn\'t a word', expected=expected, suggestion=near))
    return found


def words_in(matches: Matches) -> tuple[tuple[str, str], ...]:
    """The outcomes and doubts that occur, each with its meaning."""
    doubts = {doubt.kind for found in matches.frames for doubt in found.doubts}
    return (
        *((str(word), text) for word, text in OUTCOMES.items() if matches.totals.get(word)),
        *((str(kind), text) for kind, text in DOUBTS.items() if kind in doubts),
    )
