"""Reading the words of one entry, in whatever order they stand."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from flangeback.errors import nearest
from flangeback.kit import Adapter, Body, Lens
from flangeback.log import values
from flangeback.log.calendar import Calendar
from flangeback.log.gear import TYPE_NAMES, Gear
from flangeback.log.model import Entry, FrameName, FrameRange, Part
from flangeback.log.names import check_one_frame, frame_pair, names_one_frame
from flangeback.log.text import Fault, Place, noted
from flangeback.log.tokenizer import Token, Tokenizer
from flangeback.log.values import WallTime
from flangeback.log.vocabulary import (
    A_FRAME_RANGE,
    A_KNOWN_WORD,
    A_PLACE,
    A_TIME,
    KEYWORDS,
    ORDER_WORDS,
    OTHER_WORDS,
    PLAIN_WORDS,
    RULES,
)

_MOST_KEYS = 12
"""So many keys of a kit still make a list that is read."""
PLACES = (Part.TIME, Part.FRAMES, Part.ORDER)
"""What says when an entry holds."""
_OF_A_LENS = (Part.LENS, Part.ADAPTER, Part.APERTURE, Part.FOCAL_LENGTH)


class EntryReader:
    """Reads an entry from a line; every fault in it is noted, and what is sound is kept."""

    def __init__(
        self, words: Tokenizer, gear: Gear, calendar: Calendar, faults: list[Fault]
    ) -> None:
        self.words = words
        self.gear = gear
        self.calendar = calendar
        self.faults = faults
        self.places: dict[Part, Place] = {Part.ENTRY: words.content}
        self.entry = Entry(line=words.line.number, places=self.places)
        self._start: WallTime | None = None
        self._end: WallTime | None = None
        self._either: list[Token] = []
        self._unknown: list[Place] = []
        self._may_hide_place = False

    def read(self) -> Entry:
        """The entry; its line is read to the end."""
        while not self.words.at_end:
            if (
                self._remark()
                or self._plain_word()
                or self._frames()
                or self._measure()
                or self._refused()
                or self._one_frame()
            ):
                self._flush_unknown()
            else:
                self._unknown_word(self.words.read_word())
        self._flush_unknown()
        self._settle_either()
        self._check_whole()
        if Part.TIME in self.places and not self.entry.says(Part.FRAMES, Part.ORDER):
            moments = self.calendar.moments(self.places[Part.TIME], self._start, self._end)
            self.entry = replace(self.entry, start=moments[0], end=moments[1])
        return self.entry

    def _claim(self, part: Part, place: Place) -> bool:
        """Note that this part stands here; False, and a fault, if it did before."""
        first = self.places.setdefault(part, place)
        if first is place:
            return True
        same = first.text.casefold() == place.text.casefold()
        text = f"{place.text} stands here twice" if same else f"{first.text}, and {place.text} too"
        self.faults.append(place.fault(text, f"one {part} in an entry"))
        if part is Part.BODY and not same:
            self.entry = replace(self.entry, body=None)
        if part is Part.LENS and not same:
            self.entry = replace(self.entry, lens=None, lost=True)
        return False

    def _hiding(self, fault: Fault) -> None:
        """Note a fault that may hide what else the entry says."""
        self.faults.append(fault)
        self.entry = replace(self.entry, lost=True)

    # Remarks -----------------------------------------------------------------------------------

    def _remark(self) -> bool:
        token = self.words.read("remark")
        if token is not None:
            remark = _remark_text(token)
            if self._claim(Part.REMARK, token.place):
                self.entry = replace(self.entry, remark=remark)
                if remark is None:
                    del self.places[Part.REMARK]
            return True
        if self.words.match("quote") is None:
            return False
        self._hiding(
            self.words.rest.fault("this quote isn't closed", "a quote at the remark's end")
        )
        self.words.skip_to_end()
        return True

    # Keys of the kit and plain words -----------------------------------------------------------

    def _plain_word(self) -> bool:
        place = self.words.peek_word()
        if place is None:
            return False
        word = place.text.casefold()
        if (gear := self.gear.find(word)) is not None:
            self._gear(self.words.read_word(), gear)
        elif word == "via":
            self._via(self.words.read_word())
        elif word == "off":
            is_off = self._claim(Part.OFF, self.words.read_word())
            self.entry = replace(self.entry, off=is_off)
        elif word in ORDER_WORDS:
            if self._claim(Part.ORDER, self.words.read_word()):
                self.entry = replace(self.entry, order="first" if word == "first" else "then")
        else:
            return False
        return True

    def _gear(self, place: Place, gear: Body | Lens | Adapter) -> None:
        if isinstance(gear, Body):
            if self._claim(Part.BODY, place):
                self.entry = replace(self.entry, body=gear.key)
        elif isinstance(gear, Lens):
            if self._claim(Part.LENS, place):
                self.entry = replace(self.entry, lens=gear.key)
        elif self._claim(Part.ADAPTER, place):
            self.entry = replace(self.entry, adapter=gear.key)

    def _via(self, via: Place) -> None:
        expected = "an adapter of the kit"
        if self.words.peek_word() is None:
            self._hiding(via.fault("via what?", expected))
            return
        place = self.words.read_word()
        gear = self.gear.find(place.text)
        if isinstance(gear, Adapter):
            self._gear(place, gear)
        elif gear is not None:
            self._hiding(place.fault(f"{place.text} is {TYPE_NAMES[type(gear)]}", expected))
        else:
            near = self.gear.near(place.text, Adapter)
            self._hiding(place.fault(f'"{place.text}" isn\'t in the kit', expected, near))

    # Frames ------------------------------------------------------------------------------------

    def _frames(self) -> bool:
        match = self.words.match("frames")
        # In `K7_0212.. k7` the range has no end, and k7 is the body.
        if match is not None and self.gear.find(match[2]) is None:
            if (token := self.words.read("frames")) and self._claim(Part.FRAMES, token.place):
                with noted(self.faults):
                    start, end = frame_pair(token)
                    first, last = _frame(start, token.group(1)), _frame(end, token.group(2))
                    self.entry = replace(self.entry, frames=FrameRange(first, last))
            return True
        if (token := self.words.read("half frames")) is not None:
            self.places.setdefault(Part.FRAMES, token.place)
            text = "one end of the range is missing"
            self.faults.append(token.place.fault(text, A_FRAME_RANGE))
            return True
        return False

    def _one_frame(self) -> bool:
        place = self.words.peek_word()
        if place is None or not names_one_frame(place.text):
            return False
        if self._claim(Part.FRAMES, self.words.read_word()):
            with noted(self.faults):
                check_one_frame(place)
                frame = self.gear.frame_name(place, A_FRAME_RANGE)
                self.entry = replace(self.entry, frames=FrameRange(frame, frame))
        return True

    # Times, f-numbers, focal lengths -----------------------------------------------------------

    def _measure(self) -> bool:
        if (token := self.words.read("focal length")) is not None:
            if self._claim(Part.FOCAL_LENGTH, token.place):
                self.entry = replace(self.entry, focal_length=values.number(token.match[1]))
        elif self.words.match("time"):
            self._time()
        elif (token := self.words.read("open", "f-number", "f-number not noted")) is not None:
            self._aperture(token)
        else:
            return False
        return True

    def _time(self) -> None:
        if (token := self.words.read("either")) is not None:
            self._either.append(token)
            return
        first = self.words.read("time", gap=False)
        assert first is not None
        if (to := self.words.read("to")) is None:
            dash = self.words.read("dash")
            self.words.skip_gap()
            self._start_time(first)
            missing = None if dash is None else dash.place
        elif (last := self.words.read("time")) is None:
            self._claim(Part.TIME, first.place)
            missing = to.place.to(self.words.read_word())
        else:
            self._start_and_end(first, last)
            missing = None
        if missing is not None:
            self.faults.append(missing.fault("no time after the dash", A_TIME))

    def _start_time(self, token: Token) -> None:
        if self._claim(Part.TIME, token.place):
            with noted(self.faults):
                self._start = values.wall_time(token)

    def _start_and_end(self, first: Token, last: Token) -> None:
        if not self._claim(Part.TIME, first.place.to(last.place)):
            return
        times = []
        for token in (first, last):
            with noted(self.faults):
                times.append(values.wall_time(token))
        if len(times) == 2:
            self._start, self._end = values.start_before(*times), times[1]

    def _aperture(self, token: Token) -> None:
        if self._claim(Part.APERTURE, token.place):
            with noted(self.faults):
                self.entry = replace(self.entry, aperture=values.aperture(token))

    def _settle_either(self) -> None:
        """1:16 is a time where the entry has no other place, and an f-number where it has."""
        if self.entry.says(*PLACES):
            for token in self._either:
                self._aperture(token)
        elif len(self._either) == 1:
            self._start_time(self._either[0])
        elif self._either:
            first, second = self._either[0].text, self._either[1].text
            self._hiding(
                self._either[0]
                .place.to(self._either[-1].place)
                .fault(
                    f"{first} and {second} can each be a time or an f-number",
                    f"0{first} for the time and f/{second[2:]} for the f-number, "
                    f"or 0{second} and f/{first[2:]}",
                )
            )
            self._may_hide_place = True

    # Words that can't be understood ------------------------------------------------------------

    def _refused(self) -> bool:
        """Words whose shape is known, and that aren't taken, each for its own reason."""
        rules = ("bare hour", "one-digit minute", "T-stop", "f-number, misshapen", "date")
        token = self.words.read(*rules)
        if token is None:
            return False
        if token.rule in ("bare hour", "one-digit minute"):
            self.places.setdefault(Part.TIME, token.place)
        elif token.rule != "date":
            self.places.setdefault(Part.APERTURE, token.place)
        with noted(self.faults):
            _refuse(token)
        return True

    def _unknown_word(self, place: Place) -> None:
        self.entry = replace(self.entry, lost=True)
        word = place.text
        if word[:1].isdigit() or any(mark in word for mark in "_:/"):
            self._may_hide_place = True
        is_first = place.start == self.words.content.start
        suggestion = self._suggestion(word, is_first=is_first)
        if suggestion is None:
            self._unknown.append(place)
            return
        self._flush_unknown()
        fault = place.fault(f'"{word}" isn\'t understood', A_KNOWN_WORD, suggestion)
        self.faults.append(fault)

    def _suggestion(self, word: str, *, is_first: bool) -> str | None:
        if (digits := RULES["digits of a time"].match(word)) is not None:
            return f"{digits[1]}:{digits[2]}"
        if (figure := RULES["number"].fullmatch(word)) is not None:
            return f"f/{figure[1]}"
        return self.gear.near(word) or nearest(word, (*PLAIN_WORDS, *(KEYWORDS * is_first)))

    def _flush_unknown(self) -> None:
        """Words in a row that are like nothing known are one fault: a remark without quotes."""
        if self._unknown:
            place = self._unknown[0].to(self._unknown[-1])
            self._unknown.clear()
            self.faults.append(place.fault(f'"{place.text}" isn\'t understood', self._a_word()))

    def _a_word(self) -> str:
        """What may stand in an entry; of a small kit, each key, of a larger one the lenses."""
        keys, lenses = list(self.gear.kit.keys()), list(self.gear.kit.lenses)
        named = "a body, lens or adapter of the kit"
        if 0 < len(keys) <= _MOST_KEYS:
            named = f"one of the kit's {', '.join(keys)}"
        elif 0 < len(lenses) <= _MOST_KEYS:
            named = f"a body or adapter of the kit or one of its lenses ({', '.join(lenses)})"
        return f"{named}, {OTHER_WORDS}"

    # The entry as a whole ----------------------------------------------------------------------

    def _check_whole(self) -> None:
        entry, places = self.entry, self.places
        where = [part for part in PLACES if part in places]
        if len(where) > 1:
            later = max((places[part] for part in where), key=lambda place: place.start)
            words = {
                Part.TIME: "a time",
                Part.FRAMES: "frame names",
                Part.ORDER: f"`{entry.order}`",
            }
            named = " and ".join(words[part] for part in where)
            self.faults.append(later.fault(named, "one of them in an entry"))
        # Of a line in which nothing is understood, that is all there is to say.
        is_hidden = self._may_hide_place or (entry.lost and len(places) == 1)
        if not is_hidden and not where:
            self.faults.append(self.words.content.fault("no time and no frame names", A_PLACE))
        with_off = [places[part] for part in _OF_A_LENS if part in places]
        if Part.OFF in places and with_off:
            place = min(with_off, key=lambda place: place.start)
            expected = "off alone (no adapted lens from here on), or a lens"
            self._hiding(place.fault(f"{place.text} can't stand with off", expected))
            self.entry = replace(self.entry, off=False)
        if not self.entry.lost and not entry.says(*_OF_A_LENS, Part.OFF, Part.REMARK):
            text = "the entry says nothing new"
            expected = "a lens, an adapter, an f-number, a focal length or off"
            self.faults.append(self.words.content.fault(text, expected))


def _frame(stem: str, place: Place) -> FrameName:
    return FrameName(stem, place.line.number, place.column)


def _remark_text(token: Token) -> str | None:
    """The remark in the words of its writer: cleaning is for the words that have a meaning."""
    place = token.group(1 if token.match[1] is not None else 2)
    if not place.text.strip():
        return None
    written = place.line.original(place.start, place.end)
    return " ".join(unicodedata.normalize("NFC", written).split())


def _refuse(token: Token) -> None:
    """Raises the Fault that says why this token isn't taken."""
    place = token.place
    if token.rule == "bare hour":
        values.wall_time(token)
    if token.rule == "one-digit minute":
        hour, minute = token.match.groups()
        raise place.fault("minutes take two digits", A_TIME, f"{hour}:0{minute}")
    if token.rule == "T-stop":
        expected = "the f-number engraved on the lens, or f/?"
        raise place.fault("a T-stop is not an f-number", expected)
    if token.rule == "date":
        expected = f"date {token.text} above the entry"
        raise place.fault("a date stands on a line of its own", expected)
    expected = "an f-number such as f/2.8 or f/4-5.6, open or f/?"
    raise place.fault(f"{token.text} isn't an f-number", expected)
