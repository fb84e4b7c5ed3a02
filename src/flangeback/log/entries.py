"""Reading the words of one entry, in whatever order they stand."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from flangeback.errors import nearest
from flangeback.kit import Adapter, Body, Lens
from flangeback.log import values
from flangeback.log.faults import Faults, Refusal
from flangeback.log.gear import TYPE_NAMES, Gear
from flangeback.log.model import Aperture, FrameName, FrameRange, OrderWord
from flangeback.log.text import Line, Place
from flangeback.log.tokens import RULES, Token, TokenReader
from flangeback.log.values import WallTime

_OTHER_WORDS = (
    "an f-number, a focal length in mm, open, off, a time, frame names or a remark in quotes"
)
_A_KNOWN_WORD = "a key of the kit, or another word that an entry may have"
_MOST_KEYS = 12
"""So many keys of a kit still make a list that is read."""
KEYWORDS = ("date", "zone", "clock", "slack", "slate", "not-slate", "first", "then")
"""Words that open a line; no key of a kit may be one."""


class What(StrEnum):
    """What a word of an entry can say; each at most once."""

    TIME = "time"
    FRAMES = "range of frames"
    ORDER = "place in the order of slate frames"
    BODY = "body"
    LENS = "lens"
    ADAPTER = "adapter"
    APERTURE = "aperture"
    FOCAL_LENGTH = "focal length"
    OFF = "off"
    REMARK = "remark"


_WHERE = (What.TIME, What.FRAMES, What.ORDER)
_NEWS = (
    What.LENS,
    What.ADAPTER,
    What.APERTURE,
    What.FOCAL_LENGTH,
    What.OFF,
    What.REMARK,
)
_OF_A_LENS = (What.LENS, What.ADAPTER, What.APERTURE, What.FOCAL_LENGTH)


@dataclass(slots=True)
class Draft:
    """An entry while it is read, before its times have a day.

    `places` has every kind of word that stands in it, understood or not. `lost` is set when a
    fault may have hidden anything else it says, `place_lost` when that may be its time or frames.
    """

    content: Place
    places: dict[What, Place] = field(default_factory=dict)
    start: WallTime | None = None
    end: WallTime | None = None
    end_place: Place | None = None
    frames: FrameRange | None = None
    order: OrderWord | None = None
    body: str | None = None
    lens: str | None = None
    adapter: str | None = None
    aperture: Aperture | None = None
    focal_length: Decimal | None = None
    off: bool = False
    remark: str | None = None
    lost: bool = False
    place_lost: bool = False


def read_entry(words: TokenReader, gear: Gear, faults: Faults) -> Draft:
    """Read an entry from a line; every fault in it is noted, and what is sound is kept."""
    return _EntryReader(words, gear, faults).read()


class _EntryReader:
    def __init__(self, words: TokenReader, gear: Gear, faults: Faults) -> None:
        self.words = words
        self.gear = gear
        self.faults = faults
        self.draft = Draft(words.content)
        self.either: list[Token] = []
        self.unknown: list[Place] = []

    def read(self) -> Draft:
        while not self.words.at_end:
            self._word()
        self._flush_unknown()
        self._settle_either()
        self._check_whole()
        return self.draft

    def _word(self) -> None:
        known = (
            self._remark()
            or self._named()
            or self._frames()
            or self._measure()
            or self._refused()
            or self._one_frame()
        )
        if known:
            self._flush_unknown()
        else:
            self._unknown(self.words.read_word())

    # What stands where -----------------------------------------------------------------------

    def _claim(self, what: What, place: Place) -> bool:
        """Note that this kind of word stands here; False, and a fault, if one did before."""
        first = self.draft.places.get(what)
        if first is None:
            self.draft.places[what] = place
            return True
        same = first.text.casefold() == place.text.casefold()
        text = f"{place.text} stands here twice" if same else f"{first.text}, and {place.text} too"
        self.faults.add(place, text, f"one {what} in an entry")
        if what is What.BODY and not same:
            self.draft.body = None
        if what is What.LENS and not same:
            self.draft.lens = None
            self.draft.lost = True
        return False

    def _hiding(
        self, place: Place, text: str, expected: str | None = None, suggestion: str | None = None
    ) -> None:
        """Note a fault that may hide what else the entry says."""
        self.faults.add(place, text, expected, suggestion)
        self.draft.lost = True

    # Remarks -----------------------------------------------------------------------------------

    def _remark(self) -> bool:
        token = self.words.try_read("remark")
        if token is not None:
            if self._claim(What.REMARK, token.place):
                self.draft.remark = _remark_text(token)
                if self.draft.remark is None:
                    del self.draft.places[What.REMARK]
            return True
        if not self.words.check("quote"):
            return False
        self._hiding(self.words.rest, "this quote isn't closed", "a quote at the remark's end")
        self.words.skip_to_end()
        return True

    # Keys of the kit and plain words -----------------------------------------------------------

    def _named(self) -> bool:
        place = self.words.peek_word()
        if place is None:
            return False
        gear = self.gear.find(place.text)
        if gear is not None:
            self._gear(self.words.read_word(), gear)
            return True
        word = place.text.casefold()
        if word == "via":
            self._via(self.words.read_word())
        elif word == "off":
            self.draft.off = self._claim(What.OFF, self.words.read_word())
        elif word in ("first", "then"):
            self._by_order(self.words.read_word())
        else:
            return False
        return True

    def _gear(self, place: Place, gear: Body | Lens | Adapter) -> None:
        if isinstance(gear, Body):
            if self._claim(What.BODY, place):
                self.draft.body = gear.key
        elif isinstance(gear, Lens):
            if self._claim(What.LENS, place):
                self.draft.lens = gear.key
        elif self._claim(What.ADAPTER, place):
            self.draft.adapter = gear.key

    def _via(self, via: Place) -> None:
        place = self.words.peek_word()
        expected = "an adapter of the kit"
        if place is None:
            self._hiding(via, "via what?", expected)
            return
        gear = self.gear.find(place.text)
        if isinstance(gear, Adapter):
            self._gear(self.words.read_word(), gear)
        elif gear is not None:
            self._hiding(place, f"{place.text} is {TYPE_NAMES[type(gear)]}", expected)
            self.words.read_word()
        else:
            suggestion = self.gear.near(place.text, Adapter)
            self._hiding(place, f'"{place.text}" isn\'t in the kit', expected, suggestion)
            self.words.read_word()

    def _by_order(self, place: Place) -> None:
        if self._claim(What.ORDER, place):
            self.draft.order = "first" if place.text.casefold() == "first" else "then"

    # Frames ------------------------------------------------------------------------------------

    def _frames(self) -> bool:
        match = self.words.match("frames")
        # In `K7_0212.. k7` the range has no end, and k7 is the body.
        if match is not None and self.gear.find(match[2]) is None:
            self._frame_range(self.words.read("frames"))
            return True
        if (token := self.words.try_read("half frames")) is not None:
            self.draft.places.setdefault(What.FRAMES, token.place)
            self.faults.add(token.place, "one end of the range is missing", values.A_FRAME_RANGE)
            return True
        return False

    def _frame_range(self, token: Token) -> None:
        first, last = _group(token, 1), _group(token, 2)
        if not self._claim(What.FRAMES, token.place):
            return
        try:
            _not_times(first.text, last.text)
            start, end = values.frame_pair(first.text, last.text)
        except Refusal as refusal:
            self.faults.refuse(token.place, refusal)
            return
        self.draft.frames = FrameRange(_frame(start, first), _frame(end, last))

    def _one_frame(self) -> bool:
        place = self.words.peek_word()
        if place is None or not values.names_one_frame(place.text):
            return False
        self.words.read_word()
        if self._claim(What.FRAMES, place):
            try:
                _not_a_dashed_range(place.text)
                self.gear.refuse_stem(place.text)
            except Refusal as refusal:
                self.faults.refuse(place, refusal)
                return True
            frame = _frame(values.frame_stem(place.text), place)
            self.draft.frames = FrameRange(frame, frame)
        return True

    # Times, f-numbers, focal lengths -----------------------------------------------------------

    def _measure(self) -> bool:
        if (token := self.words.try_read("focal length")) is not None:
            if self._claim(What.FOCAL_LENGTH, token.place):
                self.draft.focal_length = values.number(token.match[1])
        elif self.words.check("time"):
            self._time()
        elif (token := self.words.try_read("open", "f-number", "f-number not noted")) is not None:
            self._aperture(token)
        else:
            return False
        return True

    def _time(self) -> None:
        if self.words.check("either"):
            self.either.append(self.words.read("either"))
            return
        first = self.words.read("time", gap=False)
        if (to := self.words.try_read("to")) is not None:
            last = self.words.try_read("time")
            if last is None:
                self._claim(What.TIME, first.place)
                self._no_end(to.place.to(self.words.read_word()))
            else:
                self._start_end(first, last)
            return
        dash = self.words.try_read("dash")
        self.words.skip_gap()
        self._plain_time(first)
        if dash is not None:
            self._no_end(dash.place)

    def _no_end(self, place: Place) -> None:
        self.faults.add(place, "no time after the dash", values.A_TIME)

    def _plain_time(self, token: Token) -> None:
        if self._claim(What.TIME, token.place):
            self.draft.start = self._wall(token)

    def _start_end(self, first: Token, last: Token) -> None:
        if not self._claim(What.TIME, first.place.to(last.place)):
            return
        start, end = self._wall(first), self._wall(last)
        self.draft.end_place = last.place
        if start is not None and end is not None:
            self.draft.start, self.draft.end = values.end_with_half(start, end), end

    def _wall(self, token: Token) -> WallTime | None:
        try:
            return values.wall_time(token)
        except Refusal as refusal:
            self.faults.refuse(token.place, refusal)
            return None

    def _aperture(self, token: Token) -> None:
        if not self._claim(What.APERTURE, token.place):
            return
        try:
            self.draft.aperture = values.aperture(token)
        except Refusal as refusal:
            self.faults.refuse(token.place, refusal)

    def _settle_either(self) -> None:
        """1:16 is a time where the entry has no other place, and an f-number where it has."""
        placed = any(what in self.draft.places for what in _WHERE)
        if len(self.either) > 1 and not placed:
            first, second = self.either[0].text, self.either[1].text
            self._hiding(
                self.either[0].place.to(self.either[-1].place),
                f"{first} and {second} can each be a time or an f-number",
                f"0{first} for the time and f/{second[2:]} for the f-number, "
                f"or 0{second} and f/{first[2:]}",
            )
            self.draft.place_lost = True
        elif placed:
            for token in self.either:
                self._aperture(token)
        elif self.either:
            self._plain_time(self.either[0])

    # Words that can't be understood ------------------------------------------------------------

    def _refused(self) -> bool:
        """Words whose shape is known, and that aren't taken, each for its own reason."""
        rules = ("bare hour", "one-digit minute", "T-stop", "f-number, misshapen", "date")
        token = self.words.try_read(*rules)
        if token is None:
            return False
        if token.rule in ("bare hour", "one-digit minute"):
            self.draft.places.setdefault(What.TIME, token.place)
        elif token.rule != "date":
            self.draft.places.setdefault(What.APERTURE, token.place)
        self.faults.refuse(token.place, _reason(token))
        return True

    def _unknown(self, place: Place) -> None:
        self.draft.lost = True
        word = place.text
        if word[:1].isdigit() or any(mark in word for mark in "_:/"):
            self.draft.place_lost = True
        suggestion = self._suggestion(word, first=place.start == self.draft.content.start)
        if suggestion is None:
            self.unknown.append(place)
            return
        self._flush_unknown()
        self._hiding(place, f'"{word}" isn\'t understood', _A_KNOWN_WORD, suggestion)

    def _a_word(self) -> str:
        """What may stand in an entry; of a small kit, each key, of a larger one the lenses."""
        keys, lenses = list(self.gear.kit.keys()), list(self.gear.kit.lenses)
        named = "a body, lens or adapter of the kit"
        if 0 < len(keys) <= _MOST_KEYS:
            named = f"one of the kit's {', '.join(keys)}"
        elif 0 < len(lenses) <= _MOST_KEYS:
            named = f"a body or adapter of the kit or one of its lenses ({', '.join(lenses)})"
        return f"{named}, {_OTHER_WORDS}"

    def _suggestion(self, word: str, *, first: bool) -> str | None:
        digits = RULES["digits of a time"].match(word)
        if digits is not None:
            return f"{digits[1]}:{digits[2]}"
        if (figure := RULES["number"].match(word)) is not None and figure.end() == len(word):
            return f"f/{figure[1]}"
        others = ("open", "off", "via", *(KEYWORDS if first else ()))
        return self.gear.near(word) or nearest(word, others)

    def _flush_unknown(self) -> None:
        """Words in a row that are like nothing known are one fault: a remark without quotes."""
        if self.unknown:
            place = self.unknown[0].to(self.unknown[-1])
            self.unknown.clear()
            self._hiding(place, f'"{place.text}" isn\'t understood', self._a_word())

    # The entry as a whole ----------------------------------------------------------------------

    def _check_whole(self) -> None:
        draft, places = self.draft, self.draft.places
        where = [what for what in _WHERE if what in places]
        if len(where) > 1:
            later = max((places[what] for what in where), key=lambda place: place.start)
            named = " and ".join(_where_named(what, draft) for what in where)
            self.faults.add(later, named, "one of them in an entry")
        # Of a line in which nothing is understood, that is all there is to say.
        hidden = draft.place_lost or (draft.lost and not places)
        if not hidden and not any(what in places for what in _WHERE):
            expected = "a time, frame names, or first or then for the order of slate frames"
            self.faults.add(draft.content, "no time and no frame names", expected)
        with_off = [places[what] for what in _OF_A_LENS if what in places]
        if What.OFF in places and with_off:
            place = min(with_off, key=lambda place: place.start)
            self._hiding(
                place,
                f"{place.text} can't stand with off",
                "off alone (no adapted lens from here on), or a lens",
            )
            draft.off = False
        if not draft.lost and not any(what in places for what in _NEWS):
            self.faults.add(
                draft.content,
                "the entry says nothing new",
                "a lens, an adapter, an f-number, a focal length or off",
            )


