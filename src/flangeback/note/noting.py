"""A note made on the spot: checked, stamped, appended, told back."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.kit.model import Kit
from flangeback.locks import held
from flangeback.log import LogError, parse_log
from flangeback.log.model import Moment, Part, SessionLog, Setting, Span
from flangeback.log.reading import decoded, is_sound, time_of_day, words_of
from flangeback.log.text import clean_line, split_lines
from flangeback.log.tokenizer import Tokenizer
from flangeback.log.values import WallTime
from flangeback.saving import save
from flangeback.system import read_text_file
from flangeback.words import clock_time, exact, utc_offset

_LINE = re.compile("([^\r\n\u2028\u2029]+)(?:\r\n|[\r\n\u2028\u2029]|$)")
_PLACES = {Part.TIME, Part.FRAMES, Part.ORDER}
"""Of which every entry has one."""
_LOCAL = Path("/etc/localtime")
"""A link to the zone's file in most systems (common practice)."""
_A_BIT_FAST = timedelta(minutes=2)
"""How far ahead of this computer's clock a time given with --at may be: the watch it was read
from is another clock."""


@dataclass(frozen=True, slots=True)
class Noted:
    """The lines that were appended, what they mean, the problems that the lines above had."""

    lines: tuple[str, ...]
    meaning: str
    older: tuple[Problem, ...] = ()


def add_note(
    path: Path,
    words: Sequence[str],
    kit: Kit,
    *,
    at: str | None = None,
    now: datetime | None = None,
) -> Noted:
    """Append an entry to a session log, which is made if it isn't there.

    The entry is stamped with `now` (the present, unless given; aware) in the log's zone, to the
    minute, or with the time `at`; one that names frames, or has a time, is taken as it stands, and
    so are lines such as `slate K7_0245`. A `date` goes before it where the day is a new one. What
    stands in the file is kept byte for byte.

    Raises InputError, with nothing written, where the entry has a fault, or the file is another
    kind's.
    """
    now = now or datetime.now().astimezone()
    path = path.resolve()
    with held(path):
        try:
            data, head = read_text_file(path), ""
        except FileNotFoundError:
            data, head = b"", _head(now)
        text = decoded(data, str(path))
        _check_it_is_a_log(path, list(_said(text)))
        before = _Before(str(path), text + head, kit)
        first: InputError | None = None
        for text in _readings(words):
            try:
                noted = before.with_note(text, at, now)
            except InputError as error:
                first = first or error
                continue
            save(path, data + _encoded_like(data, head + before.added(noted.lines)))
            return noted
        assert first is not None
        raise first


def undo_note(path: Path) -> tuple[str, ...]:
    """Take back the last line of a session log that says something, and give what was there.

    A `date` line goes with it that stands before nothing else now, unless it is the log's first.
    All else is kept byte for byte. Raises InputError where there is nothing to take back.
    """
    path = path.resolve()
    with held(path):
        try:
            data = read_text_file(path)
        except FileNotFoundError as error:
            raise InputError.at(path, f"can't be read: {error.strerror}") from None
        text = decoded(data, str(path))
        lines = list(_said(text))
        _check_it_is_a_log(path, lines)
        said, keywords = [line for line, _, _ in lines], [keyword for _, keyword, _ in lines]
        if lines and not lines[-1][2]:
            raise InputError.at(path, "its last line is no note")
        with_date = keywords[-2:-1] == ["date"] and "date" in keywords[:-2]
        if keywords[-1:] in ([], ["date"], ["zone"]):
            raise InputError.at(path, "there is no note to take back")
        back = said[-2:] if with_date else said[-1:]
        mark = len(data) - len(_encoded_like(data, text))
        for line in reversed(back):
            start, end = (mark + len(_encoded_like(data, text[:at])) for at in line.span())
            data = data[:start] + data[end:]
        save(path, data)
    return tuple(line[1] for line in back)


def _said(text: str) -> Iterator[tuple[re.Match[str], str | None, bool]]:
    """The lines that say something: each with its keyword, and whether it reads as a log's."""
    for line in _LINE.finditer(text):
        if not Tokenizer(clean_line(1, line[1])).at_end:
            keyword, parts = words_of(line[1], Kit())
            yield line, keyword, keyword is not None or not _PLACES.isdisjoint(parts)


def _check_it_is_a_log(path: Path, lines: Sequence[tuple[object, object, bool]]) -> None:
    """Raises InputError where fewer than half of the lines read as a log's, faults and all."""
    if 2 * sum(is_a_logs for *_, is_a_logs in lines) < len(lines):
        expected = "a session log, or the name of a new file"
        raise InputError.at(path, "this isn't a session log; nothing was written", expected)


def _head(now: datetime) -> str:
    """How a new log begins: with the day, and this computer's zone, by name or else by offset."""
    offset = now.utcoffset()
    linked = os.path.realpath(_LOCAL).partition("zoneinfo/")[2]
    stated = "" if offset is None else utc_offset(offset)
    names = os.environ.get("TZ", "").lstrip(":"), linked, stated
    zone = next((name for name in names if name and is_sound(f"zone {name}")), None)
    return f"date {now:%Y-%m-%d}\n" + (f"zone {zone}\n" if zone else "")


def _readings(words: Sequence[str]) -> Iterator[str]:
    """The words as they stand; then with each that has spaces in it, as a shell passes a remark."""
    plain = [" ".join(word.split()) for word in words]
    yield " ".join(plain)
    if len(plain) > 1 and any(" " in word for word in plain):
        yield " ".join(f'"{word}"' if " " in word and '"' not in word else word for word in plain)


