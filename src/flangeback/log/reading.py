"""Reading a session log: line by line, every fault noted, none hiding the next."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date, timedelta
from pathlib import Path

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit import Body, Kit
from flangeback.log import values
from flangeback.log.calendar import Calendar, is_date
from flangeback.log.entries import EntryReader
from flangeback.log.gear import Gear
from flangeback.log.model import (
    ClockOffset,
    ClockReference,
    Entry,
    FrameName,
    FrameRange,
    Part,
    SessionLog,
)
from flangeback.log.names import is_frame_name
from flangeback.log.spans import spans_of
from flangeback.log.text import Fault, Place, clean_line, noted, split_lines
from flangeback.log.tokenizer import Tokenizer
from flangeback.log.values import WallTime
from flangeback.log.vocabulary import (
    A_CLOCK,
    A_FRAME,
    A_SLATE,
    A_TIME,
    AN_AMOUNT,
    CLOCK_WORDS,
    LINE_WORDS,
)
from flangeback.system import read_text_file

_AMOUNTS = ("amount, last unit left out", "amount")
_LONGEST_LINE = 2000
_KIT_TABLE = re.compile(r"\s*\[(?:body|lens|adapter)\.[^\]]+\]\s*(?:#.*)?$", re.IGNORECASE)
"""The head of a table of a kit file."""


class LogError(InputError):
    """A log has faults.

    `log` is what could be read of it, so that it can still be held against the frames: all faults
    come in one go.
    """

    def __init__(self, problems: tuple[Problem, ...], log: SessionLog) -> None:
        super().__init__(problems)
        self.log = log


def read_log(path: Path, kit: Kit, days: Collection[date] = ()) -> SessionLog:
    """Read a session log file: UTF-8 with or without a mark, or UTF-16 with one.

    `days` are those on which frames were made: they tell which day `17 May` or `Sunday` is.

    Raises LogError with every fault found, by line and column, InputError when the file can't be
    read at all.
    """
    file = str(path)
    try:
        data = read_text_file(path)
    except FileNotFoundError:
        expected = "a text file; see --log"
        raise InputError.at(file, "there is no such session log", expected) from None
    return parse_log(decoded(data, file), kit, file, days)


def parse_log(
    text: str, kit: Kit, file: str = "session.txt", days: Collection[date] = ()
) -> SessionLog:
    """The session log that this text is, with its spans.

    `file` is named in problems; `days` are those on which frames were made. Raises LogError with
    every fault found, in line order.
    """
    lines = split_lines(text)
    table = next((n for n, line in enumerate(lines, 1) if _KIT_TABLE.match(line)), None)
    if table is not None:
        told = "this is a kit, not a session log"
        source = lines[table - 1].rstrip()
        expected = "a session log; a kit goes with --kit"
        problem = Problem(file, told, table, 1, len(source), source, expected)
        raise LogError((problem,), SessionLog(file, lines=lines))
    reader = LineReader(Gear(kit), days)
    for number, source in enumerate(lines, 1):
        reader.read(source, number)
    return reader.finish(file, lines)


def is_sound(text: str, kit: Kit | None = None) -> bool:
    """Whether this text is a log without faults."""
    try:
        parse_log(text, kit or Kit())
    except LogError:
        return False
    return True


def words_of(text: str, kit: Kit) -> tuple[str | None, Collection[Part]]:
    """What a line says, without the lines above it.

    The word that opens it, where it is no entry, and the parts of an entry that stand in it,
    whether or not they are sound.
    """
    reader = LineReader(Gear(kit))
    keyword = reader.read(text, any_name=False)
    return keyword, reader.entries[0].places if reader.entries else ()


def time_of_day(text: str, name: str) -> WallTime:
    """The time of day that a text says. Raises InputError; `name` is where it was given."""
    words = Tokenizer(clean_line(1, text))
    token = words.read("time")
    if token is None or not words.at_end:
        raise InputError.at(name, f'"{text}" isn\'t a time', A_TIME)
    try:
        return values.wall_time(token)
    except Fault as fault:
        raise InputError.at(name, fault.text, fault.expected) from None


def frames_in(text: str, gear: Gear) -> tuple[FrameName, ...]:
    """The frames that a `slate` line names, or both ends of what an `off` entry stands for.

    No frame where the line has a fault, or says anything else.
    """
    reader = LineReader(gear)
    reader.read(text)
    if reader.faults:
        return ()
    for entry in reader.entries:
        is_place = entry.places.keys() == {Part.ENTRY, Part.FRAMES, Part.OFF}
        if is_place and isinstance(entry.frames, FrameRange):
            return entry.frames.first, entry.frames.last
    return tuple(frame for _, frame in reader.slates.values())


# Encodings -------------------------------------------------------------------------------------

_ENCODINGS = "text saved as UTF-8, or as UTF-16 with a byte-order mark"


def decoded(data: bytes, file: str) -> str:
    """The text of a log file. Raises InputError where it is no text, or of another encoding."""
    encoding = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8"
    legible = data.decode(encoding, "replace").removeprefix("\ufeff")
    if "\0" in legible:
        # UTF-16 without its mark has a zero in every Latin letter.
        line = len(split_lines(legible.partition("\0")[0]))
        text = "isn't plain text: it holds zero bytes"
        raise InputError(Problem(file, text, line, expected=_ENCODINGS))
    try:
        data.decode(encoding)
    except UnicodeDecodeError as error:
        before = split_lines(data[: error.start].decode(encoding, "ignore"))
        line, column = len(before), len(before[-1]) + 1
        text, source = f"this can't be read as {encoding.upper()} text", split_lines(legible)
        shown = source[line - 1].rstrip()
        fault = Problem(file, text, line, column, source=shown, expected=_ENCODINGS)
        raise InputError(fault) from None
    return legible


# Lines -----------------------------------------------------------------------------------------


class LineReader:
    """Reads the lines of one log, each by the word that opens it, and keeps what they say."""

    def __init__(self, gear: Gear, days: Collection[date] = ()) -> None:
        self.gear = gear
        self.faults: list[Fault] = []
        self.calendar = Calendar(self.faults, days)
        self.entries: list[Entry] = []
        self.clocks: list[tuple[ClockOffset | ClockReference, Place]] = []
        self.slates: dict[str, tuple[bool, FrameName]] = {}
        self.slack: timedelta | None = None
        self.overnight = False

    def read(self, source: str, number: int = 1, *, any_name: bool = True) -> str | None:
        """Read a line; gives the word that opens it, where it is no entry.

        With `any_name`, frames are named by names of any shape (see EntryReader).
        """
        line = clean_line(number, source[:_LONGEST_LINE])
        if len(source) > _LONGEST_LINE and not line.text.lstrip().startswith("#"):
            expected = f"at most {_LONGEST_LINE:,} characters"
            self.faults.append(
                Place(line, 0, len(line.text.rstrip())).fault("this is too long", expected)
            )
            return None
        words = Tokenizer(line)
        if words.at_end:
            return None
        place = words.peek_word()
        keyword = place.text.casefold() if place is not None else ""
        if is_date(words.content.text):
            with noted(self.faults):
                self.calendar.read_date(words, words.content)
            return "date"
        is_clock = re.match(r"\S+\s+clock\b", words.content.text, re.IGNORECASE)
        if is_clock and isinstance(self.gear.find(keyword), Body):
            fault = words.content.fault("a clock's line begins with `clock`", A_CLOCK)
            self.faults.append(fault)
            return None
        if keyword not in LINE_WORDS:
            reader = EntryReader(words, self.gear, self.calendar, any_name=any_name)
            self.entries.append(reader.read())
            return None
        readers = {
            "date": self.calendar.read_date,
            "zone": self.calendar.read_zone,
            "clock": self._clock,
            "slack": self._slack,
            "slate": self._slate,
            "not-slate": self._slate,
            "overnight": self._overnight,
        }
        with noted(self.faults):
            readers[keyword](words, words.read_word())
            if not words.at_end:
                text = f'"{words.rest.text}" is more than belongs here'
                raise words.rest.fault(text, "the end of the line, or # and a remark")
        return keyword

    # Overnight, slack and clock ----------------------------------------------------------------

    def _overnight(self, _words: Tokenizer, _head: Place) -> None:
        self.overnight = True

    def _slack(self, words: Tokenizer, head: Place) -> None:
        slack = _amount(words, head)
        if self.slack is not None:
            raise head.fault("slack is given above", "one slack in a log")
        self.slack = slack

    def _clock(self, words: Tokenizer, head: Place) -> None:
        body = self._clock_body(words)
        if words.peek_word() is None and not words.match("quoted name"):
            raise words.content.fault("the clock of what?", A_CLOCK)
        first = words.read(*_AMOUNTS)
        place = words.read_name()
        word = "" if place.is_quoted else place.text.casefold()
        if first is not None and word not in ("fast", "slow"):
            raise first.place.fault("fast or slow is missing", A_CLOCK)
        if word in CLOCK_WORDS:
            ahead = values.amount(first) if first else timedelta(0)
            if first is None and word != "right":
                ahead = _amount(words, place)
            ahead = -ahead if word == "slow" else ahead
            clock = ClockOffset(body, ahead, head.line.number, sure=_is_sure(words))
            self._keep_clock(clock, words.content)
            return
        shows = words.peek_word()
        if shows is None or shows.text.casefold() != "shows":
            raise self._no_clock(body, place, shows)
        frame = self.gear.frame_name(place, A_FRAME)
        moment = self.calendar.read_shown(words, words.read_word())
        line, sure = head.line.number, _is_sure(words)
        if moment is not None:
            self._keep_clock(ClockReference(body, frame, moment, line, sure), words.content)

    def _clock_body(self, words: Tokenizer) -> str | None:
        place = words.peek_word()
        gear = None if place is None else self.gear.find(place.text)
        if place is None or gear is None:
            return None
        words.read_word()
        if not isinstance(gear, Body):
            raise place.fault(f"{place.text} is no body", "a body of the kit")
        return gear.key

    def _no_clock(self, body: str | None, place: Place, after: Place | None) -> Fault:
        """What is wrong with a clock line that is not fast, slow or right, and shows no time."""
        if body is None:
            near = self.gear.near(place.text, Body)
            return place.fault(f'"{place.text}" is no body of the kit', A_CLOCK, near)
        if not is_frame_name(place.text) and not place.is_quoted:
            near = nearest(place.text, CLOCK_WORDS)
            return place.fault(f'"{place.text}" isn\'t understood', A_CLOCK, near)
        return (after or place).fault("`shows` is missing", f"{place.text} shows 09:14:05")

    def _keep_clock(self, clock: ClockOffset | ClockReference, place: Place) -> None:
        for other, _ in self.clocks:
            if other.body != clock.body:
                continue
            if isinstance(other, ClockOffset) or isinstance(clock, ClockOffset):
                text = f"line {other.line} says already how this clock goes"
                expected = "fast, slow or right once, or frames of a clock, for one body"
                raise place.fault(text, expected)
            if other.frame.name.casefold() == clock.frame.name.casefold():
                text = f"line {other.line} says already what this frame shows"
                raise place.fault(text, "one time for a frame")
        self.clocks.append((clock, place))

    # Slates ------------------------------------------------------------------------------------

    def _slate(self, words: Tokenizer, head: Place) -> None:
        is_slate = head.text.casefold() == "slate"
        if words.at_end:
            raise head.fault("which frame?", A_SLATE)
        while not words.at_end:
            if words.peek_word() is None and not words.match("quoted name"):
                raise words.rest.fault("this is no frame name", A_SLATE)
            with noted(self.faults):
                self._keep_slate(words.read_name(), is_slate=is_slate)

    def _keep_slate(self, place: Place, *, is_slate: bool) -> None:
        if ".." in place.text and not place.is_quoted:
            raise place.fault(f"{place.text} is a range", A_SLATE)
        frame = self.gear.frame_name(place, A_SLATE)
        was_slate, first = self.slates.setdefault(frame.name.casefold(), (is_slate, frame))
        if was_slate != is_slate:
            text = f"line {first.line} says the opposite of {frame.name}"
            raise place.fault(text, "slate or not-slate for a frame")

    # The log as a whole ------------------------------------------------------------------------

    def finish(self, file: str, lines: tuple[str, ...]) -> SessionLog:
        """The log, once every line is read. Raises LogError with every fault found."""
        self._check_clock_bodies()
        slack = self.slack or timedelta(0)
        slates: dict[bool, list[FrameName]] = {True: [], False: []}
        for is_slate, frame in self.slates.values():
            slates[is_slate].append(frame)
        log = SessionLog(
            file,
            tuple(self.entries),
            spans_of(self.entries, self.gear.kit, file, slack, self.faults),
            tuple(clock for clock, _ in self.clocks),
            tuple(slates[True]),
            tuple(slates[False]),
            self.calendar.zone,
            slack,
            self.overnight,
            self.calendar.day,
            lines,
        )
        problems = [fault.problem(file) for fault in self.faults]
        if problems:
            raise LogError(tuple(sorted(problems, key=lambda p: (p.line or 0, p.column or 0))), log)
        return log

    def _check_clock_bodies(self) -> None:
        are_named = any(clock.body is not None for clock, _ in self.clocks)
        if not are_named and not any(entry.says(Part.BODY) for entry in self.entries):
            return
        for clock, place in self.clocks:
            if clock.body is None:
                expected = "the body's name after `clock`, as the log names bodies"
                self.faults.append(place.fault("the clock of which body?", expected))


def _is_sure(words: Tokenizer) -> bool:
    """Whether the line ends with `sure`."""
    place = words.peek_word()
    if place is None or place.text.casefold() != "sure":
        return False
    words.read_word()
    return True


def _amount(words: Tokenizer, head: Place) -> timedelta:
    """The amount of time that stands here. Raises Fault."""
    token = words.read(*_AMOUNTS, "zero", "amount, unclear")
    if token is not None:
        return values.amount(token)
    if words.at_end:
        raise head.fault("how much?", AN_AMOUNT)
    raise words.rest.fault(f'"{words.rest.text}" isn\'t an amount of time', AN_AMOUNT)
