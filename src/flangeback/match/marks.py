"""Entries by the order of slate frames: which of them holds for which shots of a body."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from statistics import median

from flangeback.clock.checks import set_back
from flangeback.evidence import Glimpse, PictureReader, SlateSign, slate_signs
from flangeback.kit.model import Body, Kit
from flangeback.log.model import Setting, Span
from flangeback.match.changes import BodyTimeline, Change
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import Outcome
from flangeback.match.outcomes import Standing
from flangeback.match.scenes import option_of
from flangeback.match.shots import Shot

_AS_LOGGED = 0.7
"""Stops by which the light may step otherwise than logged, where marks and entries don't fit:
rings click in halves or whole stops (common practice), and scenes differ by parts of one."""
_NEAR = 5
"""Shots to either side of a mark that tell of the light."""
BY_PICTURE = "taken for a slate frame: dark and plain, unlike the frames around it"


@dataclass(slots=True)
class Marked:
    """The shots of a body, told by slate frames.

    `shots` has those that are none. `changes` are at places among them. `settled` has the files of
    which it is certain what they come to, slate frames for one; `doubts` are by place.
    """

    shots: Sequence[Shot]
    changes: list[Change] = field(default_factory=list)
    settled: dict[str, Standing] = field(default_factory=dict)
    doubts: dict[int, Doubt] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Part:
    """Shots from one mark to the next. `mark` is the first slate frame of the mark before them;
    `open` says why it can't be told whether a mark stands there."""

    shots: Sequence[Shot]
    mark: Shot | None = None
    open: str | None = None


@dataclass(frozen=True, slots=True)
class SlateLines:
    """The files that slate lines name, and those that not-slate lines (or entries of theirs alone)
    do."""

    slates: Collection[str] = ()
    not_slates: Collection[str] = ()


def by_slates(
    timeline: BodyTimeline,
    spans: Sequence[Span],
    lines: SlateLines,
    gear: tuple[Kit, Body | None],
    pictures: PictureReader,
) -> Marked:
    """The shots of one body by its entries `first` and `then`, which `spans` are.

    Slate frames in a row are one mark. Where marks and entries don't fit, or a mark is doubtful,
    what comes after is left open.
    """
    shots = timeline.shots
    glimpses = [Glimpse.of(shot.frame, pictures(shot.frame)) for shot in shots]
    signs = _signs(shots, glimpses, lines)
    slates = {
        shot.frame.file: shot.frame.file in lines.slates
        for shot, sign in zip(shots, signs, strict=True)
        if sign is SlateSign.YES
    }
    marked = Marked([shot for shot in shots if shot.frame.file not in slates])
    for file, named in slates.items():
        reason = None if named else BY_PICTURE
        marked.settled[file] = Standing(outcome=Outcome.SLATE, reason=reason)
    muddle = set_back([shot.frame for shot in shots], timeline.clock.zone)
    if muddle is not None:
        _leave_open(marked, marked.shots, f"in which order they were made isn't sure: {muddle}")
        return marked
    light = {shot.frame.file: one.through for shot, one in zip(shots, glimpses, strict=True)}
    kit, body = gear
    options = [option_of(0, span.setting, body, kit) for span in spans]
    stops = [None if option is None else option.stops for option in options]
    _Filling(marked, spans, stops, light).take(list(_parts(shots, signs)))
    return marked


def _signs(
    shots: Sequence[Shot], glimpses: Sequence[Glimpse], lines: SlateLines
) -> Sequence[SlateSign]:
    """What is a slate frame by its picture, and by the log's word, which stands above."""
    frames = [shot.frame for shot in shots]
    seen = slate_signs(glimpses)
    return [
        SlateSign.YES
        if frame.file in lines.slates
        else SlateSign.NO
        if frame.file in lines.not_slates
        else sign
        for frame, sign in zip(frames, seen, strict=True)
    ]


