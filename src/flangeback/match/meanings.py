"""What the words mean that frames come to: outcomes, kinds of doubts, what tells a value."""

from __future__ import annotations

from collections.abc import Mapping

from flangeback.errors import InputError, Problem, nearest
from flangeback.match.doubts import DoubtKind
from flangeback.match.model import Matches, Outcome, Source

OUTCOMES = {
    Outcome.FILL: "lens, focal length and f-number are certain and filled",
    Outcome.PARTIAL: "some of them are certain and filled; the rest stays blank",
    Outcome.AGREE: "the frame already says just this",
    Outcome.CONFLICT: "it says another lens or f-number (fill --over), or its copy is kept",
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
LOG_WORDS = {
    "date": "the day of the entries below it, such as `date 2026-05-17`",
    "zone": "the zone of the log's times, such as `zone Europe/Stockholm` or `zone +02:00`",
    "slack": "how far an entry's time may be off, either way, such as `slack 1m`; one in a log",
    "not-slate": "takes a dark frame for one like others: `not-slate K7_0245`",
    "overnight": "on a line of its own: entries hold through pauses of 6 hours or more, too",
    "off": "no adapted lens from then on, such as `10:50 k7 off`",
    "open": "wide open, at the lens's widest, such as `10:31 k7 miran58 open`",
    "first": "from the body's first frame on, by slate frames: `first k7 miran58 f/2.8`",
    "then": "after the body's next slate frame: `first k7 miran58 f/2.8`, `then k7 f/5.6`",
    "via": "with this adapter, such as `09:12 k7 miran58 f/2.8 via m42-e`",
    "sure": "at a clock line's end: `clock k7 fast 3m20s sure` stands above what the frames say",
    "clock": "how a body's clock goes: `clock k7 slow 20s`, `clock k7 right`, or by a photo of a "
    "clock, `clock k7 K7_0201 shows 09:14:05`",
}
"""What the log's own words mean."""
_BY_NAME = "an entry by its name settles it, such as `K7_0201 k7 miran58 f/8`"
_HELPS: Mapping[str, str] = {
    Outcome.PARTIAL: _BY_NAME,
    Outcome.CONFLICT: "where the log is right, fill --over writes over the frame's own values; "
    "where its copy is kept, the reason says what helps",
    Outcome.UNSURE: f"{_BY_NAME}; or a clock line, where the clock is in doubt",
    Outcome.UNLOGGED: f"{_BY_NAME}; or one more entry with its time",
    Outcome.NATIVE: f"if that is wrong, {_BY_NAME}",
    Outcome.SLATE: "`slate K7_0245` in the log names one, `not-slate K7_0245` says that it is none",
    Outcome.UNREADABLE: "copy it from the card once more",
    DoubtKind.NEAR_CHANGE: f"{_BY_NAME}; seconds in an entry's time make its change shorter",
    DoubtKind.TOLD_BY_LIGHT: f"if that is wrong, {_BY_NAME}",
    DoubtKind.PLACED_IN_GAP: f"if that is wrong, {_BY_NAME}",
    DoubtKind.LIGHT_STEP: "if so, an entry by the frames' names says to what, such as "
    "`K7_0201..K7_0206 k7 miran58 f/8`",
    DoubtKind.REGISTERED_FOCAL: "does the entry name the right lens? Then nothing is to be done",
    DoubtKind.NATIVE_LENS: "if it was, `09:40 k7 off` from when on says so",
    DoubtKind.PAIR_DIFFERS: "look at both: one isn't what its name says",
    DoubtKind.CLOCK_UNSURE: "a photo of a clock settles it, `clock k7 K7_0201 shows 09:14:05`",
    DoubtKind.NO_TIME: _BY_NAME,
    DoubtKind.SENSOR_UNSURE: "`sensor` in the kit, in mm, says its size",
}
"""What a person can do."""
MEANINGS = {
    str(word): (kind, "; ".join(filter(None, (meaning, _HELPS.get(word)))))
    for kind, meanings in (
        ("outcome", OUTCOMES),
        ("doubt", DOUBTS),
        ("told by", SOURCES),
        ("word of the log", LOG_WORDS),
    )
    for word, meaning in meanings.items()
}
"""Each word with the kind of word it is, what it means, and what helps."""


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
