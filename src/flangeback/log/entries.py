"""Reading the words of one entry, in whatever order they stand."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from flangeback.kit import Adapter, Body, Lens
from flangeback.log import advice, names, values
from flangeback.log.calendar import Calendar
from flangeback.log.gear import TYPE_NAMES, Gear
from flangeback.log.model import Entry, FrameGroup, FrameName, FrameRange, GroupKind, Part
from flangeback.log.text import Fault, Place, noted
from flangeback.log.tokenizer import Token, Tokenizer
from flangeback.log.vocabulary import (
    A_FRAME_RANGE,
    A_KNOWN_WORD,
    A_PLACE,
    A_TIME,
    ORDER_WORDS,
    WORDS_FOR_TIMES,
)

_PLACES = (Part.TIME, Part.FRAMES, Part.ORDER)
"""What says when an entry holds."""
_OF_A_LENS = (Part.LENS, Part.ADAPTER, Part.APERTURE, Part.FOCAL_LENGTH)
_NEWS = (*_OF_A_LENS, Part.OFF, Part.REMARK)
"""What an entry has at least one of."""
_PART_OF = {Body: Part.BODY, Lens: Part.LENS, Adapter: Part.ADAPTER}


class EntryReader:
    """Reads an entry from a line; every fault in it is noted, and what is sound is kept.

    With `any_name`, a name of any shape that opens the line says which frames are meant, where
    nothing else does.
    """

    def __init__(
        self, words: Tokenizer, gear: Gear, calendar: Calendar, *, any_name: bool = True
    ) -> None:
        self.words = words
        self.gear = gear
        self.calendar = calendar
        self.faults = calendar.faults
        self.any_name = any_name
        self.places: dict[Part, Place] = {Part.ENTRY: words.content}
        self._said: dict[Part, Any] = {}
        """What each part says, as far as it is sound; of TIME, start and end."""
        self._lost = False
        self._undecided: dict[str, list[Token]] = defaultdict(list)
        """By their rules, what may say when the entry holds, or something else: other words
        decide."""
        self._unknown: list[list[Place]] = []
        """Words that are like nothing known, in runs."""
        self._is_in_run = False
        self._may_hide_place = False

    def read(self) -> Entry:
        """The entry; its line is read to the end."""
        while not self.words.at_end:
            is_word = self._plain_word() or self._by_rule()
            if is_word or self._one_frame() or self._part_of_name():
                self._is_in_run = False
            else:
                self._unknown_word(self.words.read_word())
        self._settle()
        self._check_whole()
        times = self._said.pop(Part.TIME, (None, None))
        said = {part.name.lower(): value for part, value in self._said.items()}
        if Part.TIME in self.places and not self._says(Part.FRAMES, Part.ORDER):
            said["start"], said["end"] = self.calendar.moments(self.places[Part.TIME], *times)
        line = self.words.line.number
        return Entry(**said, line=line, places=self.places, lost=self._lost)

    def _by_rule(self) -> bool:
        """Read what the first fitting rule finds."""
        for rule, read in _READERS.items():
            match = self.words.match(rule)
            if match is None or not self._is_meant(rule, match):
                continue
            # The dash behind a time is no gap.
            if (token := self.words.read(rule, gap=rule != "time")) is not None:
                read(self, token)
            return True
        return False

    def _is_meant(self, rule: str, match: re.Match[str]) -> bool:
        if rule == "frames":
            # In `K7_0212.. k7` the range has no end, and k7 is the body.
            return self.gear.find(match[2]) is None
        if rule == "time" and match[2] == "." and int(match[3]) > 59 and not match[4]:
            # 5.60 is no time, but may be an f-number.
            return not values.is_marked(f"{match[1]}.{match[3]}")
        return rule != "decimal" or values.is_marked(match[1])

    def _says(self, *parts: Part) -> bool:
        return not self.places.keys().isdisjoint(parts)

    def _say(self, part: Part, place: Place, value: Callable[[], object]) -> None:
        """Keep what this part says here; note a fault in it, or that it stood here before."""
        with noted(self.faults):
            first = self.places.setdefault(part, place)
            if first is place:
                self._said[part] = value()
                return
            same = first.text.casefold() == place.text.casefold()
            if part in (Part.BODY, Part.LENS) and not same:
                self._said.pop(part, None)
                self._lost |= part is Part.LENS
            twice = f"{place.text} stands here twice"
            text = twice if same else f"{first.text}, and {place.text} too"
            more = "; others go on lines of their own" if part is Part.FRAMES else ""
            raise place.fault(text, f"one {part} in an entry{more}")

    def _hiding(self, fault: Fault) -> None:
        """Note a fault that may hide what else the entry says."""
        self.faults.append(fault)
        self._lost = True

    def _is_first(self, place: Place) -> bool:
        return place.start == self.words.content.start

    # Remarks and names in quotes ---------------------------------------------------------------

    def _remark_or_name(self, token: Token) -> None:
        may_name = (token.match[1] or "").strip() and self._is_first(token.place)
        if self.any_name and may_name:
            self._undecided["remark"].append(token)
        else:
            self._remark(token)

    def _unclosed(self, token: Token) -> None:
        what = "bracket" if token.text == "(" else "quote"
        place = token.place.to(self.words.rest)
        self._hiding(place.fault(f"this {what} isn't closed", f"a {what} at the remark's end"))
        self.words.skip_to_end()

    def _remark(self, token: Token) -> None:
        remark = values.remark_text(token)
        self._say(Part.REMARK, token.place, lambda: remark)
        if remark is None and self.places[Part.REMARK] is token.place:
            del self.places[Part.REMARK]

    # Words of the kit and of the log -----------------------------------------------------------

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
            self._say(Part.OFF, self.words.read_word(), lambda: True)
        elif word in ORDER_WORDS:
            self._say(Part.ORDER, self.words.read_word(), lambda: word)
        elif word == "all":
            self._group(self.words.read_word(), GroupKind.ALL)
        else:
            return self._article()
        return True

    def _article(self) -> bool:
        """`the` before a word of the kit."""
        place = self.words.peek_word(after="article")
        is_name = place and (self.gear.find(place.text) or self.gear.fitting([place.text]))
        return bool(is_name) and self.words.read("article") is not None

    def _gear(self, place: Place, gear: Body | Lens | Adapter) -> None:
        self._say(_PART_OF[type(gear)], place, lambda: gear.key)

    def _via(self, via: Place) -> None:
        expected = "an adapter of the kit"
        place = via if self.words.peek_word() is None else self.words.read_word()
        gear = self.gear.find(place.text)
        if place is via:
            self._hiding(via.fault("via what?", expected))
        elif isinstance(gear, Adapter):
            self._gear(place, gear)
        elif gear is not None:
            self._hiding(place.fault(f"{place.text} is {TYPE_NAMES[type(gear)]}", expected))
        else:
            near = self.gear.near(place.text, Adapter)
            self._hiding(place.fault(f'"{place.text}" isn\'t in the kit', expected, near))

    def _part_of_name(self) -> bool:
        """Words in a row that are parts of the name of one body or lens: kvarn 50."""
        found = self.gear.read_parts(self.words)
        if found is None:
            return False
        whole, fitting = found
        keys = [gear.key for gear in fitting]
        if whole.text.isdigit() and values.is_marked(whole.text):
            keys.insert(0, f"f/{whole.text}")
        if len(keys) > 1:
            self._hiding(advice.ambiguous(whole, keys))
        else:
            self._gear(whole, fitting[0])
        return True

    # Frames ------------------------------------------------------------------------------------

    def _half_range(self, token: Token) -> None:
        self.places.setdefault(Part.FRAMES, token.place)
        self.faults.append(token.place.fault("one end of the range is missing", A_FRAME_RANGE))

    def _group(self, place: Place, kind: GroupKind | None = None) -> None:
        """The frames that are named here; `kind` is what they share, where the name doesn't say."""
        self._say(Part.FRAMES, place, lambda: names.frames_called(place, kind))

    def _one_frame(self) -> bool:
        place = self.words.peek_word()
        if place is None or not names.names_one_frame(place.text):
            return False

        def frame() -> FrameRange:
            names.check_one_frame(place)
            found = self.gear.frame_name(place, A_FRAME_RANGE)
            return FrameRange(found, found)

        self._say(Part.FRAMES, self.words.read_word(), frame)
        return True

    # Times, f-numbers, focal lengths -----------------------------------------------------------

    def _decided_later(self, token: Token) -> None:
        self._undecided[token.rule].append(token)

    def _aperture(self, token: Token) -> None:
        self._say(Part.APERTURE, token.place, lambda: values.aperture(token))

    def _time(self, first: Token) -> None:
        if (to := self.words.read("to")) is None:
            dash = self.words.read("dash")
            self.words.skip_gap()
            self._start_time(first)
            missing = None if dash is None else dash.place
        elif (last := self.words.read("time")) is None:
            self._say(Part.TIME, first.place, lambda: (None, None))
            missing = to.place.to(self.words.read_word())
        else:
            place = first.place.to(last.place)
            self._say(Part.TIME, place, lambda: self._start_and_end(first, last))
            missing = None
        if missing is not None:
            self.faults.append(missing.fault("no time after the dash", A_TIME))

    def _start_time(self, token: Token) -> None:
        self._say(Part.TIME, token.place, lambda: (values.wall_time(token), None))

    def _start_and_end(self, first: Token, last: Token) -> object:
        times = []
        for token in (first, last):
            with noted(self.faults):
                times.append(values.wall_time(token))
        return (values.start_before(*times), times[1]) if len(times) == 2 else (None, None)

    # What other words decide -------------------------------------------------------------------

    def _settle(self) -> None:
        """Give the words that may say when the entry holds their meaning."""
        for token in self._undecided["digits of a time"]:
            self._digits_of_a_time(token)
        self._either(self._undecided["either"])
        for token in (token for rule in values.DATES for token in self._undecided[rule]):
            self._date(token)
        for token in self._undecided["remark"]:
            if self._says(*_PLACES):
                self._remark(token)
            else:
                self._group(token.group(1))
        first = self._unknown[0] if self._unknown else []
        is_lone = len(first) == 1 and self._is_first(first[0]) and self._says(*_NEWS)
        may_name = is_lone and names.has_letter(first[0].text) and not self._says(*_PLACES)
        if self.any_name and may_name:
            self._group(self._unknown.pop(0)[0])
        for run in self._unknown:
            words = run[0].to(run[-1])
            is_line = words.text == self.words.content.text
            self._hiding(advice.not_understood(words, self.gear, is_line=is_line))

    def _digits_of_a_time(self, token: Token) -> None:
        """1516 is 15:16, unless a body or lens has it in its name."""
        fitting = self.gear.fitting([token.text])
        if len(fitting) == 1 and self._says(*_PLACES):
            self._gear(token.place, fitting[0])
        elif fitting:
            keys = [":".join(token.match.groups()), *(gear.key for gear in fitting)]
            self._hiding(advice.ambiguous(token.place, keys))
            self._may_hide_place = True
        else:
            self._start_time(token)

    def _either(self, tokens: Sequence[Token]) -> None:
        """1:16 is a time where the entry has no other place, and an f-number where it has."""
        if self._says(*_PLACES):
            for token in tokens:
                self._aperture(token)
        elif len(tokens) == 1:
            self._start_time(tokens[0])
        elif tokens:
            self._hiding(advice.times_or_f_numbers(tokens))
            self._may_hide_place = True

    def _date(self, token: Token) -> None:
        """A date says which day's frames an entry is for, where nothing else says which frames."""

        def frames() -> FrameGroup:
            day = values.calendar_date(token, self.calendar.days)
            return FrameGroup(GroupKind.DAY, FrameName.at(token.place, str(day)), day)

        if self._says(*_PLACES) or self._may_hide_place:
            text = "a date stands on a line of its own"
            self.faults.append(token.place.fault(text, f"date {token.text} above the entry"))
        else:
            self._say(Part.FRAMES, token.place, frames)

    # Words that can't be understood ------------------------------------------------------------

    def _refused(self, token: Token) -> None:
        """Note why a word of a known shape, such as a T-stop, isn't accepted."""
        is_time = token.rule in ("bare hour", "one-digit minute")
        self.places.setdefault(Part.TIME if is_time else Part.APERTURE, token.place)
        self.faults.append(advice.refused(token))

    def _unknown_word(self, place: Place) -> None:
        """Note a word that isn't understood; several in a row are one fault: a remark unquoted."""
        word = place.text
        is_time = word.casefold() in WORDS_FOR_TIMES or word[:1].isdigit()
        self._may_hide_place |= is_time or any(mark in word for mark in "_:/")
        meant = advice.suggestion(word, self.gear, is_first=self._is_first(place))
        if meant is not None:
            self._hiding(place.fault(f'"{word}" isn\'t understood', A_KNOWN_WORD, meant))
        elif self._is_in_run:
            self._unknown[-1].append(place)
        else:
            self._unknown.append([place])
        self._is_in_run = meant is None

    # The entry as a whole ----------------------------------------------------------------------

    def _check_whole(self) -> None:
        """Note what contradicts itself in the entry, or is missing."""
        where = [part for part in _PLACES if part in self.places]
        whole = self.places[Part.ENTRY]
        if len(where) > 1:
            later = max((self.places[part] for part in where), key=lambda place: place.start)
            order = f"`{self._said.get(Part.ORDER)}`"
            words = {Part.TIME: "a time", Part.FRAMES: "frame names", Part.ORDER: order}
            named = " and ".join(words[part] for part in where)
            self.faults.append(later.fault(named, "one of them in an entry"))
        # A line in which nothing is understood has that one fault.
        is_hidden = self._may_hide_place or (self._lost and len(self.places) == 1)
        if not is_hidden and not where:
            self.faults.append(whole.fault("no time and no frame names", A_PLACE))
        with_off = [self.places[part] for part in _OF_A_LENS if part in self.places]
        if Part.OFF in self.places and with_off:
            place = min(with_off, key=lambda place: place.start)
            text = f"{place.text} can't stand with off"
            expected = "off alone (no adapted lens from here on), or a lens"
            del self._said[Part.OFF]
            self._hiding(place.fault(text, expected))
        if not self._lost and not self._says(*_NEWS):
            expected = "a lens, an adapter, an f-number, a focal length or off"
            self.faults.append(whole.fault("the entry says nothing new", expected))


