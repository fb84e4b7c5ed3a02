"""What the logs say, indexed by body and by frame."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, tzinfo
from typing import NamedTuple

from flangeback.clock.checks import clock_by_satellites, is_surely_set, misses, set_back, two_ways
from flangeback.clock.fitting import fit_clock
from flangeback.clock.model import (
    SECOND,
    BodyClock,
    ClockHistory,
    ClockSource,
    Reference,
    StatedClock,
    instant,
    microseconds,
    placed,
)
from flangeback.clock.resets import find_resets, over_summer_time
from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log.model import (
    ClockReference,
    FrameRange,
    SessionLog,
    Setting,
    Span,
)
from flangeback.match.bodies import Bodies, bodies_by_logs, bodies_of, only_body
from flangeback.match.changes import (
    BodyTimeline,
    Change,
    Rank,
    changes_by_time,
    ended_by_pauses,
    highest,
    setting_of,
    standing,
)
from flangeback.match.names import (
    NamedFrames,
    carried_otherwise,
    differing,
    named_change,
    named_twice,
)
from flangeback.match.shots import Shot, shots_of


class BodyLog(NamedTuple):
    """What the logs say about one body.

    `timeline` has its changes by time among its shots, without slate frames that a line names.
    `by_order` are its spans by the order of slate frames, for which `all_shots` are looked through.
    `stated` is what is said of its clock; `missed` says in words that all entries miss its frames.
    """

    timeline: BodyTimeline
    stated: StatedClock
    by_order: tuple[Span, ...] = ()
    all_shots: tuple[Shot, ...] = ()
    missed: str | None = None

    @property
    def goes_by_time(self) -> bool:
        """Whether an entry without an order speaks of it, or none does."""
        return bool(self.timeline.changes) or not self.by_order


class LogIndex(NamedTuple):
    """The logs of a run.

    `named` has for each file that entries name, alone or in a group, the highest of their changes.
    `slates` are those that a slate line names, `not_slates` those that a not-slate line or an entry
    of theirs alone does. `unclocked` has the bodies of which no entry speaks but by name.
    `common_offset` is the offset from UTC that most frames state, `zone` that of all logs.
    """

    bodies: Bodies
    by_body: Mapping[str | None, BodyLog]
    named: Mapping[str, Change]
    slates: frozenset[str]
    not_slates: frozenset[str]
    unclocked: Mapping[str | None, BodyTimeline]
    common_offset: timedelta | None
    zone: tzinfo | None

    def without(self, slates: Collection[str]) -> LogIndex:
        """The same without the shots of more slate frames."""
        by_body = {
            body: log._replace(timeline=log.timeline.without(slates))
            for body, log in self.by_body.items()
        }
        unclocked = {body: line.without(slates) for body, line in self.unclocked.items()}
        return self._replace(by_body=by_body, unclocked=unclocked)

    @property
    def by_name(self) -> frozenset[str]:
        """The files of which an entry speaks that stands above times."""
        return frozenset(file for file, one in self.named.items() if one.rank > Rank.TIME)


def index_logs(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> LogIndex:
    """The logs against the frames there are. Raises InputError with every fault found."""
    bodies = bodies_by_logs(frames, logs, kit)
    notes = _Notes(NamedFrames(frames, bodies), only_body(bodies))
    problems = [problem for log in logs for problem in notes.take(log)]
    problems += [*notes.mixed_zones(logs), *notes.mixed_orders(), *notes.clashes(logs)]
    named: dict[str, list[Change]] = defaultdict(list)
    problems += notes.take_named(logs, named)
    by_body = {} if problems else {body: notes.body_log(body) for body in notes.by_body}
    problems = problems or list(notes.carried_otherwise(by_body, named))
    if problems:
        files = [log.file for log in logs]
        problems.sort(key=lambda one: (files.index(one.file), one.line or 0, one.column or 0))
        raise InputError(problems)
    zones = {log.zone for log in logs}
    return LogIndex(
        bodies,
        by_body,
        highest(named),
        frozenset(notes.slates),
        frozenset(notes.not_slates),
        {
            body: notes.unclocked(body)
            for body in dict.fromkeys(bodies[file] for file in named)
            if body not in by_body
        },
        _common_offset(frames),
        zones.pop() if len(zones) == 1 else None,
    )


def missing_names(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> list[Problem]:
    """What is wrong with the frames that the logs name, faulty logs included."""
    named = NamedFrames(frames, bodies_of(frames, kit))
    problems: list[Problem] = []
    for log in logs:
        problems += named.doubtful_times(log)
        for entry in log.entries:
            if entry.frames is not None:
                problems += named.named(log, entry.frames, entry.body, _camera_day)[1]
        references = [line for line in log.clocks if isinstance(line, ClockReference)]
        for name, body in (
            *((line.frame, line.body) for line in references),
            *((name, None) for name in (*log.slates, *log.not_slates)),
        ):
            problems += named.find(log, name, body)[1]
    return problems


def _camera_day(frame: Frame) -> date | None:
    return frame.time.at.date() if frame.time else None


def _common_offset(frames: Iterable[Frame]) -> timedelta | None:
    offsets = [
        frame.time.offset for frame in frames if frame.time and frame.time.offset is not None
    ]
    return Counter(offsets).most_common(1)[0][0] if offsets else None


@dataclass
class _BodyNotes:
    """What the logs say of one body. `zones` has that of each entry's log."""

    spans: list[Span] = field(default_factory=list)
    zones: list[tzinfo | None] = field(default_factory=list)
    overnight: bool = False
    slack: float = 0.0
    clock: BodyClock | None = None
    clock_lines: list[int] = field(default_factory=list)
    clock_zone: tzinfo | None = None
    references: Mapping[str, Reference] = field(default_factory=dict)
    sure: bool = False

    def history(self, frames: Sequence[Frame]) -> ClockHistory:
        """What the readings of the body's frames go by."""
        # A body may have a clock line and no entries: it keeps its order among the others by that.
        zone = self.zones[0] if self.zones else self.clock_zone
        # The log's word on a clock stands above what satellites told the body.
        clock = self.clock or clock_by_satellites(frames, zone) or BodyClock()
        resets = find_resets(frames, zone, self.references)
        if resets is None:
            return ClockHistory(zone, clock, over_summer_time(frames, zone, clock))
        return ClockHistory(zone, replace(clock, unsure=resets.text), resets.clocks)

    def stated(self, clock: ClockHistory, shots: Sequence[Shot]) -> StatedClock:
        """What is said of the body's clock, as it stood at the first shot."""
        if not shots:
            return StatedClock()
        at, reading = clock.at(shots[0].frame), shots[0].start
        by_log = None if self.clock is None else ClockSource.LOG
        source = by_log or (None if clock.clock == BodyClock() else ClockSource.GPS)
        ahead, error = at.ahead_at(reading) / SECOND, at.error_at(reading) / SECOND
        gps = clock_by_satellites([shot.frame for shot in shots], clock.zone) if by_log else None
        by_gps = None if gps is None else gps.ahead_at(reading) / SECOND
        error, lines, by_photo = error + self.slack, tuple(self.clock_lines), bool(self.references)
        return StatedClock(ahead, source, self.sure, error, by_gps, lines, by_photo)