def _parts(shots: Sequence[Shot], signs: Sequence[SlateSign]) -> Iterator[_Part]:
    """The shots between marks, in their order; the first part has no mark before it."""
    part: list[Shot] = []
    mark: Shot | None = None
    open_: str | None = None
    together = zip(shots, signs, strict=True)
    for is_frame, group in groupby(together, key=lambda one: one[1] is SlateSign.NO):
        run = list(group)
        if is_frame:
            part += [shot for shot, _ in run]
            continue
        yield _Part(part, mark, open_)
        first = next((shot for shot, sign in run if sign is SlateSign.YES), None)
        mark, open_ = first, _why_open(run)
        part = []
    yield _Part(part, mark, open_)


def _why_open(run: Sequence[tuple[Shot, SlateSign]]) -> str | None:
    """Why it can't be told how many marks these are, slate frames and doubtful ones in a row; None
    where it can: next to a slate frame, a doubtful one changes nothing."""
    signs = [sign for _, sign in run]
    doubtful = [shot for shot, sign in run if sign is SlateSign.DOUBTFUL]
    if SlateSign.YES in signs:
        first = signs.index(SlateSign.YES)
        last = len(signs) - signs[::-1].index(SlateSign.YES)
        if SlateSign.DOUBTFUL not in signs[first:last]:
            return None
        doubtful = [shot for shot, sign in run[first:last] if sign is SlateSign.DOUBTFUL]
    return _either(doubtful[0])


def _leave_open(marked: Marked, shots: Sequence[Shot], reason: str) -> None:
    for shot in shots:
        marked.settled[shot.frame.file] = Standing(outcome=Outcome.UNSURE, reason=reason)


