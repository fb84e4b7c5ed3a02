"""What needs a person, and the log lines that would settle it, one for each possible answer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import groupby
from pathlib import PurePath
from typing import NamedTuple

from flangeback.clock.counting import count_of
from flangeback.clock.model import instant
from flangeback.draft.naming import Namer
from flangeback.kit import stops
from flangeback.kit.model import Kit, Lens
from flangeback.log.model import SessionLog, Setting
from flangeback.match.changes import setting_of, standing
from flangeback.match.clock_fit import ClockFit, clock_line, clock_question, other_way
from flangeback.match.doubts import DoubtKind
from flangeback.match.evidence import standing_moved
from flangeback.match.model import FrameMatch, Matches, Outcome, Source
from flangeback.report.runs import Note, Run, Section, sections
from flangeback.words import exact, focal_length, listed

WORTH_A_LOOK = frozenset(
    [DoubtKind.LIGHT_STEP, DoubtKind.CLOCK_UNSURE, DoubtKind.NO_TIME, DoubtKind.PAIR_DIFFERS]
)
"""Doubts that a person can settle, on frames that come to something all the same."""
_MOST_STOPS = 9
_HALF_STOP = 2**0.25
"""As a factor of an f-number."""
_DAMAGED = "copy the frame from the card once more; damaged there too, it stays as it is"
_OVER = "where the log is right, fill --over puts its values over the frame's own"


class Answer(NamedTuple):
    """Log lines that say one thing that may have been so, and `text` where they need words.

    They go to the log's end, or take the place of other lines, as `where` says.
    """

    text: str
    lines: tuple[str, ...]
    where: str = ""


class Case(NamedTuple):
    """Frames that need a person for one reason, with the answers there are.

    `before` and `after` are the frames made just before and after them. Where all wait for their
    body's clock, `clock` says how it fits them.
    """

    run: Run
    answers: tuple[Answer, ...]
    advice: str | None = None
    before: FrameMatch | None = None
    after: FrameMatch | None = None
    clock: ClockFit | None = None

    @property
    def title(self) -> str:
        """What it is about: the frames, or a clock."""
        return self.run.names if self.clock is None else f"the clock of {self.clock.body or 'all'}"

    @property
    def outcome(self) -> Outcome:
        """What its frames came to."""
        return self.run.outcome if self.clock is None else Outcome.UNSURE

    @property
    def notes(self) -> tuple[Note, ...]:
        """The reasons."""
        return self.run.notes if self.clock is None else (Note(clock_question(self.clock)),)


_MayBe = Mapping[str, Sequence[Setting | None]]
"""By file, every setting that may have stood when the frame was made."""


class _Outing(NamedTuple):
    """What answers are made from; `by_other` goes by the clocks that frames speak for instead."""

    matches: Matches
    logs: Sequence[SessionLog]
    kit: Kit
    namer: Namer
    may_be: _MayBe
    by_other: _MayBe


def cases(matches: Matches, logs: Sequence[SessionLog], kit: Kit) -> Iterator[Case]:
    """Everything that needs a person: clocks, copies, then frames, by body in the order of time.

    Frames that only wait for their body's clock to be settled have no case of their own.
    """
    namer = Namer([one.frame for one in matches.frames], kit)
    outing = _Outing(matches, logs, kit, namer, _open_settings(matches), _by_other_clocks(matches))
    found = tuple(sections(matches))
    yield from _clock_cases(found, matches, logs)
    contradicted = {fit.body for fit in matches.clocks if not fit.settled}
    made_of = {s.title: [None, *(f for run in s.runs for f in run.frames), None] for s in found}
    place = {f.frame.file: n for made in made_of.values() for n, f in enumerate(made) if f}
    runs = [(one, run) for one in found for run in filter(None, map(_for_a_person, one.runs))]
    for section, run in sorted(runs, key=lambda one: not one[1].first.is_of_copy):
        if run.outcome is Outcome.UNSURE and section.body in contradicted and _is_doubted(run):
            continue
        made, ends = made_of[section.title], (run.first.frame.file, run.last.frame.file)
        before, after = made[place[ends[0]] - 1], made[place[ends[1]] + 1]
        yield Case(run, tuple(_answers(run, outing)), _advice(run.first), before, after)


def _clock_cases(
    found: Sequence[Section], matches: Matches, logs: Sequence[SessionLog]
) -> Iterator[Case]:
    """The clocks that frames speak against, where any is open or doubted for that."""
    for fit in matches.clocks:
        runs = [run for one in found if one.body == fit.body for run in one.runs]
        waiting = [run for run in runs if run.outcome.needs_person or _is_doubted(run)]
        if waiting and not (fit.is_borne_out or fit.stated.sure):
            line = clock_line(fit)
            where = _instead_of(_clock_lines(line, fit, logs), logs) if line else ""
            answers = (Answer("", (line,), where),) if line else ()
            yield Case(Run(tuple(one for run in waiting for one in run.frames)), answers, clock=fit)


def _advice(found: FrameMatch) -> str | None:
    """What helps where no line does, or beside one; a copy's own reason says that itself."""
    if found.frame.damage is not None:
        return _DAMAGED
    return _OVER if found.outcome is Outcome.CONFLICT and not found.is_of_copy else None