@dataclass
class _Notes:
    """Collects what the logs say, log by log. `only` is the body that nameless entries mean."""

    named: NamedFrames
    only: str | None
    by_body: dict[str | None, _BodyNotes] = field(default_factory=lambda: defaultdict(_BodyNotes))
    slates: set[str] = field(default_factory=set)
    not_slates: set[str] = field(default_factory=set)
    histories: dict[str | None, ClockHistory] = field(default_factory=dict)
    carrying: list[tuple[SessionLog, Span, Change]] = field(default_factory=list)

    def take(self, log: SessionLog) -> Iterator[Problem]:
        """Takes one log; gives what is wrong with it."""
        for span in log.spans:
            if span.frames is None:
                notes = self.by_body[span.body or self.only]
                notes.spans.append(span)
                notes.zones.append(log.zone)
                notes.overnight |= log.overnight
                notes.slack = max(notes.slack, log.slack.total_seconds())
        for names, into in ((log.slates, self.slates), (log.not_slates, self.not_slates)):
            for name in names:
                found, problems = self.named.find(log, name, None)
                into.update(frame.file for frame in found)
                yield from problems
        yield from self._take_clocks(log)

    def take_named(
        self, logs: Sequence[SessionLog], into: dict[str, list[Change]]
    ) -> Iterator[Problem]:
        """Takes the entries that name frames, once the clocks are known; gives what is wrong.

        `into` gets the changes that they mean, by file.
        """
        for log in logs:
            yield from self.named.doubtful_times(log)
            for span in log.spans:
                if span.frames is None:
                    continue
                found, problems = self.named.named(log, span.frames, span.body, self._day_of)
                yield from problems
                change = named_change(span, found)
                others = {id(one): one for file in sorted(change.files) for one in into[file]}
                yield from named_twice(log, span, change, others.values())
                for file in change.files:
                    into[file].append(change)
                if change.rank is Rank.NAME and span.carried:
                    self.carrying.append((log, span, change))
                if isinstance(span.frames, FrameRange) and span.frames.first == span.frames.last:
                    self.not_slates |= change.files

    def carried_otherwise(
        self, by_body: Mapping[str | None, BodyLog], named: Mapping[str, Sequence[Change]]
    ) -> Iterator[Problem]:
        """What entries of frames' names carry on must be what stood on the body by the others."""
        held: dict[str, Sequence[Setting]] = {}
        for one in by_body.values() if self.carrying else ():
            held |= {shot.frame.file: [s.setting for s in one.by_order] for shot in one.all_shots}
            line = one.timeline
            for shot, numbers in zip(line.shots, standing(line.changes, line.shots), strict=True):
                found = (setting_of(line.changes, number) for number in numbers)
                held.setdefault(shot.frame.file, list(filter(None, found)))
        for log, span, change in self.carrying:
            for file in change.files:
                others = (one.setting for one in named[file] if one is not change)
                held[file] = [*filter(None, others), *held.get(file, ())]
            yield from carried_otherwise(log, span, change, held)

    def _day_of(self, frame: Frame) -> date | None:
        """The day on which a frame was made, by the log's clock."""
        body = self.named.bodies[frame.file]
        if body not in self.histories:
            notes = self.by_body.get(body, _BodyNotes())
            self.histories[body] = notes.history(self._sound(body))
        true = self.histories[body].true_time(frame)
        return None if true is None else true.at.date()

    def unclocked(self, body: str | None) -> BodyTimeline:
        """The shots of a body of which no entry says a time, by its clock as it stands."""
        clock = ClockHistory()
        sound = [one for one in self._sound(body) if one.file not in self.slates]
        return BodyTimeline(clock, shots_of(sound, clock))

    def _sound(self, body: str | None) -> Sequence[Frame]:
        """The frames of a body, but for damaged ones."""
        frames, bodies = self.named.frames, self.named.bodies
        return [one for one in frames if bodies[one.file] == body and one.damage is None]

    def _take_clocks(self, log: SessionLog) -> Iterator[Problem]:
        references: dict[str | None, dict[str, Reference]] = defaultdict(dict)
        first_lines: dict[str | None, int] = {}
        for line in log.clocks:
            body = line.body or self.only
            first_lines.setdefault(body, line.line)
            notes = self.by_body[body]
            notes.clock_zone = notes.clock_zone if notes.clock_lines else log.zone
            notes.clock_lines.append(line.line)
            notes.sure |= line.sure
            if isinstance(line, ClockReference):
                found, problems = self.named.find(log, line.frame, line.body)
                yield from problems
                if found and (reference := _reference(found[0], line, log.zone)):
                    references[body][found[0].file] = reference
                elif found:
                    text = f"{line.frame.name} carries no time"
                    yield log.problem(line.frame, text, "a frame with a time")
            else:
                clock = BodyClock(ahead=float(microseconds(line.ahead)))
                yield from self._set_clock(log, line.line, body, clock)
        for body, by_file in references.items():
            self.by_body[body].references = self.by_body[body].references or by_file
            clock = fit_clock(list(by_file.values()))
            yield from self._set_clock(log, first_lines[body], body, clock)

    def _set_clock(
        self, log: SessionLog, line: int, body: str | None, clock: BodyClock
    ) -> Iterator[Problem]:
        notes = self.by_body[body]
        notes.clock = notes.clock or clock
        if notes.clock != clock:
            text = f"another log says otherwise of {body}'s clock"
            yield log.problem(line, text, "a body's clock in one log")

    def mixed_zones(self, logs: Sequence[SessionLog]) -> Iterator[Problem]:
        """Two logs of one body must both have a zone, or neither: they share one time line."""
        for body, notes in self.by_body.items():
            if len({zone is None for zone in notes.zones}) > 1:
                without = next(
                    log.file
                    for log in logs
                    if log.zone is None and any((s.body or self.only) == body for s in log.spans)
                )
                text = f"has no zone line, but another log of {body} has one"
                yield Problem(without, text, expected="a zone in each")

    def mixed_orders(self) -> Iterator[Problem]:
        """The entries by order of a body stand in one log, and none by time in another."""
        for body, notes in self.by_body.items():
            files = list(dict.fromkeys(span.setting.log for span in notes.spans))
            by_order = [span.setting.log for span in notes.spans if span.order]
            if by_order and len(files) > 1:
                other = next(file for file in files if file != by_order[0])
                text = f"has `first` and `then` of {body}, and {other} has entries of it too"
                yield Problem(by_order[0], text, expected="its entries in one log")

    def clashes(self, logs: Sequence[SessionLog]) -> Iterator[Problem]:
        """Of two logs that say different things of one time neither is the later."""
        by_file = {log.file: log for log in logs}
        for body, notes in self.by_body.items():
            first: dict[datetime, Setting] = {}
            for start, setting in ((span.start, span.setting) for span in notes.spans):
                one = setting if start is None else first.setdefault(start.earliest, setting)
                differ = differing(setting, one)
                if one.log != setting.log and differ:
                    mine, other = differ
                    text = (
                        f"{mine} at this time, but line {one.line} of {one.log} "
                        f"has {body or 'the body'} with {other}"
                    )
                    expected = "the one that is right"
                    yield by_file[setting.log].problem(setting.line, text, expected)

    def body_log(self, body: str | None) -> BodyLog:
        """What was collected about one body."""
        frames, notes = self._sound(body), self.by_body[body]
        by_order = tuple(span for span in notes.spans if span.order is not None)
        clock = notes.history(frames)
        shots = shots_of([f for f in frames if f.file not in self.slates], clock)
        changes = changes_by_time(notes.spans, shots)
        if not notes.overnight:
            changes = ended_by_pauses(changes, shots)
        missed = set_by = None
        if clock.clock.unsure is None and not clock.pieces:
            entries = [change.window for change in changes if change.window]
            times = [(shot.earliest, shot.latest) for shot in shots]
            set_by = two_ways(frames, clock, body) or set_back(frames, clock.zone)
            clock = replace(clock, clock=replace(clock.clock, unsure=set_by))
            missed = None if set_by else misses(body, entries, times)
        was_set = bool(set_by) and is_surely_set(frames, clock.zone)
        stated = replace(notes.stated(clock, shots), was_set=was_set)
        all_shots = shots_of(frames, clock) if by_order else ()
        return BodyLog(BodyTimeline(clock, shots, changes), stated, by_order, all_shots, missed)


def _reference(photo: Frame, line: ClockReference, zone: tzinfo | None) -> Reference | None:
    """What a photo of a clock says; None where it carries no time."""
    if photo.time is None:
        return None
    half = microseconds(photo.time.resolution) / 2
    start, end = instant(line.shows.earliest), instant(line.shows.latest)
    camera = instant(placed(photo.time, zone)) + half
    return Reference(camera, (start + end) / 2, half + (end - start) / 2, photo.stem)