class _Filling:
    """Gives each part its entry, as far as marks and entries go together.

    `stops` is 2 log2 of each entry's f-number, `light` log2 of what came through the lens for each
    file; None where that isn't known.
    """

    def __init__(
        self,
        marked: Marked,
        spans: Sequence[Span],
        stops: Sequence[float | None],
        light: Mapping[str, float | None],
    ) -> None:
        self.marked = marked
        self.spans = spans
        self.stops = stops
        self.light = light
        self.places = {shot.frame.file: at for at, shot in enumerate(marked.shots)}

    def take(self, parts: Sequence[_Part]) -> None:
        self._doubtful(parts)
        if len(parts) > 1 and not parts[0].shots and not any(part.open for part in parts):
            begun = self._begun(parts)
            if begun is None:
                text = f"it isn't sure whether {_name(parts[1])}, before any frame, marks a change"
                _leave_open(self.marked, self.marked.shots, f"{text}: {_counts(parts, self.spans)}")
                return
            parts = begun
        misfit = self._misfit(parts)
        reason = None
        for n, part in enumerate(parts):
            reason = reason or part.open or (misfit and self._parting(parts, n, misfit))
            if reason is not None:
                _leave_open(self.marked, part.shots, reason)
            elif n >= len(self.spans):
                why = f": {misfit}" if misfit else ""
                self._beyond(part, f"{_name(parts[len(self.spans)])} has no `then`{why}")
            elif misfit and n == len(parts) - 1 < len(self.spans) - 1:
                line = self.spans[n + 1].setting.line
                _leave_open(
                    self.marked, part.shots, f"`then` in line {line} has no slate frame: {misfit}"
                )
            else:
                before_all = n == 0 and len(parts) > len(self.spans)
                self._fill(part, self.spans[n], None if before_all else misfit)

    def _doubtful(self, parts: Sequence[_Part]) -> None:
        """The frames that may be slate frames, which are in no part."""
        told = {shot.frame.file for part in parts for shot in part.shots}
        for shot in self.marked.shots:
            if shot.frame.file not in told:
                _leave_open(self.marked, [shot], _either(shot))

    def _begun(self, parts: Sequence[_Part]) -> Sequence[_Part] | None:
        """The parts where a slate frame comes before any other: with it as a mark (the frames
        before it were deleted) or without (the outing began with it), whichever goes together with
        the entries. None where both do, or neither."""
        with_it, without = list(parts), list(parts[1:])
        fitting = [one for one in (with_it, without) if not self._misfit(one)]
        return fitting[0] if len(fitting) == 1 else None

    def _misfit(self, parts: Sequence[_Part]) -> str | None:
        """In words, that there are more marks than entries, or fewer; None where they fit or it
        can't be told. A mark after the last frame changes nothing."""
        if any(part.open for part in parts):
            return None
        count = len(parts) - (len(parts) > 1 and not parts[-1].shots)
        if len(self.spans) in (count, len(parts)):
            return None
        return _counts(parts, self.spans)

    def _parting(self, parts: Sequence[_Part], n: int, misfit: str) -> str | None:
        """In words, that marks and entries part at this part; None where they don't."""
        belied = self._belied(parts, n, misfit)
        if belied is None and n + 1 < len(parts) < len(self.spans):
            # The slate frame that wasn't made may be missing within it: its end tells.
            belied = self._belied(parts, n + 1, misfit)
        return belied

    def _belied(self, parts: Sequence[_Part], n: int, misfit: str) -> str | None:
        """In words, that at this part's mark the light steps otherwise than logged; None where it
        doesn't, or the frames tell nothing of the light."""
        if not 0 < n < len(self.spans):
            return None
        old, new = self.stops[n - 1], self.stops[n]
        before = self._light(parts[n - 1].shots[-_NEAR:])
        after = self._light(parts[n].shots[:_NEAR])
        part = f"{_name(parts[n])} and line {self.spans[n].setting.line} part: {misfit}, and"
        if before is None or after is None:
            return None
        if old is None or new is None:
            return f"{part} the light can't bear out the entry"
        if abs((after - before) - (old - new)) < _AS_LOGGED:
            return None
        return (
            f"{part} the light steps by {after - before:+.1f} stops there, "
            f"not by {old - new:+.1f} as logged"
        )

    def _light(self, shots: Sequence[Shot]) -> float | None:
        found = [light for shot in shots if (light := self.light[shot.frame.file]) is not None]
        return median(found) if found else None

    def _beyond(self, part: _Part, reason: str) -> None:
        """No entry is left for these."""
        self._change(part, None, self.spans[-1])
        for shot in part.shots:
            standing = Standing(outcome=Outcome.UNLOGGED, reason=reason)
            self.marked.settled[shot.frame.file] = standing

    def _fill(self, part: _Part, span: Span, misfit: str | None) -> None:
        self._change(part, span.setting, span)
        if misfit:
            text = f"{misfit}: if the error lies before this frame, another entry holds here"
            for shot in part.shots:
                doubt = Doubt(DoubtKind.NEAR_CHANGE, text)
                self.marked.doubts[self.places[shot.frame.file]] = doubt

    def _change(self, part: _Part, setting: Setting | None, span: Span) -> None:
        if part.shots:
            place = self.places[part.shots[0].frame.file]
            log, line = span.setting.log, span.setting.line
            changes = self.marked.changes
            before = changes[-1].setting if changes else None
            changes.append(Change(log, line, setting, before, (place,)))


def _either(shot: Shot) -> str:
    name = shot.frame.stem
    return (
        f"{name} may be a slate frame or a dark picture: "
        f"say `slate {name}` or `not-slate {name}` in the log"
    )


def _name(part: _Part) -> str:
    assert part.mark is not None
    return f"slate frame {part.mark.frame.stem}"


def _counts(parts: Sequence[_Part], spans: Sequence[Span]) -> str:
    marks, thens = len(parts) - 1, len(spans) - 1
    many = f"{marks} slate frame{'s' * (marks != 1)} (several in a row count as one)"
    return f"{many} for {thens} `then`"
