"""What the logs say, laid out so that each frame can be looked up."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta, tzinfo

from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import BodyClock, Reference, TrueTime, instant, microseconds, placed
from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log.model import ClockReference, FrameName, SessionLog, Span
from flangeback.match.bodies import body_of, described
from flangeback.match.names import NamedFrames
from flangeback.match.readings import clock_by_satellites, misses, set_back
from flangeback.match.resets import find_resets
from flangeback.match.timeline import Timeline

Bodies = Mapping[str, str | None]
"""Each file's body, by its key in the kit; None where it isn't known."""


@dataclass(frozen=True, slots=True)
class BodyLog:
    """What the logs say about one body. `by_order` are its spans by the order of slate frames:
    then the timeline has no changes. `pieces` has the clocks of its files where it was set along
    the way."""

    timeline: Timeline
    zone: tzinfo | None
    clock: BodyClock
    by_order: Sequence[Span] = ()
    pieces: Mapping[str, BodyClock] = field(default_factory=dict)

    def clock_of(self, frame: Frame) -> BodyClock:
        """The clock by which a frame was made."""
        return self.pieces.get(frame.file, self.clock)

    def set_by(self, frame: Frame) -> int:
        """Microseconds by which to take back a reading so that those before and after the clock
        was set lie in one order."""
        return round(self.pieces[frame.file].ahead) if frame.file in self.pieces else 0

    def true_time(self, frame: Frame) -> TrueTime | None:
        """The frame's time by the log's clock; None when the frame carries none."""
        return None if frame.time is None else self.clock_of(frame).true_time(frame.time, self.zone)


@dataclass(frozen=True, slots=True)
class Layout:
    """The logs of a run. `by_name` has the frames that an entry names, `slates` those that a
    slate line does, `not_slates` those that a not-slate line or an entry of theirs alone does;
    `common_offset` is the offset from UTC that most frames state."""

    bodies: Bodies
    by_body: Mapping[str | None, BodyLog]
    by_name: Mapping[str, Span]
    slates: frozenset[str]
    not_slates: frozenset[str]
    common_offset: timedelta | None
    zone: tzinfo | None


def lay_out(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> Layout:
    """The logs against the frames there are. Raises InputError with every fault found."""
    bodies = _bodies(frames, logs, kit)
    named = NamedFrames.of(frames, bodies)
    notes = _Notes(named, _only_body(bodies))
    problems = [problem for log in logs for problem in notes.take(log)]
    problems += notes.mixed_zones(logs)
    problems += notes.mixed_orders()
    if problems:
        raise InputError(problems)
    zones = {log.zone for log in logs}
    return Layout(
        bodies,
        {body: notes.body_log(body) for body in notes.spans.keys() | notes.clocks.keys()},
        notes.by_name,
        frozenset(notes.slates),
        frozenset(notes.not_slates),
        _common_offset(frames),
        zones.pop() if len(zones) == 1 else None,
    )


def missing_names(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> list[Problem]:
    """What is wrong with the frames that the logs name, faulty logs included."""
    found: dict[str, str | None] = {}
    for frame in frames:
        body = body_of(frame, kit)
        found[frame.file] = body.key if body else None
    named = NamedFrames.of(frames, found)
    problems = []
    for log in logs:
        for entry in log.entries:
            if entry.frames is not None:
                problems += named.range(log, entry.frames, entry.body)[1]
        references = [line for line in log.clocks if isinstance(line, ClockReference)]
        for name, by in (
            *((line.frame, line.body) for line in references),
            *((name, None) for name in (*log.slates, *log.not_slates)),
        ):
            problems += named.find(log, name, by)[1]
    return problems


def _bodies(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> Bodies:
    """Each file's body. A log that names no bodies holds for the only one there is."""
    found: dict[str, str | None] = {}
    for frame in frames:
        body = body_of(frame, kit)
        found[frame.file] = body.key if body else None
    nameless = [log for log in logs if log.spans and not log.names_bodies]
    if not nameless:
        return found
    makers = Counter(
        found[frame.file] or described(frame)
        for frame in frames
        if frame.damage is None and (found[frame.file] or frame.model)
    )
    if len(makers) > 1:
        counts = ", ".join(f"{name} ({count})" for name, count in makers.most_common())
        text = f"no entry names its body, but the frames come from {len(makers)}: {counts}"
        raise InputError(
            [Problem(log.file, text, expected="the body in every entry") for log in nameless]
        )
    only = _only_body(found)
    return dict.fromkeys(found, only)


def _only_body(bodies: Bodies) -> str | None:
    known = {body for body in bodies.values() if body is not None}
    return known.pop() if len(known) == 1 else None


def _common_offset(frames: Sequence[Frame]) -> timedelta | None:
    counts = Counter(
        frame.time.offset
        for frame in frames
        if frame.time is not None and frame.time.offset is not None
    )
    return counts.most_common(1)[0][0] if counts else None