def _in_words(problem: Problem, line: str, words: str) -> Problem:
    """A problem of the line to be appended, with the words as they were given."""
    stamp = len(line) - len(words)
    if problem.source != line.rstrip() or not problem.column:
        return problem
    if problem.column <= stamp or not line.endswith(words):
        return replace(problem, file="", line=None)
    column = problem.column - stamp
    return replace(problem, file="", line=None, column=column, source=words.rstrip())


def _encoded_like(data: bytes, text: str) -> bytes:
    """The text in a file's own encoding, to stand behind what is there."""
    marks = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
    return text.encode(marks.get(data[:2], "utf-8"))


class _Before:
    """The log as it stood before the note."""

    def __init__(self, file: str, text: str, kit: Kit) -> None:
        self.file, self.text, self.kit = file, text, kit
        self.log, self.problems = self._read(text)

    def _read(self, text: str) -> tuple[SessionLog, tuple[Problem, ...]]:
        try:
            return parse_log(text, self.kit, self.file), ()
        except LogError as error:
            return error.log, error.problems

    def with_note(self, words: str, at: str | None, now: datetime) -> Noted:
        """The note that these words make. Raises InputError with their faults."""
        text, day = self._stamped(words, at, now)
        is_new_day = day is not None and day != self.log.day
        lines = (f"date {day}", text) if is_new_day else (text,)
        whole = self.text + self.added(lines)
        log, problems = self._read(whole)
        new = [problem for problem in problems if problem not in self.problems]
        if new:
            raise InputError([_in_words(problem, text, words) for problem in new])
        number = len(split_lines(whole)) - 1
        span = next((span for span in log.spans if span.setting.line == number), None)
        if span is None:
            return Noted(lines, text, self.problems)
        if span.start is not None:
            here = _by_its_clock(log, now).replace(tzinfo=None)
            start = span.start.earliest.replace(tzinfo=None) + log.slack
            if start > here + _A_BIT_FAST:
                raise _to_come("", f"{start:%H:%M}", here)
        body = f"{span.body}: " if span.body else ""
        told = f"{body}{_setting(span.setting, self.kit)} {_where(log, span)}"
        return Noted(lines, told, self.problems)

    def _stamped(self, words: str, at: str | None, now: datetime) -> tuple[str, date | None]:
        """The entry with its time, and the day it falls on; None where that doesn't matter."""
        here = _by_its_clock(self.log, now)
        keyword, parts = words_of(words, self.kit)
        if keyword is not None:
            if at is not None:
                raise InputError(f"--at is for entries, not for a {keyword} line")
            shows = keyword == "clock" and re.search(r"\sshows\s", words, re.IGNORECASE)
            return words, here.date() if shows else None
        if at is not None:
            time = time_of_day(at, "--at")
            return f"{time}  {words}", self._day(time, here)
        if Part.TIME in parts:
            return words, here.date()
        if Part.FRAMES in parts or Part.ORDER in parts:
            return words, None
        return f"{clock_time(here, seconds=False)}  {words}", here.date()

    def _day(self, time: WallTime, here: datetime) -> date:
        """The day of a time given with --at: today, or the log's yesterday.

        Raises InputError where both can't be.
        """
        today = here.replace(hour=time.hour, minute=time.minute, second=time.second or 0)
        if today <= here + _A_BIT_FAST:
            return here.date()
        yesterday = here.date() - timedelta(days=1)
        if self.log.day == yesterday:
            return yesterday
        raise _to_come("--at", time.place.text, here)

    def added(self, lines: Sequence[str]) -> str:
        """These lines as they stand behind the text, which may lack its last line end."""
        found = re.search("\r\n|\r|\n", self.text)
        end = found[0] if found else "\n"
        gap = "" if not self.text or self.text[-1] in "\r\n\u2028\u2029" else end
        return gap + "".join(f"{line}{end}" for line in lines)


def _to_come(name: str, time: str, here: datetime) -> InputError:
    text = f"{time} is still to come: it is {here:%H:%M} by the log's clock"
    return InputError.at(name, text, "a time up to now; one of another day goes under its `date`")


def _by_its_clock(log: SessionLog, now: datetime) -> datetime:
    return now if log.zone is None else now.astimezone(log.zone)


def _setting(setting: Setting, kit: Kit) -> str:
    """A setting in words: Brask Tele 135mm f/3.5 at f/5.6 via m42-e."""
    if setting.lens is None:
        return "no adapted lens"
    lens, length, f_number = kit.lenses[setting.lens], setting.focal_length, setting.f_number
    at = "f/? (not noted)" if f_number is None else f"f/{exact(round(f_number, 2))}"
    if lens.is_zoom:
        at = f"{'?' if length is None else exact(length)} mm, {at}"
    via = f" via {setting.adapter}" if setting.adapter else ""
    # A name may begin with the maker's.
    maker = f"{lens.maker or ''} "
    says_maker = lens.name.casefold().startswith(maker.strip().casefold())
    return f"{'' if says_maker else maker}{lens.name} at {at}{via}"


def _where(log: SessionLog, span: Span) -> str:
    if span.frames is not None:
        return f"for {span.frames}"
    if span.order is not None:
        return "from the first frame on" if span.order == "first" else "after the next slate frame"
    assert span.start is not None
    start = _time(log, span.start)
    return f"from {start}" if span.end is None else f"from {start} to {_time(log, span.end)}"


def _time(log: SessionLog, moment: Moment) -> str:
    """As it was written: a span's moments are widened by the log's slack."""
    return log.time_text(Moment(moment.earliest + log.slack, moment.latest - log.slack))
