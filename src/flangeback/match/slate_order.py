"""Entries by the order of slate frames: which of them holds for which shots of a body."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise

from flangeback.clock.model import SECOND
from flangeback.match.brightness import FrameLight
from flangeback.match.changes import Change, Doubts
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import Outcome
from flangeback.match.outcomes import Standing
from flangeback.match.shots import Shot
from flangeback.match.slate_fit import Fit, OrderEntry, Part
from flangeback.match.slates import BY_PICTURE, SlateSign, slate_signs

_TO_MARK = 3 * SECOND
"""Microseconds from the last picture to the next in which nobody covers the lens, bares it again
and changes anything (common practice)."""
_SAME_GAIN, _SAME_LIGHT = 0.2, 0.7
"""Stops within which exposures are the same, and within which scenes differ."""


@dataclass(frozen=True, slots=True)
class SlateLines:
    """The files that the log calls slate frames, and those that it says are none."""

    slates: Collection[str] = ()
    not_slates: Collection[str] = ()


@dataclass(frozen=True, slots=True)
class SlateOrder:
    """A body's shots without its slate frames, and the changes among them.

    With them come the files whose outcome is settled (slate frames, and shots whose entry can't be
    told or isn't there), and doubts.
    """

    shots: tuple[Shot, ...]
    changes: tuple[Change, ...] = ()
    settled: Mapping[str, Standing] = field(default_factory=dict)
    doubts: Doubts = field(default_factory=dict)


def by_slates(
    shots: Sequence[Shot],
    lights: Sequence[FrameLight],
    entries: Sequence[OrderEntry],
    lines: SlateLines,
    disorder: str | None = None,
) -> SlateOrder:
    """The shots of one body by its entries `first` and `then`; each shot with its light.

    Where slate frames and entries don't fit, or a slate frame is doubtful, what comes after is left
    open. So is all where `disorder` says why the order of the shots isn't sure.
    """
    signs = _signs(shots, lights, lines)
    if len(entries) == 1 and set(signs) <= {SlateSign.NO}:
        # One entry and no mark: it holds in whatever order the shots were made.
        disorder = None
    settled = _settled(shots, signs, lines, disorder)
    kept = tuple(shot for shot, sign in zip(shots, signs, strict=True) if sign != SlateSign.YES)
    if disorder is not None:
        return SlateOrder(kept, settled=settled)
    parts = list(_parts(shots, signs))
    by_file = {shot.frame.file: one for shot, one in zip(shots, lights, strict=True)}
    # Flash that is set for each f-number tells nothing of it.
    is_flash = _hides_changes(parts, entries, by_file)
    through = {file: None if is_flash else one.through for file, one in by_file.items()}
    places = {shot.frame.file: place for place, shot in enumerate(kept)}
    changes: list[Change] = []
    doubts: dict[int, tuple[Doubt, ...]] = {}
    for part, told in Fit(parts, entries, through).told():
        if told.outcome is not None:
            standing = Standing(outcome=told.outcome, reason=told.text)
            settled |= dict.fromkeys([shot.frame.file for shot in part.shots], standing)
        elif told.text is not None:
            doubt = Doubt(DoubtKind.NEAR_CHANGE, told.text)
            doubts |= {places[shot.frame.file]: (doubt,) for shot in part.shots}
        if part.shots and told.outcome is not Outcome.UNSURE:
            setting = told.entry.setting if told.entry else None
            claim = setting or entries[-1].setting
            before = changes[-1].setting if changes else None
            at = (places[part.shots[0].frame.file],)
            changes.append(Change(claim.log, claim.line, setting, before, at))
    return SlateOrder(kept, tuple(changes), settled, doubts)


def _settled(
    shots: Sequence[Shot],
    signs: Sequence[SlateSign],
    lines: SlateLines,
    disorder: str | None,
) -> dict[str, Standing]:
    """The files whose outcome is known by their own picture, or all where the order isn't sure."""
    settled: dict[str, Standing] = {}
    for shot, sign in zip(shots, signs, strict=True):
        file = shot.frame.file
        if sign is SlateSign.YES:
            reason = None if file in lines.slates else BY_PICTURE
            settled[file] = Standing(outcome=Outcome.SLATE, reason=reason)
        elif disorder is not None:
            reason = f"in which order they were made isn't sure: {disorder}"
            settled[file] = Standing(outcome=Outcome.UNSURE, reason=reason)
        elif sign is SlateSign.DOUBTFUL:
            settled[file] = Standing(outcome=Outcome.UNSURE, reason=_doubtful(shot))
    return settled


def _hides_changes(
    parts: Sequence[Part], entries: Sequence[OrderEntry], lights: Mapping[str, FrameLight]
) -> bool:
    """Whether exposures and pictures stay as they were at most marks, though f-numbers change."""
    changed = [
        abs(after.stops - before.stops) > _SAME_LIGHT
        for before, after in pairwise(entries)
        if after.stops is not None and before.stops is not None
    ]
    ends = [
        (lights[before.shots[-1].frame.file], lights[after.shots[0].frame.file])
        for before, after in pairwise(parts)
        if before.shots and after.shots
    ]
    stays = [
        abs(one.gain - other.gain) < _SAME_GAIN and abs(one.through - other.through) < _SAME_LIGHT
        for one, other in ends
        if one.gain is not None and other.gain is not None
        if one.through is not None and other.through is not None
    ]
    return 2 * sum(changed) > len(changed) and 2 * sum(stays) > len(stays)


def _signs(
    shots: Sequence[Shot], lights: Sequence[FrameLight], lines: SlateLines
) -> Sequence[SlateSign]:
    """What is a slate frame by its picture, and by the log's word, which stands above."""
    found = []
    signs = slate_signs(lights)
    in_bursts = _in_bursts(shots, signs)
    for at, (shot, sign) in enumerate(zip(shots, signs, strict=True)):
        if sign is SlateSign.YES and at in in_bursts:
            sign = SlateSign.DOUBTFUL
        if shot.frame.file in lines.slates:
            found.append(SlateSign.YES)
        else:
            found.append(SlateSign.NO if shot.frame.file in lines.not_slates else sign)
    return found


def _in_bursts(shots: Sequence[Shot], signs: Sequence[SlateSign]) -> Collection[int]:
    """The slate frames between two pictures of one burst, where readings go on at all."""
    if not shots or shots[0].start == shots[-1].start:
        return ()
    pictures = [at for at, sign in enumerate(signs) if sign is not SlateSign.YES]
    return {
        at
        for last, first in pairwise(pictures)
        if 0 <= shots[first].start - shots[last].start < _TO_MARK
        for at in range(last + 1, first)
    }


def _parts(shots: Sequence[Shot], signs: Sequence[SlateSign]) -> Iterator[Part]:
    """The shots between marks, in their order; the first part has no mark before it."""
    part: list[Shot] = []
    mark: Shot | None = None
    sure, open_ = True, None
    together = zip(shots, signs, strict=True)
    for is_frame, group in groupby(together, key=lambda one: one[1] is SlateSign.NO):
        run = list(group)
        if is_frame:
            part += [shot for shot, _ in run]
            continue
        yield Part(part, mark, sure, open_)
        marks = [shot for shot, sign in run if sign is SlateSign.YES]
        mark, sure, open_ = (marks or [run[0][0]])[0], bool(marks), _why_open(run)
        part = []
    yield Part(part, mark, sure, open_)


def _why_open(run: Sequence[tuple[Shot, SlateSign]]) -> str | None:
    """Why it can't be told how many marks these are.

    None where it can: doubtful frames at the ends of a run of slate frames change nothing.
    """
    sure = [at for at, (_, sign) in enumerate(run) if sign is SlateSign.YES]
    between = run[sure[0] : sure[-1]] if sure else run
    doubtful = [shot for shot, sign in between if sign is SlateSign.DOUBTFUL]
    return _doubtful(doubtful[0]) if doubtful else None


def _doubtful(shot: Shot) -> str:
    name = shot.frame.stem
    return (
        f"{name} may be a slate frame or a dark picture: "
        f"say `slate {name}` or `not-slate {name}` in the log"
    )
