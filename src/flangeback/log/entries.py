"""Reading the words of one entry, in whatever order they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flangeback.kit import Adapter, Body, Lens
from flangeback.log import advice, values
from flangeback.log.calendar import Calendar
from flangeback.log.checks import NEWS, PLACES, check_whole
from flangeback.log.gear import TYPE_NAMES, Gear
from flangeback.log.model import Entry, FrameGroup, FrameName, FrameRange, GroupKind, Part
from flangeback.log.names import (
    check_one_frame,
    frame_pair,
    frames_called,
    has_letter,
    names_one_frame,
)
from flangeback.log.text import Fault, Place, noted
from flangeback.log.tokenizer import Token, Tokenizer
from flangeback.log.values import WallTime
from flangeback.log.vocabulary import (
    A_FRAME_RANGE,
    A_KNOWN_WORD,
    A_TIME,
    ORDER_WORDS,
    WORDS_FOR_TIMES,
)


class EntryReader:
    """Reads an entry from a line; every fault in it is noted, and what is sound is kept.

    With `any_name`, a name of any shape that opens the line says which frames are meant, where
    nothing else does.
    """

    def __init__(
        self,
        words: Tokenizer,
        gear: Gear,
        calendar: Calendar,
        faults: list[Fault],
        *,
        any_name: bool = True,
    ) -> None:
        self.words = words
        self.gear = gear
        self.calendar = calendar
        self.faults = faults
        self.any_name = any_name
        self.places: dict[Part, Place] = {Part.ENTRY: words.content}
        self.entry = Entry(line=words.line.number, places=self.places)
        self._start: WallTime | None = None
        self._end: WallTime | None = None
        self._undecided: list[Token] = []
        """What may say when the entry holds, or something else: other words decide."""
        self._unknown: list[list[Place]] = []
        """Words that are like nothing known, in runs."""
        self._is_in_run = False
        self._may_hide_place = False

    def read(self) -> Entry:
        """The entry; its line is read to the end."""
        readers = (
            self._quoted,
            self._plain_word,
            self._frames,
            self._measure,
            self._refused,
            self._frames_by_shape,
            self._part_of_name,
        )
        while not self.words.at_end:
            if any(reader() for reader in readers):
                self._is_in_run = False
            else:
                self._unknown_word(self.words.read_word())
        self._settle()
        self.entry = check_whole(self.entry, self.faults, may_hide_place=self._may_hide_place)
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

    def _is_first(self, place: Place) -> bool:
        return place.start == self.words.content.start

    # Remarks and names in quotes ---------------------------------------------------------------

    def _quoted(self) -> bool:
        if (token := self.words.read("quoted frames")) is not None:
            self._frame_range(token)
        elif (token := self.words.read("remark")) is not None:
            may_name = (token.match[1] or "").strip() and self._is_first(token.place)
            if self.any_name and may_name:
                self._undecided.append(token)
            else:
                self._remark(token)
        elif (quote := self.words.match("quote")) is not None:
            what = "bracket" if quote[0] == "(" else "quote"
            text, expected = f"this {what} isn't closed", f"a {what} at the remark's end"
            self._hiding(self.words.rest.fault(text, expected))
            self.words.skip_to_end()
        else:
            return False
        return True

    def _remark(self, token: Token) -> None:
        remark = values.remark_text(token)
        if self._claim(Part.REMARK, token.place):
            self.entry = replace(self.entry, remark=remark)
            if remark is None:
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
            is_off = self._claim(Part.OFF, self.words.read_word())
            self.entry = replace(self.entry, off=is_off)
        elif word in ORDER_WORDS:
            if self._claim(Part.ORDER, self.words.read_word()):
                self.entry = replace(self.entry, order="first" if word == "first" else "then")
        elif word == "all":
            self._group(GroupKind.ALL, self.words.read_word())
        else:
            return self._article()
        return True

    def _article(self) -> bool:
        """`the` before a word of the kit."""
        place = self.words.peek_word(after="article")
        if place is None or not (self.gear.find(place.text) or self.gear.fitting([place.text])):
            return False
        return self.words.read("article") is not None

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

    def _frames(self) -> bool:
        match = self.words.match("frames")
        # In `K7_0212.. k7` the range has no end, and k7 is the body.
        if match is not None and self.gear.find(match[2]) is None:
            if (token := self.words.read("frames")) is not None:
                self._frame_range(token)
        elif (token := self.words.read("half frames")) is not None:
            self.places.setdefault(Part.FRAMES, token.place)
            text = "one end of the range is missing"
            self.faults.append(token.place.fault(text, A_FRAME_RANGE))
        elif (token := self.words.read("pattern")) is not None:
            self._group(GroupKind.PATTERN, token.place)
        else:
            return False
        return True

    def _frame_range(self, token: Token) -> None:
        if self._claim(Part.FRAMES, token.place):
            with noted(self.faults):
                start, end = frame_pair(token)
                first = FrameName.at(token.group(1), start)
                last = FrameName.at(token.group(2), end)
                self.entry = replace(self.entry, frames=FrameRange(first, last))

    def _group(self, kind: GroupKind | None, place: Place) -> None:
        """The frames that are named here; what they share is in the name, unless it is given."""
        if self._claim(Part.FRAMES, place):
            with noted(self.faults):
                self.entry = replace(self.entry, frames=frames_called(place, kind))

    def _frames_by_shape(self) -> bool:
        if (token := self.words.read("folder")) is not None:
            self._group(GroupKind.FOLDER, token.place)
            return True
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
        decimal = self.words.match("decimal")
        if (token := self.words.read("focal length")) is not None:
            if self._claim(Part.FOCAL_LENGTH, token.place):
                self.entry = replace(self.entry, focal_length=values.number(token.match[1]))
        elif (token := self.words.read("either", "digits of a time", *values.DATES)) is not None:
            self._undecided.append(token)
        elif self.words.match("time"):
            self._time()
        elif (token := self.words.read("open", "f-number", "f-number not noted")) is not None:
            self._aperture(token)
        elif decimal is not None and values.is_marked(decimal[1]):
            if (token := self.words.read("decimal")) is not None:
                self._aperture(token)
        else:
            return False
        return True

    def _time(self) -> None:
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

    # What other words decide -------------------------------------------------------------------

    def _settle(self) -> None:
        """Give the words that may say when the entry holds their meaning."""
        by_rule: dict[str, list[Token]] = {}
        for token in self._undecided:
            by_rule.setdefault(token.rule, []).append(token)
        for token in by_rule.get("digits of a time", ()):
            self._digits_of_a_time(token)
        self._either(by_rule.get("either", ()))
        for token in (token for rule in values.DATES for token in by_rule.get(rule, ())):
            self._date(token)
        for token in by_rule.get("remark", ()):
            if self.entry.says(*PLACES):
                self._remark(token)
            else:
                self._group(None, token.group(1))
        first = self._unknown[0] if self._unknown else []
        is_lone = len(first) == 1 and self._is_first(first[0]) and self.entry.says(*NEWS)
        may_name = is_lone and has_letter(first[0].text) and not self.entry.says(*PLACES)
        if self.any_name and may_name:
            self._group(None, self._unknown.pop(0)[0])
        for run in self._unknown:
            self._hiding(advice.not_understood(run[0].to(run[-1]), self.gear))

    def _digits_of_a_time(self, token: Token) -> None:
        """1516 is 15:16, unless a body or lens has it in its name."""
        fitting = self.gear.fitting([token.text])
        if len(fitting) == 1 and self.entry.says(*PLACES):
            self._gear(token.place, fitting[0])
        elif fitting:
            time = ":".join(token.match.groups())
            keys = [time, *(gear.key for gear in fitting)]
            self._hiding(advice.ambiguous(token.place, keys))
            self._may_hide_place = True
        else:
            self._start_time(token)

    def _either(self, tokens: Sequence[Token]) -> None:
        """1:16 is a time where the entry has no other place, and an f-number where it has."""
        if self.entry.says(*PLACES):
            for token in tokens:
                self._aperture(token)
        elif len(tokens) == 1:
            self._start_time(tokens[0])
        elif tokens:
            self._hiding(advice.times_or_f_numbers(tokens))
            self._may_hide_place = True

    def _date(self, token: Token) -> None:
        """A date is the place of an entry that has no other."""
        if self.entry.says(*PLACES) or self._may_hide_place:
            expected = f"date {token.text} above the entry"
            text = "a date stands on a line of its own"
            self.faults.append(token.place.fault(text, expected))
        elif self._claim(Part.FRAMES, token.place):
            with noted(self.faults):
                day = values.calendar_date(token, self.calendar.days)
                frames = FrameGroup(GroupKind.DAY, FrameName.at(token.place, str(day)), day)
                self.entry = replace(self.entry, frames=frames)

    # Words that can't be understood ------------------------------------------------------------

    def _refused(self) -> bool:
        """Words whose shape is known, and that aren't taken, each for its own reason."""
        token = self.words.read("bare hour", "one-digit minute", "T-stop", "f-number, misshapen")
        if token is None:
            return False
        is_time = token.rule in ("bare hour", "one-digit minute")
        self.places.setdefault(Part.TIME if is_time else Part.APERTURE, token.place)
        self.faults.append(advice.refused(token))
        return True

    def _unknown_word(self, place: Place) -> None:
        """Such words in a row are one fault, a remark without quotes, if like nothing known."""
        word = place.text
        is_time = word.casefold() in WORDS_FOR_TIMES
        if is_time or word[:1].isdigit() or any(mark in word for mark in "_:/"):
            self._may_hide_place = True
        meant = advice.suggestion(word, self.gear, is_first=self._is_first(place))
        if meant is not None:
            self._hiding(place.fault(f'"{word}" isn\'t understood', A_KNOWN_WORD, meant))
        elif self._is_in_run:
            self._unknown[-1].append(place)
        else:
            self._unknown.append([place])
        self._is_in_run = meant is None
