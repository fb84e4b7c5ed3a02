"""What needs a person, and the log lines that would settle it, one for each possible answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from flangeback.clock.counting import count_of
from flangeback.clock.model import instant
from flangeback.kit import stops
from flangeback.kit.model import Kit, Lens
from flangeback.log.model import SessionLog, Setting
from flangeback.log.names import frame_stem, names_one_frame
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
_ADVICE = {
    Outcome.UNREADABLE: "copy the frame from the card once more; damaged there too, it stays as it "
    "is",
    Outcome.CONFLICT: "where the log is right, fill --over puts its values over the frame's own",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """Log lines that say one thing that may have been so, and `text` where they need words."""

    text: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Case:
    """Frames that need a person for one reason, with the answers there are.

    `before` and `after` are the frames made just before and after them.
    """

    run: Run
    answers: tuple[Answer, ...]
    advice: str | None = None
    before: FrameMatch | None = None
    after: FrameMatch | None = None


def cases(matches: Matches, logs: Sequence[SessionLog], kit: Kit) -> Iterator[Case]:
    """Everything that needs a person, body by body in the order the frames were made."""
    may_be, order = _open_settings(matches), _name_order(matches)
    for section in sections(matches):
        made = [frame for run in section.runs for frame in run.frames]
        for run in filter(None, map(_for_a_person, section.runs)):
            first, last = made.index(run.first), made.index(run.last)
            answers = _answers(run, list(_places(run, order)), may_be, matches, logs, kit)
            before = made[first - 1] if first else None
            after = made[last + 1] if last + 1 < len(made) else None
            yield Case(run, tuple(answers), _ADVICE.get(run.outcome), before, after)


def _for_a_person(run: Run) -> Run | None:
    """Those of its frames that need a person, or carry a doubt that a person can settle."""
    if run.outcome.needs_person:
        return run
    kinds = [{doubt.kind for doubt in frame.doubts} for frame in run.frames]
    doubted = (f for f, k in zip(run.frames, kinds, strict=True) if not WORTH_A_LOOK.isdisjoint(k))
    found = tuple(doubted)
    return Run(found) if found else None


def _open_settings(matches: Matches) -> dict[str, tuple[Setting | None, ...]]:
    """By file, every setting that may have stood when the frame was made."""
    found: dict[str, tuple[Setting | None, ...]] = {}
    for timeline in matches.timelines.values():
        numbers = standing(timeline.changes, timeline.shots)
        for shot, open_ones in zip(timeline.shots, numbers, strict=True):
            settings = (setting_of(timeline.changes, number) for number in open_ones)
            found[shot.frame.file] = tuple(settings)
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
    named = any(log.names_bodies for log in logs)
    if not places:
        return
    places = [f"{place} {run.first.body}" if named else place for place in places]
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
    for words in dict.fromkeys(word for setting in settings for word in _words(setting, kit)):
        told = "no adapted lens" if words == "off" else ""
        yield Answer(told, tuple(f"{place} {words}" for place in places))


def _places(run: Run, order: Mapping[str, int]) -> Iterator[str]:
    """The run's frames as a log names them: ranges, where no other frame's name lies between."""
    stems = {frame_stem(one.frame.file): order[one.frame.file] for one in run.frames}
    if not all(map(names_one_frame, stems)):
        return
    in_order = sorted(stems, key=lambda stem: stems[stem])
    for _, group in groupby(enumerate(in_order), key=lambda one: stems[one[1]] - one[0]):
        first, *others = [stem for _, stem in group]
        yield f"{first}..{others[-1].rpartition('/')[2]}" if others else first


def _name_order(matches: Matches) -> Mapping[str, int]:
    """By file, its place in the order of names; a gap lies between names that count apart."""
    counted = sorted((*count_of(one.frame), one.frame.file) for one in matches.frames)
    apart = list(dict.fromkeys(letters for letters, _, _ in counted))
    return {file: at + apart.index(letters) for at, (letters, _, file) in enumerate(counted)}


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


def _words(setting: Setting | None, kit: Kit) -> Iterator[str]:
    """The words of an entry for this setting; several where the f-number isn't known."""
    if setting is None or setting.lens is None:
        yield "off"
        return
    lens = kit.lenses[setting.lens]
    words = [lens.key]
    if lens.is_zoom and setting.focal_length is not None:
        words.append(focal_length(setting.focal_length).replace(" ", ""))
    via = [f"via {setting.adapter}"] if setting.adapter else []
    marks = [exact(setting.f_number)] if setting.f_number else _marks(lens)
    yield from (" ".join([*words, f"f/{mark}", *via]) for mark in marks)


def _marks(lens: Lens) -> Iterator[str]:
    """The full stops on a lens's ring."""
    inside = [
        stop.mark for stop in stops.series("full") if lens.widest[0] <= stop.mark <= lens.limit
    ]
    if lens.widest[0] not in inside:
        inside.insert(0, lens.widest[0])
    yield from (exact(mark) for mark in inside[:_MOST_STOPS])