def _is_doubted(run: Run) -> bool:
    """Whether there is a doubt on the clock of all of its frames."""
    kinds = ([doubt.kind for doubt in frame.doubts] for frame in run.frames)
    return all(DoubtKind.CLOCK_UNSURE in found for found in kinds)


def _clock_lines(line: str, fit: ClockFit, logs: Sequence[SessionLog]) -> Iterator[tuple[str, int]]:
    """The logs' lines that this one takes the place of: a body has one clock, a log one slack."""
    for log in logs:
        if line.startswith("slack"):
            words = enumerate((text.casefold().split() for text in log.lines), 1)
            numbers = [n for n, found in words if found[:1] == ["slack"]]
        else:
            clocks = (one for one in log.clocks if one.body in (fit.body, None))
            numbers = [one.line for one in clocks if one.line in fit.stated.lines]
        yield from ((log.file, number) for number in numbers)


def _named_lines(run: Run, matches: Matches) -> Iterator[tuple[str, int]]:
    """The line that names these frames and no others: a second one of them is a fault."""
    place = run.first.log, run.first.log_line
    if run.first.by is Source.NAME and place[0] is not None and place[1] is not None:
        named = [one for one in matches.frames if (one.log, one.log_line) == place]
        if len(named) == len(run.frames):
            yield place[0], place[1]


def _instead_of(places: Iterable[tuple[str, int]], logs: Sequence[SessionLog]) -> str:
    """Which lines an answer takes the place of, in words."""
    told = [f"line {n}" + f" of {PurePath(file).name}" * (len(logs) > 1) for file, n in places]
    return f"instead of {listed(told)}" if told else ""


def _for_a_person(run: Run) -> Run | None:
    """Those of its frames that need a person, or carry a doubt that a person can settle."""
    if run.outcome.needs_person or run.first.is_of_copy:
        return run
    doubted = tuple(f for f in run.frames if any(d.kind in WORTH_A_LOOK for d in f.doubts))
    return Run(doubted) if doubted else None


def _open_settings(matches: Matches) -> _MayBe:
    found: dict[str, Sequence[Setting | None]] = {}
    for timeline in matches.timelines.values():
        numbers = standing(timeline.changes, timeline.shots)
        for shot, open_ones in zip(timeline.shots, numbers, strict=True):
            found[shot.frame.file] = [setting_of(timeline.changes, one) for one in open_ones]
    return found


def _by_other_clocks(matches: Matches) -> _MayBe:
    found: dict[str, Sequence[Setting | None]] = {}
    for fit in matches.clocks:
        timeline = matches.timelines.get(fit.body)
        if timeline is not None and fit.other is not None:
            ahead = fit.other - fit.stated.ahead
            moved = standing_moved(timeline, ahead, ahead)
            files = (shot.frame.file for shot in timeline.shots)
            found |= zip(files, moved, strict=True)
    return found