_Reader = Callable[[EntryReader, Token], None]


def _saying(part: Part, value: Callable[[Token], object]) -> _Reader:
    return lambda reader, token: reader._say(part, token.place, lambda: value(token))


_READERS: Mapping[str, _Reader] = {
    "quoted frames": _saying(Part.FRAMES, names.frame_pair),
    "remark": EntryReader._remark_or_name,
    "quote": EntryReader._unclosed,
    "frames": _saying(Part.FRAMES, names.frame_pair),
    "half frames": EntryReader._half_range,
    "pattern": _saying(Part.FRAMES, lambda token: names.frames_called(token.place)),
    "focal length": _saying(Part.FOCAL_LENGTH, lambda token: values.number(token.match[1])),
    **dict.fromkeys(("either", "digits of a time", *values.DATES), EntryReader._decided_later),
    "time": EntryReader._time,
    **dict.fromkeys(("open", "f-number", "f-number not noted", "decimal"), EntryReader._aperture),
    **dict.fromkeys(("bare hour", "one-digit minute"), EntryReader._refused),
    **dict.fromkeys(("T-stop", "f-number, misshapen"), EntryReader._refused),
    "folder": _saying(Part.FRAMES, lambda token: names.frames_called(token.place)),
}
"""What a word says, by the first rule of the vocabulary that it fits."""