def _where_named(what: What, draft: Draft) -> str:
    return {What.TIME: "a time", What.FRAMES: "frame names"}.get(what, f"`{draft.order}`")


def _group(token: Token, number: int) -> Place:
    return Place(token.place.line, token.match.start(number), token.match.end(number))


def _frame(stem: str, place: Place) -> FrameName:
    return FrameName(stem, place.line.number, place.column)


def _remark_text(token: Token) -> str | None:
    """The remark in the words of its writer: cleaning is for the words that have a meaning."""
    group = 1 if token.match[1] is not None else 2
    if not token.match[group].strip():
        return None
    line: Line = token.place.line
    written = line.original(token.match.start(group), token.match.end(group))
    return " ".join(unicodedata.normalize("NFC", written).split())


def _not_times(first: str, last: str) -> None:
    if RULES["time"].fullmatch(first) and RULES["time"].fullmatch(last):
        raise Refusal(
            "two dots join frame names, not times",
            "a dash between a start and an end",
            f"{first}-{last}",
        )


def _not_a_dashed_range(word: str) -> None:
    """K7_0212-K7_0230 would pass for the name of one frame."""
    for position, ch in enumerate(word):
        if ch != "-":
            continue
        first, last = word[:position], word[position + 1 :]
        if not (values.names_one_frame(first) and values.names_one_frame(last)):
            continue
        raise Refusal(
            "frame names are joined with two dots", values.A_FRAME_RANGE, f"{first}..{last}"
        )


def _reason(token: Token) -> Refusal:
    if token.rule == "bare hour":
        return values.whole_hour(token)
    if token.rule == "one-digit minute":
        hour, minute = token.match.groups()
        return Refusal("minutes take two digits", values.A_TIME, f"{hour}:0{minute}")
    if token.rule == "T-stop":
        return Refusal("a T-stop is not an f-number", "the f-number engraved on the lens, or f/?")
    if token.rule == "date":
        return Refusal("a date stands on a line of its own", f"date {token.text} above the entry")
    return Refusal(
        f"{token.text} isn't an f-number", "an f-number such as f/2.8 or f/4-5.6, open or f/?"
    )