def _answers(run: Run, outing: _Outing) -> Iterator[Answer]:
    if run.first.body is None or run.outcome is Outcome.UNREADABLE or run.first.is_of_copy:
        return
    places, kit = _places(run.frames, outing), outing.kit
    if run.outcome is Outcome.UNLOGGED:
        settings = list(_neighbours(run.first, outing.matches))
    elif run.first.by is Source.NAME:
        spans = (span for log in outing.logs for span in log.spans)
        line = (run.first.log, run.first.log_line)
        settings = [s.setting for s in spans if (s.setting.log, s.setting.line) == line]
    else:
        settings = [one for found in run.frames for one in outing.may_be.get(found.frame.file, ())]
    if run.outcome is Outcome.CONFLICT:
        settings = [None]
    meant = {doubt.f_number for doubt in run.first.doubts if doubt.f_number is not None}
    settings += [replace(s, f_number=mark) for mark in meant for s in settings if s is not None]
    every = (words for setting in settings for words in _words(setting, run.first, kit))
    where = _instead_of(_named_lines(run, outing.matches), outing.logs)
    found = [
        Answer("no adapted lens" * (words == "off"), tuple(f"{p} {words}" for p in places), where)
        for words in dict.fromkeys(every)
        if places
    ]
    goes_by_clock = run.first.by is not Source.NAME and run.outcome is not Outcome.CONFLICT
    other = _by_other_clock(run, outing) if goes_by_clock else None
    if other is not None and other.lines not in [answer.lines for answer in found]:
        yield other
    yield from found


def _by_other_clock(run: Run, outing: _Outing) -> Answer | None:
    """What holds for its frames, as far as that is certain, by the clock they speak for instead."""
    fit = next((one for one in outing.matches.clocks if one.body == run.first.body), None)
    lines: list[str] = []
    by_words = groupby(run.frames, lambda found: _words_by_other_clock(found, outing))
    for words, frames in by_words:
        if words is not None:
            lines += (f"{place} {words}" for place in _places(tuple(frames), outing))
    return Answer(f"if its clock was {other_way(fit)}", tuple(lines)) if fit and lines else None


def _words_by_other_clock(found: FrameMatch, outing: _Outing) -> str | None:
    settings = outing.by_other.get(found.frame.file, ())
    words = {one for each in settings if each for one in _words(each, found, outing.kit)}
    return words.pop() if len(words) == 1 and None not in settings else None


def _places(frames: Sequence[FrameMatch], outing: _Outing) -> Sequence[str]:
    """The frames as a log names them, with their body; none where names won't do for all."""
    in_order = sorted((one.frame for one in frames), key=lambda one: (*count_of(one), one.file))
    places = [place for place, _ in outing.namer.ranges(in_order)]
    body = f" {frames[0].body}" if any(log.names_bodies for log in outing.logs) else ""
    return [] if None in places else [f"{place}{body}" for place in places]


def _neighbours(found: FrameMatch, matches: Matches) -> Iterator[Setting | None]:
    """What stood before frames that no entry covers, what stood after them, or nothing."""
    timeline = matches.timelines.get(found.body)
    if timeline is not None and found.time is not None:
        at = sum(shot.earliest < instant(found.time) for shot in timeline.shots)
        settings = [change for change in timeline.changes if change.setting is not None]
        before = [one.setting for one in settings if one.places[-1] <= at]
        after = [one.setting for one in settings if one.places[0] > at]
        yield from (*before[-1:], *after[:1])
    yield None


def _words(setting: Setting | None, found: FrameMatch, kit: Kit) -> Iterator[str]:
    """The words of an entry for this setting; several where the f-number isn't known."""
    if setting is None or setting.lens is None:
        yield "off"
        return
    lens = kit.lenses[setting.lens]
    words = [lens.key]
    if lens.is_zoom and setting.focal_length is not None:
        words.append(focal_length(setting.focal_length).replace(" ", ""))
    via = [f"via {setting.adapter}"] if setting.adapter else []
    marks = [setting.f_number] if setting.f_number else _marks(lens, found)
    yield from (" ".join([*words, f"f/{exact(mark)}", *via]) for mark in marks)


def _marks(lens: Lens, found: FrameMatch) -> Sequence[Decimal]:
    """The full stops on a lens's ring; where the light has an estimate, those that it allows."""
    ring = [stop for stop in stops.series("full") if lens.widest[0] < stop.mark <= lens.limit]
    marks = {lens.widest[0]: float(lens.widest[0]), **{stop.mark: stop.exact for stop in ring}}
    estimate, fill = found.estimate, found.fill
    if estimate is not None and fill is not None and fill.factor is not None:
        low, high = (
            end / float(fill.factor) * spread
            for end, spread in ((estimate.low, 1 / _HALF_STOP), (estimate.high, _HALF_STOP))
        )
        marks = {mark: at for mark, at in marks.items() if low <= at <= high} or marks
    return list(marks)[:_MOST_STOPS]
