"""Frames that follow one another alike: the rows of the terminal's tables and of the page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from flangeback.clock.model import instant
from flangeback.frames.model import without_suffix
from flangeback.match.doubts import DoubtKind
from flangeback.match.model import NO_ENTRY, FrameMatch, Matches, Outcome
from flangeback.match.sensors import SizeFinding
from flangeback.tags.decide import Fill
from flangeback.words import clock_time, count, some_of

_SHARE = re.compile(r"(\d+)%")


def shown_fill(found: FrameMatch) -> Fill | None:
    """The values of a frame, where they are filled or stand there already."""
    shown = found.outcome.is_filled or found.outcome == Outcome.AGREE
    return found.fill if shown else None


class Note(NamedTuple):
    """A line under a row: a doubt of a kind, or (without one) the reason for the outcome.

    `some` names the frames it is on, where that isn't all of the row's.
    """

    text: str
    kind: str = ""
    some: str = ""


class Run(NamedTuple):
    """Frames that follow one another, of one body, to one outcome with one fill by one entry."""

    frames: tuple[FrameMatch, ...]

    @property
    def first(self) -> FrameMatch:
        """The frame made first."""
        return self.frames[0]

    @property
    def last(self) -> FrameMatch:
        """The frame made last."""
        return self.frames[-1]

    @property
    def outcome(self) -> Outcome:
        """What all of them came to."""
        return self.first.outcome

    @property
    def fill(self) -> Fill | None:
        """The values, where they are filled or stand there already."""
        return shown_fill(self.first)

    @property
    def day(self) -> str:
        """The day by the log's clock."""
        return self.first.time.date().isoformat() if self.first.time else "no time"

    @property
    def names(self) -> str:
        """ "K7_0202", "K7_0202..0206", or "K7_0202, ...0206" where some between are elsewhere.

        The suffixes of further files follow.
        """
        first, last = self.first.frame, self.last.frame
        name = without_suffix(first.file)
        others = "".join(f" +{one.path.suffix[1:]}" for one in first.companions)
        if len(self.frames) == 1:
            return name + others
        start, end = _number(first.stem), _number(last.stem)
        counts = start.isdigit() and end.isdigit() and _steps(start, end) == len(self.frames) - 1
        return (f"{name}..{end}" if counts else f"{name}, ...{end}") + others

    @property
    def times(self) -> str:
        """ "09:12", or "09:12-09:40"; empty without a time."""
        first, last = self.first.time, self.last.time
        if first is None or last is None:
            return ""
        start, end = (clock_time(at, seconds=False) for at in (first, last))
        return start if start == end else f"{start}-{end}"

    @property
    def notes(self) -> tuple[Note, ...]:
        """The reason, then each doubt once with its frames; those on the sensor are the body's."""
        reason = self.first.reason
        found = [] if reason in (None, NO_ENTRY) else [Note(reason or "")]
        by_text: dict[tuple[str, str], dict[str, str]] = {}
        for frame in self.frames:
            for doubt in frame.doubts:
                if doubt.kind != DoubtKind.SENSOR_UNSURE:
                    alike = (doubt.kind, _SHARE.sub("%", doubt.text))
                    by_text.setdefault(alike, {})[frame.frame.stem] = doubt.text
        for (kind, _), texts in by_text.items():
            some = some_of(texts) if len(texts) < len(self.frames) else ""
            found.append(Note(_with_all_shares(list(texts.values())), kind, some))
        return tuple(found)


def _with_all_shares(texts: Sequence[str]) -> str:
    """One text for several that are alike but for a share in percent: "40 to 50%"."""
    shares = sorted({int(found[1]) for text in texts for found in _SHARE.finditer(text)})
    return texts[0] if len(shares) < 2 else _SHARE.sub(f"{shares[0]} to {shares[-1]}%", texts[0])


def _steps(start: str, end: str) -> int:
    """How many frames on a counter is; of four digits it begins anew at 0001 (CIPA DC-009)."""
    steps = int(end) - int(start)
    return steps % 9999 if len(start) == len(end) == 4 else steps


class Section(NamedTuple):
    """The rows of one body, or of what no body made; `model` where its frames name one."""

    title: str
    body: str | None
    model: str
    runs: tuple[Run, ...]

    @property
    def days(self) -> tuple[str, ...]:
        """The days of its frames, in order."""
        return tuple(dict.fromkeys(run.day for run in self.runs if run.first.time))


def sections(matches: Matches) -> Iterator[Section]:
    """All frames of a run, by body and in the order they were made."""
    in_order = sorted(matches.frames, key=_place)
    for title, found in groupby(in_order, key=_title):
        frames = list(found)
        models = {one.frame.model for one in frames if one.frame.model}
        runs = tuple(Run(tuple(alike)) for _, alike in groupby(frames, key=_sameness))
        yield Section(title, frames[0].body, models.pop() if len(models) == 1 else "", runs)


def _title(found: FrameMatch) -> str:
    if found.outcome == Outcome.UNREADABLE and found.body is None:
        return "unreadable"
    return found.body or "no body of the kit"


def _place(found: FrameMatch) -> tuple[bool, str, bool, int, str]:
    """By body, then by true time (a body's own clock may have been set), then without a time."""
    camera = found.frame.time
    time = found.time or (camera.at if camera else None)
    at = instant(time) if time else 0
    return found.body is None, _title(found), time is None, at, found.frame.file


def _sameness(found: FrameMatch) -> tuple[object, ...]:
    fill = found.fill
    return (
        found.outcome,
        found.log,
        found.log_line,
        found.reason,
        found.time.date() if found.time else None,
        tuple(one.path.suffix for one in found.frame.companions),
        None if fill is None else (fill.lens.key, fill.f_number, fill.focal_length),
    )


def _number(stem: str) -> str:
    """The number at a name's end, else the name."""
    digits = len(stem) - len(stem.rstrip("0123456789"))
    return stem[-digits:] if digits else stem


def sensor_lines(matches: Matches, body: str | None) -> Iterator[str]:
    """The evidence behind the 35 mm equivalents of a body's filled frames.

    Then what speaks against it; nothing where no frame is filled.
    """
    sensor = matches.sensors.get(body or "")
    if sensor is None:
        return
    frames = [found for found in matches.frames if found.body == body]
    findings = {
        (finding := sensor.of(one.frame)).pixels: finding
        for one in frames
        if one.outcome.is_filled and one.fill and one.fill.focal_length is not None
    }
    yield from dict.fromkeys(map(_told, findings.values()))
    if findings:
        yield from (f"not used: {reason}" for reason in sensor.refused)
    stems: dict[str, list[str]] = {}
    for one in frames:
        for doubt in one.doubts:
            if doubt.kind == DoubtKind.SENSOR_UNSURE:
                stems.setdefault(doubt.text, []).append(one.frame.stem)
    for text, on in stems.items():
        yield f"{DoubtKind.SENSOR_UNSURE}: {text} ({some_of(on)})"


def _told(finding: SizeFinding) -> str:
    known = finding.evidence
    if known is None:
        return "35 mm equivalents stay blank: neither the kit nor the frames tell the sensor's size"
    number = f" ({count(known.frames, 'frame')})" if known.frames else ""
    told = f"35 mm equivalents by {known.source}{number}: crop factor {known.crop_factor:.2f}"
    if finding.part == 1 or finding.pixels is None:
        return told
    width, height = finding.pixels
    return f"{told}, in a crop mode of {width} x {height}"