@dataclass(slots=True)
class _Notes:
    """Collects what the logs say, log by log. `only` is the body that nameless entries mean."""

    named: NamedFrames
    only: str | None
    spans: dict[str | None, list[Span]] = field(default_factory=lambda: defaultdict(list))
    zones: dict[str | None, list[tzinfo | None]] = field(default_factory=lambda: defaultdict(list))
    clocks: dict[str | None, BodyClock] = field(default_factory=dict)
    references: dict[str | None, Mapping[str, Reference]] = field(default_factory=dict)
    clock_zones: dict[str | None, tzinfo | None] = field(default_factory=dict)
    by_name: dict[str, Span] = field(default_factory=dict)
    slates: set[str] = field(default_factory=set)
    not_slates: set[str] = field(default_factory=set)

    def take(self, log: SessionLog) -> Iterable[Problem]:
        """Takes one log; gives what is wrong with it."""
        for span in log.spans:
            if span.frames is not None:
                yield from self._take_named(log, span)
            else:
                body = span.body or self.only
                self.spans[body].append(span)
                self.zones[body].append(log.zone)
        yield from self._take_slates(log, log.slates, self.slates)
        yield from self._take_slates(log, log.not_slates, self.not_slates)
        yield from self._take_clocks(log)

    def _take_named(self, log: SessionLog, span: Span) -> Iterable[Problem]:
        assert span.frames is not None
        found, problems = self.named.range(log, span.frames, span.body)
        yield from problems
        if span.frames.first == span.frames.last:
            self.not_slates.update(frame.file for frame in found)
        for frame in found:
            other = self.by_name.setdefault(frame.file, span)
            if replace(other.setting, line=0, log="") != replace(span.setting, line=0, log=""):
                name = span.frames.first
                text = f"line {other.setting.line} already has {frame.stem}, with other values"
                yield log.problem(name.line, name.column, len(name.name), text, "each frame once")
                return

    def _take_slates(
        self, log: SessionLog, names: Iterable[FrameName], into: set[str]
    ) -> Iterable[Problem]:
        for name in names:
            found, problems = self.named.find(log, name, None)
            into.update(frame.file for frame in found)
            yield from problems

    def _take_clocks(self, log: SessionLog) -> Iterable[Problem]:
        references: dict[str | None, dict[str, Reference]] = defaultdict(dict)
        first_lines: dict[str | None, int] = {}
        for line in log.clocks:
            body = line.body or self.only
            first_lines.setdefault(body, line.line)
            self.clock_zones.setdefault(body, log.zone)
            if isinstance(line, ClockReference):
                found, problems = self._reference(log, line)
                yield from problems
                if found is not None:
                    file, reference = found
                    references[body][file] = reference
            else:
                clock = BodyClock(ahead=float(microseconds(line.ahead)))
                yield from self._set_clock(log, line.line, body, clock)
        for body, by_file in references.items():
            self.references.setdefault(body, by_file)
            clock = fit_clock(list(by_file.values()))
            yield from self._set_clock(log, first_lines[body], body, clock)

    def _set_clock(
        self, log: SessionLog, line: int, body: str | None, clock: BodyClock
    ) -> Iterable[Problem]:
        if self.clocks.setdefault(body, clock) != clock:
            text = f"another log says otherwise of {body}'s clock"
            yield log.problem(line, None, 1, text, "a body's clock in one log")

    def _reference(
        self, log: SessionLog, line: ClockReference
    ) -> tuple[tuple[str, Reference] | None, list[Problem]]:
        name = line.frame
        found, problems = self.named.find(log, name, line.body)
        if problems:
            return None, problems
        time = found[0].time
        if time is None:
            text = f"{name.name} carries no time"
            return None, [
                log.problem(name.line, name.column, len(name.name), text, "a frame with a time")
            ]
        half_reading = microseconds(time.resolution) / 2
        start, end = instant(line.shows.earliest), instant(line.shows.latest)
        reference = Reference(
            camera=instant(placed(time, log.zone)) + half_reading,
            true=(start + end) / 2,
            error=half_reading + (end - start) / 2,
            name=found[0].stem,
        )
        return (found[0].file, reference), []

    def mixed_zones(self, logs: Sequence[SessionLog]) -> list[Problem]:
        """Two logs of one body must both have a zone, or neither: they share one time line."""
        found = []
        for body, zones in self.zones.items():
            if len({zone is None for zone in zones}) > 1:
                without = next(
                    log.file
                    for log in logs
                    if log.zone is None and any((s.body or self.only) == body for s in log.spans)
                )
                text = f"has no zone line, but another log of {body} has one"
                found.append(Problem(without, text, expected="a zone in each"))
        return found

    def mixed_orders(self) -> list[Problem]:
        """The entries by order of a body stand in one log, and none by time in another."""
        found = []
        for body, spans in self.spans.items():
            files = list(dict.fromkeys(span.setting.log for span in spans))
            by_order = [
                file for file in files if any(s.order for s in spans if s.setting.log == file)
            ]
            if by_order and len(files) > 1:
                other = next(file for file in files if file != by_order[0])
                text = f"has `first` and `then` of {body}, and {other} has entries of it too"
                found.append(Problem(by_order[0], text, expected="its entries in one log"))
        return found

    def body_log(self, body: str | None) -> BodyLog:
        zones = self.zones.get(body)
        # A body may have a clock line and no entries: it keeps its order among the others by that.
        zone = zones[0] if zones else self.clock_zones.get(body)
        frames = [
            frame
            for frame in self.named.frames
            if self.named.bodies[frame.file] == body and frame.damage is None
        ]
        # The log's word on a clock stands above what satellites told the body.
        clock = self.clocks.get(body) or clock_by_satellites(frames, zone) or BodyClock()
        spans = self.spans.get(body, ())
        known = BodyLog(
            Timeline(spans), zone, clock, [span for span in spans if span.order is not None]
        )
        resets = find_resets(frames, zone, self.references.get(body, {}))
        if resets is not None:
            clock = replace(clock, unsure=resets.text)
            return replace(known, clock=clock, pieces=resets.clocks)
        if clock.unsure is None:
            times = [time for frame in frames if (time := known.true_time(frame)) is not None]
            stretches = [(time.earliest, time.latest) for time in times]
            unsure = set_back(frames, zone) or misses(body, known.timeline, stretches)
            return replace(known, clock=replace(clock, unsure=unsure))
        return known
