"""What needs a person, and the log lines that would settle it, one for each possible answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from flangeback.clock.counting import count_of
from flangeback.clock.model import instant
from flangeback.draft.naming import Namer
from flangeback.kit import stops
from flangeback.kit.model import Kit, Lens
from flangeback.log.model import SessionLog, Setting
from flangeback.match.changes import setting_of, standing
from flangeback.match.doubts import DoubtKind
from flangeback.match.model import FrameMatch, Matches, Outcome, Source
from flangeback.report.runs import Run, sections
from flangeback.words import exact, focal_length

WORTH_A_LOOK = frozenset(
    [DoubtKind.LIGHT_STEP, DoubtKind.CLOCK_UNSURE, DoubtKind.NO_TIME, DoubtKind.PAIR_DIFFERS]
)
"""Doubts that a person can settle, on frames that come to something all the same."""
_MOST_STOPS = 9
_HALF_STOP = 2**0.25
"""As a factor of an f-number."""
_ADVICE = {
    Outcome.UNREADABLE: "copy the frame from the card once more; damaged there too, it stays as it "
    "is",
    Outcome.CONFLICT: "where the log is right, fill --over puts its values over the frame's own",
}


class Answer(NamedTuple):
    """Log lines that say one thing that may have been so, and `text` where they need words."""

    text: str
    lines: tuple[str, ...]


class Case(NamedTuple):
    """Frames that need a person for one reason, with the answers there are.

    `before` and `after` are the frames made just before and after them.
    """

    run: Run
    answers: tuple[Answer, ...]
    advice: str | None = None
    before: FrameMatch | None = None
    after: FrameMatch | None = None


def cases(matches: Matches, logs: Sequence[SessionLog], kit: Kit) -> Iterator[Case]:
    """Everything that needs a person, body by body in the order the frames were made.

    Frames that only wait for their body's clock to be settled are left out.
    """
    may_be, namer = _open_settings(matches), Namer([one.frame for one in matches.frames], kit)
    for section in sections(matches):
        made = [frame for run in section.runs for frame in run.frames]
        for run in filter(None, map(_for_a_person, section.runs)):
            first, last = made.index(run.first), made.index(run.last)
            answers = _answers(run, _places(run, namer), may_be, matches, logs, kit)
            before = made[first - 1] if first else None
            after = made[last + 1] if last + 1 < len(made) else None
            yield Case(run, tuple(answers), _ADVICE.get(run.outcome), before, after)


def _for_a_person(run: Run) -> Run | None:
    """Those of its frames that need a person, or carry a doubt that a person can settle."""
    kinds = [{doubt.kind for doubt in frame.doubts} for frame in run.frames]
    if run.outcome.needs_person:
        waits = run.outcome is Outcome.UNSURE and all(DoubtKind.CLOCK_UNSURE in k for k in kinds)
        return None if waits else run
    doubted = (f for f, k in zip(run.frames, kinds, strict=True) if not WORTH_A_LOOK.isdisjoint(k))
    return Run(found) if (found := tuple(doubted)) else None


def _open_settings(matches: Matches) -> dict[str, tuple[Setting | None, ...]]:
    """By file, every setting that may have stood when the frame was made."""
    found: dict[str, tuple[Setting | None, ...]] = {}
    for timeline in matches.timelines.values():
        numbers = standing(timeline.changes, timeline.shots)
        for shot, open_ones in zip(timeline.shots, numbers, strict=True):
            found[shot.frame.file] = tuple(setting_of(timeline.changes, one) for one in open_ones)
    return found


def _answers(
    run: Run,
    places: Sequence[str],
    may_be: dict[str, tuple[Setting | None, ...]],
    matches: Matches,
    logs: Sequence[SessionLog],
    kit: Kit,
) -> Iterator[Answer]:
    if run.first.body is None or run.outcome is Outcome.UNREADABLE:
        return
    if any(log.names_bodies for log in logs):
        places = [f"{place} {run.first.body}" for place in places]
    if run.outcome is Outcome.UNLOGGED:
        settings = list(_neighbours(run.first, matches))
    elif run.first.by is Source.NAME:
        spans = (span for log in logs for span in log.spans)
        line = (run.first.log, run.first.log_line)
        settings = [s.setting for s in spans if (s.setting.log, s.setting.line) == line]
    else:
        settings = [setting for one in run.frames for setting in may_be.get(one.frame.file, ())]
    if run.outcome is Outcome.CONFLICT:
        settings = [None]
    meant = {doubt.f_number for doubt in run.first.doubts if doubt.f_number is not None}
    settings += [replace(s, f_number=mark) for mark in meant for s in settings if s is not None]
    every = (words for setting in settings for words in _words(setting, run.first, kit))
    for words in dict.fromkeys(every) if places else ():
        told = "no adapted lens" if words == "off" else ""
        yield Answer(told, tuple(f"{place} {words}" for place in places))


def _places(run: Run, namer: Namer) -> Sequence[str]:
    """The run's frames as a log names them: ranges; none where names won't do for all."""
    frames = sorted((one.frame for one in run.frames), key=lambda one: (*count_of(one), one.file))
    places = [place for place, _ in namer.ranges(frames)]
    return [] if None in places else list(filter(None, places))


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
