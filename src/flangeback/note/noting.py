"""A note made on the spot: checked, stamped, appended, told back."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.kit.model import Kit
from flangeback.log import LogError, SessionLog, parse_log
from flangeback.log.entries import What, read_entry
from flangeback.log.faults import Faults, Refusal
from flangeback.log.gear import Gear
from flangeback.log.reading import decoded
from flangeback.log.text import clean_line, split_lines
from flangeback.log.tokens import TokenReader
from flangeback.log.values import A_TIME, WallTime, calendar_date, wall_time
from flangeback.note.meaning import meaning
from flangeback.note.zones import local_zone
from flangeback.system import held, save

_KEYWORDS = frozenset(["date", "zone", "clock", "slack", "slate", "not-slate"])
_A_BIT_FAST = timedelta(minutes=2)
"""How far ahead of this computer's clock a time given with --at may be: the watch it was read
from is another clock."""


@dataclass(frozen=True, slots=True)
class Noted:
    """What was appended: the lines, what the entry means now, and the problems that the lines
    above had already."""

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

    Raises InputError, with nothing written, where the entry has a fault.
    """
    now = now or datetime.now().astimezone()
    path = path.resolve()
    with held(path):
        data = _read(path)
        log = _Log(path, data or b"", kit)
        head = () if data is not None else tuple(_head(now))
        first: InputError | None = None
        for text in _readings(words):
            try:
                lines, told = log.checked(head, text, at, now)
            except InputError as error:
                first = first or error
                continue
            save(path, (data or b"") + log.encoded(lines))
            return Noted(lines, told, log.problems)
        assert first is not None
        raise first


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be read: {error.strerror}")) from None


def _head(now: datetime) -> Iterator[str]:
    """How a new log begins."""
    yield f"date {now:%Y-%m-%d}"
    zone = local_zone(now)
    if zone is not None:
        yield f"zone {zone}"


def _readings(words: Sequence[str]) -> Iterator[str]:
    """The words as they stand; then with those that the shell took for one as a remark."""
    plain = [" ".join(word.split()) for word in words]
    yield " ".join(plain)
    if len(plain) > 1 and any(" " in word for word in plain):
        yield " ".join(f'"{word}"' if " " in word and '"' not in word else word for word in plain)


class _Log:
    """The log as it stands."""

    def __init__(self, path: Path, data: bytes, kit: Kit) -> None:
        self.path = path
        self.file = str(path)
        self.kit = kit
        self.data = data
        self.text = decoded(data, self.file)
        self.problems: tuple[Problem, ...] = ()
        try:
            self.log = parse_log(self.text, kit, self.file)
        except LogError as error:
            self.log, self.problems = error.log, error.problems

    def checked(
        self, head: Sequence[str], text: str, at: str | None, now: datetime
    ) -> tuple[tuple[str, ...], str]:
        """The lines to append, and what they mean. Raises InputError with their faults."""
        text, day = self._stamped(text, at, now)
        lines = [*head]
        last = _last_day(head) or _last_day(split_lines(self.text))
        if day is not None and day != last:
            lines.append(f"date {day}")
        lines.append(text)
        joined = self._with(lines)
        try:
            log: SessionLog = parse_log(joined, self.kit, self.file)
        except LogError as error:
            new = [problem for problem in error.problems if problem not in self.problems]
            if new:
                raise InputError(new) from None
            log = error.log
        told = meaning(log, len(split_lines(joined)) - 1, self.kit)
        return tuple(lines), told or text

    def _stamped(self, text: str, at: str | None, now: datetime) -> tuple[str, date | None]:
        """The entry with its time, and the day it falls on; None where that is of no account."""
        words = TokenReader(clean_line(1, text))
        first = words.peek_word()
        keyword = first.text.casefold() if first is not None else ""
        here = now.astimezone(self.log.zone) if self.log.zone is not None else now
        if keyword in _KEYWORDS:
            if at is not None:
                raise InputError(f"--at is for entries, not for a {keyword} line")
            shows = keyword == "clock" and re.search(r"\sshows\s", text, re.IGNORECASE)
            return text, here.date() if shows else None
        places = read_entry(words, Gear(self.kit), Faults(self.file)).places
        if at is not None:
            time = _time(at)
            return f"{_written(time)}  {text}", self._day(time, at, here)
        if What.TIME in places:
            return text, here.date()
        if What.FRAMES in places or What.ORDER in places:
            return text, None
        return f"{here:%H:%M}  {text}", here.date()

    def _day(self, time: WallTime, at: str, here: datetime) -> date:
        """The day of a time given with --at: today, or, if that is still to come, the log's
        yesterday."""
        today = here.replace(hour=time.hour, minute=time.minute, second=time.second or 0)
        if today <= here + _A_BIT_FAST:
            return here.date()
        yesterday = here.date() - timedelta(days=1)
        if _last_day(split_lines(self.text)) == yesterday:
            return yesterday
        raise InputError(
            Problem("--at", f"{at} is still to come: it is {here:%H:%M} by the log's clock",
                    expected="a time up to now; one of another day goes under its `date`")
        )  # fmt: skip

    def _with(self, lines: Sequence[str]) -> str:
        return self.text + self._gap() + "".join(f"{line}{self._line_end()}" for line in lines)

    def _gap(self) -> str:
        """The line end that the last line may lack."""
        return "" if not self.text or self.text[-1] in "\r\n\u2028\u2029" else self._line_end()

    def _line_end(self) -> str:
        found = re.search("\r\n|\r|\n", self.text)
        return found[0] if found else "\n"

    def encoded(self, lines: Sequence[str]) -> bytes:
        """The lines in the file's own encoding, to stand behind what is there."""
        added = self._with(lines)[len(self.text) :]
        if self.data.startswith(b"\xff\xfe"):
            return added.encode("utf-16-le")
        if self.data.startswith(b"\xfe\xff"):
            return added.encode("utf-16-be")
        return added.encode("utf-8")


def _last_day(lines: Sequence[str]) -> date | None:
    """The day that holds after these lines; None where none does, or it can't be read."""
    day = None
    for number, source in enumerate(lines, 1):
        words = TokenReader(clean_line(number, source))
        first = words.peek_word()
        if first is None or first.text.casefold() != "date":
            continue
        words.read_word()
        token = words.try_read("date")
        try:
            day = None if token is None else calendar_date(token)
        except Refusal:
            day = None
    return day


def _time(at: str) -> WallTime:
    """The time that --at gives. Raises InputError."""
    words = TokenReader(clean_line(1, at))
    token = words.try_read("time")
    if token is None or not words.at_end:
        raise InputError(Problem("--at", f'"{at}" isn\'t a time', expected=A_TIME))
    try:
        return wall_time(token)
    except Refusal as refusal:
        raise InputError(Problem("--at", refusal.text, expected=refusal.expected)) from None


def _written(time: WallTime) -> str:
    second = "" if time.second is None else f":{time.second:02}"
    return f"{time.hour:02}:{time.minute:02}{second}"
