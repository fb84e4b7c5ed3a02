"""Writes a session log to fill in, from the frames alone."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from fractions import Fraction
from textwrap import wrap
from typing import NamedTuple

from flangeback.draft import pieces
from flangeback.draft.naming import Namer, shown
from flangeback.draft.pieces import Pictures, Piece
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.log.reading import is_sound
from flangeback.log.vocabulary import A_LENS, A_STOP
from flangeback.match.bodies import body_of, described
from flangeback.survey.clocks import gps_ahead
from flangeback.words import clock_time, count, f_number, utc_offset

_COLUMNS = 80
_A_STEP = 0.7
"""Stops: less than a ring's smallest click tells nothing (common practice)."""


class _Maker(NamedTuple):
    """A body that made some frames: `word` is what an entry calls it, empty where none has to."""

    name: str
    word: str
    body: Body | None
    frames: tuple[Frame, ...]


def draft_log(frames: Sequence[Frame], pictures: Pictures, kit: Kit | None = None) -> str:
    """A session log with an entry to fill in for each piece of the outing.

    It reads as a log as it stands, by this kit (or by any, without one): what is to be filled in
    is commented out. `pictures` tells slate frames and steps of the light; it may be empty.
    """
    return "".join(f"{line}\n" for line in _Draft(frames, pictures, kit).lines())


class _Draft:
    def __init__(self, frames: Sequence[Frame], pictures: Pictures, kit: Kit | None) -> None:
        self.damaged = [frame for frame in frames if frame.damage is not None]
        self.frames = [frame for frame in frames if frame.damage is None]
        self.pictures = pictures
        self.kit = kit or Kit()
        self.has_kit = kit is not None
        self.namer = Namer(frames, self.kit)
        self.makers = _makers(self.frames, kit)
        self.day: date | None = None

    def lines(self) -> Iterator[str]:
        yield from self._head()
        for maker in self.makers:
            yield ""
            known = "" if maker.body is not None or not self.has_kit else ", no body of the kit yet"
            called = f" is {maker.word}" if maker.word else ""
            yield from _comment(f"{maker.name}{called}{known}. Its clock, held against yours:")
            yield _clock(maker)
        light: dict[str, float | None] = {}
        for maker, piece in self._in_order():
            yield ""
            if piece.start is not None:
                yield from self._new_day(piece.start.date())
            if piece.is_slate:
                yield from self._slate(piece.frames[0])
                continue
            before = light.get(maker.name)
            is_native = piece.frames[0].lens_data.is_native
            now = None if is_native else pieces.light_through(piece.frames, self.pictures)
            light[maker.name] = now
            yield from _comment(_hint(piece, maker, now, before))
            yield from self._entries(maker, piece)
        if self.damaged:
            yield ""
            yield from _comment(f"can't be read: {', '.join(shown(f.file) for f in self.damaged)}")

    def _in_order(self) -> Sequence[tuple[_Maker, Piece]]:
        """All pieces in the order of the cameras' time; those without one come last."""
        found = [(m, one) for m in self.makers for one in pieces.pieces_of(m.frames, self.pictures)]
        return sorted(found, key=lambda one: (one[1].start is None, one[1].start or datetime.min))

    def _head(self) -> Iterator[str]:
        yield from _comment(
            f"A session log to fill in, drafted from {count(len(self.frames), 'frame')}. For each "
            f"piece, put the lens for {A_LENS} and its f-number for {A_STOP} (f/8?? is a guess by "
            "the light), and take away the # before the entry. Split an entry where something was "
            "changed in between; an entry may begin with a time. What it doesn't say is carried on."
        )
        if self.has_kit:
            adapters = [key for key, one in self.kit.adapters.items() if not one.understood]
            for what, keys in (("lenses", list(self.kit.lenses)), ("adapters", adapters)):
                if keys:
                    yield from _comment(f"{what} of the kit: {', '.join(keys)}")
        else:
            yield from _comment("Names of bodies, lenses and adapters are the kit file's.")
        yield ""
        times = [frame.time for frame in self.frames if frame.time is not None]
        if times:
            yield from self._new_day(min(time.at for time in times).date())
        zones = sorted({utc_offset(time.offset) for time in times if time.offset is not None})
        if len(zones) == 1 and is_sound(f"zone {zones[0]}", self.kit):
            yield f"zone {zones[0]}"
        elif zones:
            yield from _comment(f"zone: the frames state {', '.join(zones)}")

    def _new_day(self, day: date) -> Iterator[str]:
        if day != self.day:
            self.day = day
            line = f"date {day}"
            # Some clocks were never set: 1980 is a date, year 1 is none to a log.
            yield line if is_sound(line, self.kit) else f"# {line}"

    def _slate(self, frame: Frame) -> Iterator[str]:
        name = self.namer.name(frame)
        if name is None:
            yield from _comment(f"{shown(frame.file)} is black: a slate frame?")
        else:
            yield f"slate {name}  # black"

    def _entries(self, maker: _Maker, piece: Piece) -> Iterator[str]:
        lens = pieces.lens_of(piece, maker.body, self.kit)
        stop = "" if lens == "off" else A_STOP
        if (told := pieces.stop_of(piece, self.frames, self.pictures)) and stop:
            # No log with ?? in it is read: who knows the f-number takes the marks away.
            stop = f"{f_number(told)}??"
        words = _words(maker.word, lens or A_LENS, stop)
        for place, run in self.namer.ranges(piece.frames):
            times = [frame.time.at for frame in run if frame.time is not None]
            if place is not None:
                yield f"# {place}  {words}"
            elif times:
                # By the body's clock, to the second.
                yield f"# {clock_time(times[0])}-{clock_time(times[-1])}  {words}"
            else:
                files = ", ".join(shown(frame.file) for frame in run)
                yield from _comment(f"no entry can name: {files}")


