"""Reading a session log: line by line, every fault noted, none hiding the next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta, tzinfo
from pathlib import Path
from typing import TypeVar

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit import Body, Kit
from flangeback.log import values
from flangeback.log.entries import Draft, What, read_entry
from flangeback.log.faults import Faults, Refusal
from flangeback.log.gear import Gear
from flangeback.log.model import (
    ClockOffset,
    ClockReference,
    Entry,
    FrameName,
    Moment,
    SessionLog,
)
from flangeback.log.spans import ReadEntry, spans_of
from flangeback.log.text import Line, Place, clean_line, split_lines
from flangeback.log.tokens import Token, TokenReader
from flangeback.log.values import WallTime

A_CLOCK = "clock BODY fast 3m20s, clock BODY slow 3m20s or clock BODY FRAME shows 09:14:05"
_ANY_DAY = date(2000, 1, 1)
"""Stands in where the date is missing, so that times are still held against each other."""


def read_log(path: Path, kit: Kit) -> SessionLog:
    """Read a session log file: UTF-8 with or without a mark, or UTF-16 with one.

    Raises LogError with every fault found, by line and column, InputError when the file can't be
    read at all.
    """
    file = str(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            Problem(file, "there is no such session log", expected="a text file; see --log")
        ) from None
    except OSError as error:
        raise InputError(Problem(file, f"can't be read: {error.strerror}")) from None
    return parse_log(decoded(data, file), kit, file)


def parse_log(text: str, kit: Kit, file: str = "session.txt") -> SessionLog:
    """The session log that this text is, with its spans.

    `file` is named in problems. Raises LogError with every fault found, in line order.
    """
    reader = _LogReader(kit, Faults(file))
    lines = split_lines(text)
    for number, source in enumerate(lines, 1):
        reader.line(clean_line(number, source))
    return reader.finish(lines)


class LogError(InputError):
    """A log has faults. `log` is what could be read of it, so that it can still be held against
    the frames: all faults come in one go."""

    def __init__(self, problems: tuple[Problem, ...], log: SessionLog) -> None:
        super().__init__(problems)
        self.log = log


# Encodings -------------------------------------------------------------------------------------


def decoded(data: bytes, file: str) -> str:
    """The text of a log file. Raises InputError where it is no text, or of another encoding."""
    encoding = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    if encoding == "utf-8-sig" and b"\0" in data:
        raise InputError(_zero_bytes(data[: data.index(b"\0")].decode("utf-8", "replace"), file))
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        # utf-8-sig counts from after the mark.
        marked = encoding == "utf-8-sig" and data.startswith(b"\xef\xbb\xbf")
        start = error.start + (3 if marked and len(error.object) < len(data) else 0)
        raise InputError(_undecodable(data, start, encoding, file)) from None
    if "\0" in text:
        raise InputError(_zero_bytes(text[: text.index("\0")], file))
    return text


_ENCODINGS = "text saved as UTF-8, or as UTF-16 with a byte-order mark"


def _zero_bytes(before: str, file: str) -> Problem:
    """UTF-16 without its mark has a zero in every Latin letter."""
    line = len(split_lines(before))
    return Problem(file, "isn't plain text: it holds zero bytes", line, expected=_ENCODINGS)


def _undecodable(data: bytes, start: int, encoding: str, file: str) -> Problem:
    before = split_lines(data[:start].decode(encoding, "ignore"))
    lines = split_lines(data.decode(encoding, "replace"))
    name = "UTF-16" if encoding == "utf-16" else "UTF-8"
    return Problem(
        file,
        f"this can't be read as {name} text",
        len(before),
        len(before[-1]) + 1,
        source=lines[len(before) - 1].rstrip(),
        expected=_ENCODINGS,
    )


# Lines -----------------------------------------------------------------------------------------


class _LogReader:
    """Reads the lines of one log and keeps what they say."""

    def __init__(self, kit: Kit, faults: Faults) -> None:
        self.gear = Gear(kit)
        self.kit = kit
        self.faults = faults
        self.entries: list[ReadEntry] = []
        self.clocks: list[tuple[ClockOffset | ClockReference, Place]] = []
        self.slates: dict[str, tuple[bool, FrameName]] = {}
        self.day: date | None = None
        self.day_lost = False
        self.day_is_new = False
        self.zone: tzinfo | None = None
        self.zone_line: int | None = None
        self.slack: timedelta | None = None
        self.first_timed: int | None = None
        self.above: tuple[Moment, Place] | None = None
        self.bodies_named = False

    def line(self, line: Line) -> None:
        words = TokenReader(line)
        place = words.peek_word()
        if words.at_end:
            return
        keyword = place.text.casefold() if place is not None else ""
        readers = {
            "date": self._date,
            "zone": self._zone,
            "clock": self._clock,
            "slack": self._slack,
            "slate": self._slate,
            "not-slate": self._slate,
        }
        if keyword not in readers:
            self._entry(words)
            return
        head = words.read_word()
        try:
            readers[keyword](words, head)
            self._nothing_more(words)
        except _PlacedRefusal as placed:
            self.faults.refuse(placed.place, placed.refusal)

    def _nothing_more(self, words: TokenReader) -> None:
        if not words.at_end:
            raise _PlacedRefusal(words.rest, Refusal("this is too much", "the end of the line"))

    # date, zone, slack -------------------------------------------------------------------------

    def _date(self, words: TokenReader, head: Place) -> None:
        self.day, self.day_lost, self.day_is_new = None, True, True
        if words.at_end:
            raise _PlacedRefusal(head, Refusal("which date?", values.A_DATE))
        token = words.try_read("date", "date, year last", "date, run together")
        if token is None:
            refusal = Refusal(f'"{words.rest.text}" isn\'t a date', values.A_DATE)
            raise _PlacedRefusal(words.rest, refusal)
        self.day = _worth(values.calendar_date, token)
        self.day_lost = False

    def _zone(self, words: TokenReader, head: Place) -> None:
        if words.at_end:
            raise _PlacedRefusal(head, Refusal("which zone?", values.A_ZONE))
        first, self.zone_line = self.zone_line, self.zone_line or head.line.number
        if (token := words.try_read("offset")) is not None:
            place, zone = token.place, _worth(values.zone_offset, token)
        else:
            place = words.read_word() if words.peek_word() else words.rest
            try:
                zone = values.zone_named(place.text)
            except Refusal as refusal:
                raise _PlacedRefusal(place, refusal) from None
        if self.zone is not None and zone != self.zone:
            raise _PlacedRefusal(
                place,
                Refusal(
                    f"line {first} gives another zone",
                    "one zone in a log (more than one log may be given, with --log)",
                ),
            )
        if self.first_timed is not None and first is None:
            text = f"the zone stands below the time in line {self.first_timed}"
            raise _PlacedRefusal(head.to(place), Refusal(text, "it above the first time"))
        self.zone = zone

    def _slack(self, words: TokenReader, head: Place) -> None:
        amount = self._amount(words, head, "zero")
        if self.slack is not None:
            raise _PlacedRefusal(head, Refusal("slack is given above", "one slack in a log"))
        self.slack = amount

    def _amount(self, words: TokenReader, head: Place, *more: str) -> timedelta:
        if (token := words.try_read("amount", *more)) is not None:
            return values.amount(token)
        if (token := words.try_read("amount, unclear")) is not None:
            minutes, seconds = token.match.groups()
            raise _PlacedRefusal(
                token.place,
                Refusal(
                    f"{token.text} can be minutes or hours",
                    f"{minutes}m{seconds}s or {minutes}h{seconds}m",
                ),
            )
        if words.at_end:
            raise _PlacedRefusal(head, Refusal("how much?", values.AN_AMOUNT))
        refusal = Refusal(f'"{words.rest.text}" isn\'t an amount of time', values.AN_AMOUNT)
        raise _PlacedRefusal(words.rest, refusal)

    # clock -------------------------------------------------------------------------------------

    def _clock(self, words: TokenReader, head: Place) -> None:
        body = self._clock_body(words)
        place = words.peek_word()
        word = place.text.casefold() if place is not None else ""
        if place is None:
            raise _PlacedRefusal(words.content, Refusal("the clock of what?", A_CLOCK))
        if word in ("fast", "slow"):
            ahead = self._amount(words, words.read_word(), "zero")
            ahead = ahead if word == "fast" else -ahead
            self._keep_clock(ClockOffset(body, ahead, head.line.number), words.content)
            return
        place = words.read_word()
        shows = words.peek_word()
        if shows is None or shows.text.casefold() != "shows":
            raise self._no_shows(body, place, shows)
        frame = self._frame_name(place, "the name of one frame, such as N2_0412")
        moment = self._shown(words, words.read_word())
        if moment is not None:
            self._keep_clock(ClockReference(body, frame, moment, head.line.number), words.content)

    def _no_shows(self, body: str | None, place: Place, after: Place | None) -> _PlacedRefusal:
        """What is wrong with a clock line that is neither fast, nor slow, nor shows a time."""
        if body is None:
            near = self.gear.near(place.text, Body)
            refusal = Refusal(f'"{place.text}" is no body of the kit', A_CLOCK, near)
            return _PlacedRefusal(place, refusal)
        if not values.is_frame_name(place.text):
            near = nearest(place.text, ("fast", "slow"))
            refusal = Refusal(f'"{place.text}" isn\'t understood', A_CLOCK, near)
            return _PlacedRefusal(place, refusal)
        return _PlacedRefusal(
            after or place, Refusal("`shows` is missing", f"{place.text} shows 09:14:05")
        )

    def _clock_body(self, words: TokenReader) -> str | None:
        place = words.peek_word()
        gear = self.gear.find(place.text) if place is not None else None
        if place is None or gear is None:
            return None
        words.read_word()
        if not isinstance(gear, Body):
            refusal = Refusal(f"{place.text} is no body", "a body of the kit")
            raise _PlacedRefusal(place, refusal)
        self.bodies_named = True
        return gear.key

    def _frame_name(self, place: Place, expected: str) -> FrameName:
        try:
            if not values.is_frame_name(place.text):
                raise Refusal(f'"{place.text}" isn\'t a frame name', expected)
            self.gear.refuse_stem(place.text)
        except Refusal as refusal:
            raise _PlacedRefusal(place, refusal) from None
        return FrameName(values.frame_stem(place.text), place.line.number, place.column)

    def _shown(self, words: TokenReader, head: Place) -> Moment | None:
        token = words.try_read("time", "bare hour")
        if token is None:
            place = head if words.at_end else words.rest
            raise _PlacedRefusal(place, Refusal("shows which time?", values.A_TIME))
        if token.rule == "bare hour":
            raise _PlacedRefusal(token.place, values.whole_hour(token))
        time = _worth(values.wall_time, token)
        self.first_timed = self.first_timed or head.line.number
        if not self._day_given(token.place):
            return None
        return self._moment(time, token.place)

    def _keep_clock(self, clock: ClockOffset | ClockReference, place: Place) -> None:
        for other, _ in self.clocks:
            if other.body != clock.body:
                continue
            if isinstance(other, ClockOffset) or isinstance(clock, ClockOffset):
                text = f"line {other.line} says already how this clock goes"
                expected = "fast or slow once, or frames of a clock, for one body"
            elif other.frame.name.casefold() == clock.frame.name.casefold():
                text = f"line {other.line} says already what this frame shows"
                expected = "one time for a frame"
            else:
                continue
            raise _PlacedRefusal(place, Refusal(text, expected))
        self.clocks.append((clock, place))

    # slate -------------------------------------------------------------------------------------

    def _slate(self, words: TokenReader, head: Place) -> None:
        is_slate = head.text.casefold() == "slate"
        if words.at_end:
            raise _PlacedRefusal(head, Refusal("which frame?", _A_SLATE))
        while not words.at_end:
            place = words.peek_word()
            if place is None:
                raise _PlacedRefusal(words.rest, Refusal("this is no frame name", _A_SLATE))
            words.read_word()
            try:
                self._keep_slate(is_slate, place)
            except _PlacedRefusal as placed:
                self.faults.refuse(placed.place, placed.refusal)

    def _keep_slate(self, is_slate: bool, place: Place) -> None:
        if ".." in place.text:
            raise _PlacedRefusal(place, Refusal(f"{place.text} is a range", _A_SLATE))
        frame = self._frame_name(place, _A_SLATE)
        was_slate, first = self.slates.setdefault(frame.name.casefold(), (is_slate, frame))
        if was_slate != is_slate:
            text = f"line {first.line} says the opposite of {frame.name}"
            raise _PlacedRefusal(place, Refusal(text, "slate or not-slate for a frame"))

    # Entries -----------------------------------------------------------------------------------

    def _entry(self, words: TokenReader) -> None:
        draft = read_entry(words, self.gear, self.faults)
        start, end = self._moments(draft)
        entry = Entry(
            start=start,
            end=end,
            frames=draft.frames,
            body=draft.body,
            lens=draft.lens,
            adapter=draft.adapter,
            aperture=draft.aperture,
            focal_length=draft.focal_length,
            off=draft.off,
            remark=draft.remark,
            line=words.line.number,
            order=draft.order,
        )
        self.bodies_named = self.bodies_named or What.BODY in draft.places
        self.entries.append(ReadEntry(entry, draft.content, draft.places, draft.lost))

    def _moments(self, draft: Draft) -> tuple[Moment | None, Moment | None]:
        place = draft.places.get(What.TIME)
        if place is None or What.FRAMES in draft.places or What.ORDER in draft.places:
            return None, None
        self.first_timed = self.first_timed or place.line.number
        dated = self._day_given(place)
        if draft.start is None:
            return None, None
        try:
            start = self._moment(draft.start, place)
            end = None if draft.end is None else self._moment(draft.end, draft.end_place or place)
        except _PlacedRefusal as placed:
            self.faults.refuse(placed.place, placed.refusal)
            return None, None
        if end is not None and end.latest <= start.earliest:
            self._ends_first(draft, place)
            return None, None
        if not dated:
            return None, None
        self._check_order(start, place, draft.start)
        return start, end

    def _moment(self, time: WallTime, place: Place) -> Moment:
        try:
            return values.moment(self.day or _ANY_DAY, time, self.zone)
        except Refusal as refusal:
            raise _PlacedRefusal(place, refusal) from None

    def _day_given(self, place: Place) -> bool:
        """Whether there is a date for a time; a log without one is told so once."""
        if self.day is None and not self.day_lost:
            self.faults.add(place, "which day?", "a line `date YYYY-MM-DD` above")
            self.day_lost = True
        return self.day is not None

    def _ends_first(self, draft: Draft, place: Place) -> None:
        expected = "the earlier time first; what runs past midnight is split there by a `date`"
        self.faults.add(place, "this ends before it starts", expected)

    def _check_order(self, start: Moment, place: Place, time: WallTime) -> None:
        above, new_day = self.above, self.day_is_new
        self.above, self.day_is_new = (start, place), False
        if above is None or start.latest > above[0].earliest:
            return
        then, where = above
        text = f"earlier than the entry above ({where.text} in line {where.line.number})"
        if new_day:
            text = text.replace("(", f"({then.earliest:%Y-%m-%d} ", 1)
        expected = "entries in order of time" if new_day else self._later(then, time)
        self.faults.add(place, text, expected)

    def _later(self, then: Moment, time: WallTime) -> str:
        """What a time that is earlier than the one above may have been meant to be."""
        assert self.day is not None
        midnight = f"`date {self.day + timedelta(days=1)}` above it, if midnight lies between"
        afternoon = time.afternoon()
        wall = then.earliest.hour * 3600 + then.earliest.minute * 60
        if afternoon is None or afternoon.seconds == time.seconds or afternoon.seconds < wall:
            return midnight
        return f"{afternoon.hour}:{afternoon.minute:02}, if it was in the afternoon; {midnight}"

    # The log as a whole ------------------------------------------------------------------------

    def finish(self, lines: tuple[str, ...]) -> SessionLog:
        """The log, once every line is read. Raises LogError with every fault found."""
        named = any(read.entry.body is not None for read in self.entries)
        self.entries = [self._with_body(read, named) for read in self.entries]
        self._check_clock_bodies()
        slack = self.slack or timedelta(0)
        spans = spans_of(self.entries, self.kit, slack, self.faults)
        log = SessionLog(
            self.faults.file,
            tuple(read.entry for read in self.entries),
            spans,
            tuple(clock for clock, _ in self.clocks),
            tuple(frame for is_slate, frame in self.slates.values() if is_slate),
            tuple(frame for is_slate, frame in self.slates.values() if not is_slate),
            self.zone,
            slack,
            lines,
        )
        problems = self.faults.in_order()
        if problems:
            raise LogError(problems, log)
        return log

    def _with_body(self, read: ReadEntry, named: bool) -> ReadEntry:
        """The entry, its body known to be lost where that is so.

        A log that names bodies (`named`) names one in every entry.
        """
        if read.entry.body is not None:
            return read
        if named and not read.lost and What.BODY not in read.places:
            expected = "a body in every entry, or in none: " + " or ".join(self.kit.bodies)
            self.faults.add(read.content, "which body?", expected)
        return replace(read, body_lost=named or read.lost or What.BODY in read.places)

    def _check_clock_bodies(self) -> None:
        for clock, place in self.clocks:
            if clock.body is None and self.bodies_named:
                expected = "the body's name after `clock`, as the log names bodies"
                self.faults.add(place, "the clock of which body?", expected)


_A_SLATE = "names of single frames, such as K7_0245"


class _PlacedRefusal(Exception):
    """A refusal, and where it belongs. Internal."""

    def __init__(self, place: Place, refusal: Refusal) -> None:
        super().__init__(refusal.text)
        self.place = place
        self.refusal = refusal


_Value = TypeVar("_Value")


def _worth(value_of: Callable[[Token], _Value], token: Token) -> _Value:
    """What the token is worth; a refusal gets its place."""
    try:
        return value_of(token)
    except Refusal as refusal:
        raise _PlacedRefusal(token.place, refusal) from None