def _words(*words: str) -> str:
    return " ".join(filter(None, words))


def _makers(frames: Sequence[Frame], kit: Kit | None) -> Sequence[_Maker]:
    """The bodies in the order of their first frames."""
    found: dict[tuple[str, str], tuple[Body | None, list[Frame]]] = {}
    for frame in frames:
        body = None if kit is None else body_of(frame, kit)
        name = shown(described(frame)), "" if body is None else body.key
        found.setdefault(name, (body, []))[1].append(frame)
    is_only = len(found) == 1
    return [
        _Maker(name, key or ("" if is_only else _slug(name)), body, tuple(its))
        for (name, key), (body, its) in found.items()
    ]


def _clock(maker: _Maker) -> str:
    """A clock line to fill in; GPS time fills it where the frames have it."""
    frames, ahead, is_whole = gps_ahead(maker.frames)
    told = f"  # by the GPS time of {count(frames, 'frame')}"
    if ahead is None or not is_whole:
        ahead, told = timedelta(0), ""
    minutes, seconds = divmod(abs(ahead) // timedelta(seconds=1), 60)
    way = "slow" if ahead < timedelta(0) else "fast"
    return f"{_words('# clock', maker.word, way)} {minutes}m{seconds}s{told}"


def _slug(name: str) -> str:
    """A key such as a kit might have: kestrin-k7."""
    return re.sub(r"[^a-z0-9]+", "-", name.split(" (")[0].casefold()).strip("-") or "body"


def _hint(piece: Piece, maker: _Maker, light: float | None, before: float | None) -> str:
    parts = [f"{maker.word or maker.name}: {count(len(piece.frames), 'frame')}", _times(piece)]
    parts += _exposures(piece.frames)
    data = piece.frames[0].lens_data
    if data.registered_focal_length is not None:
        parts.append(f"{float(data.registered_focal_length):g} mm registered")
    elif data.is_native:
        parts.append(shown(data.lens or "a lens by its specification"))
    if light is not None and before is not None and abs(light - before) >= _A_STEP:
        way = "more" if light > before else "less"
        parts.append(f"{abs(light - before):.1f} stops {way} light than before: ring or weather")
    return ", ".join(part for part in parts if part)


def _times(piece: Piece) -> str:
    if piece.start is None or piece.end is None:
        return "without a time"
    day = "" if piece.start.date() == piece.end.date() else "%m-%d "
    start, end = f"{piece.start:%H:%M:%S}", f"{piece.end:{day}%H:%M:%S}"
    return start if len(piece.frames) == 1 else f"{start}-{end}"


def _exposures(frames: Sequence[Frame]) -> Iterator[str]:
    times = [frame.exposure.time for frame in frames if frame.exposure.time]
    if times:
        yield " to ".join(dict.fromkeys(map(_time, (min(times), max(times))))) + " s"
    isos = [frame.exposure.iso for frame in frames if frame.exposure.iso]
    if isos:
        yield "ISO " + " to ".join(dict.fromkeys(map(str, (min(isos), max(isos)))))


def _time(seconds: Fraction) -> str:
    """A shutter time as bodies show it."""
    return f"{float(seconds):g}" if seconds >= Fraction(3, 10) else f"1/{round(1 / seconds)}"


def _comment(text: str) -> Iterator[str]:
    yield from (f"# {line}" for line in wrap(text, _COLUMNS - 2, break_on_hyphens=False))
