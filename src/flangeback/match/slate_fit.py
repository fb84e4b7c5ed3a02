"""Which entry by order holds in which part, as far as slate frames and entries go together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from statistics import median

from flangeback.log.model import Setting
from flangeback.match.model import Outcome
from flangeback.match.shots import Shot
from flangeback.match.slate_odds import CERTAIN, MarkedPart, entry_odds
from flangeback.words import count

_AS_LOGGED = 0.7
"""Stops by which the light may step otherwise than logged, where slate frames and entries don't
fit: rings click in halves or whole stops (common practice), and scenes differ by parts of one."""
_NEAR = 5
"""Shots to either side of a slate frame that tell of the light."""
_BELIED = 3.0
"""Stops by which the light steps otherwise than logged where the entry isn't that one."""
_CLEARLY = 1.0
"""Stops by which the light must step more as logged than as any other entry would have it."""
_LEAST_STEADY = 3
"""Shots of a part that show its light steady."""
BY_STEPS = (
    "slate frames and entries don't fit, or a slate frame is doubtful: the steps of the light at "
    "the slate frames tell that this entry holds"
)
NOT_BY_STEPS = (
    "the light steps at the slate frames as if one of them marks nothing, or one was forgotten: "
    "another entry may hold here"
)
_DOUBTED, _LEFT_OPEN = 0.99, 0.7
"""The probabilities of an entry that the count of marks gives, below which a part is doubted, and
left open."""


@dataclass(frozen=True, slots=True)
class OrderEntry:
    """An entry by order; `stops` is 2 log2 of its f-number, None where that isn't known."""

    setting: Setting
    stops: float | None


@dataclass(frozen=True, slots=True)
class Part:
    """Shots from one mark to the next.

    A mark is one slate frame or several in a row; `mark` is its first, or the first doubtful one if
    none is `sure`. `open` says why it can't be told how many marks there are.
    """

    shots: Sequence[Shot]
    mark: Shot | None = None
    sure: bool = True
    open: str | None = None

    @property
    def name(self) -> str:
        """What it begins with, in words."""
        return f"slate frame {self.mark.frame.stem}" if self.mark else "the start"


@dataclass(frozen=True, slots=True)
class Told:
    """What a part comes to: the entry that holds and the reason for a doubt, if any.

    Or an outcome and its reason.
    """

    entry: OrderEntry | None = None
    text: str | None = None
    outcome: Outcome | None = None


class Fit:
    """Gives each part its entry, as far as marks and entries go together.

    `through` is log2 of the light that came through the lens, by file.
    """

    def __init__(
        self,
        parts: Sequence[Part],
        entries: Sequence[OrderEntry],
        through: Mapping[str, float | None],
    ) -> None:
        # A mark after the last frame may end the outing, or be the last entry's.
        self.is_closed = len(parts) > 1 and not parts[-1].shots
        self.parts = parts[:-1] if self.is_closed else parts
        self.entries = entries
        self.through = through

    def told(self) -> Iterator[tuple[Part, Told]]:
        """Each part, or a piece of it, with what it comes to."""
        odds = self._odds()
        if not odds:
            yield from self._by_count()
            return
        for part, told in self._by_count():
            if not part.shots:
                yield part, told
            for each, shots in groupby(part.shots, lambda shot: odds[shot.frame.file]):
                yield replace(part, shots=list(shots)), self._weighed(told, each)

    def _weighed(self, told: Told, odds: Sequence[float]) -> Told:
        """What the count of marks comes to, held against the probabilities of the entries."""
        likeliest = max(range(len(odds)), key=lambda n: odds[n])
        if told.outcome is Outcome.UNSURE and odds[likeliest] >= CERTAIN:
            return Told(self.entries[likeliest], BY_STEPS)
        if told.entry is None:
            return told
        probability = odds[self.entries.index(told.entry)]
        if probability < _LEFT_OPEN:
            return Told(None, NOT_BY_STEPS, Outcome.UNSURE)
        if probability < _DOUBTED and told.text is None:
            return Told(told.entry, NOT_BY_STEPS)
        return told

    def _odds(self) -> Mapping[str, Sequence[float]]:
        """For each file the probability of each entry, however marks are read.

        Empty where the light tells nothing.
        """
        parts = self.parts
        lights = [[self.through[shot.frame.file] for shot in part.shots] for part in parts]
        marked = [
            MarkedPart(
                [one for one in each if one is not None],
                doubtful=not part.sure,
                several=part.sure and part.open is not None,
            )
            for part, each in zip(parts, lights, strict=True)
        ]
        steps = [self._step(before, after) for before, after in pairwise(parts)]
        if not any(steps):
            return {}
        odds = entry_odds(marked, steps, [entry.stops for entry in self.entries])
        return {
            shot.frame.file: each
            for part, each in zip(parts, odds, strict=True)
            for shot in part.shots
        }

    def _by_count(self) -> Iterator[tuple[Part, Told]]:
        parts = self._resolved()
        if len(parts) > 1 and not parts[0].shots and not any(part.open for part in parts):
            # The frames before the first mark were deleted, or the outing began with it.
            fitting = [one for one in (parts, parts[1:]) if not self._misfit(one)]
            if len(fitting) != 1:
                text = f"it isn't sure whether {parts[1].name}, before any frame, marks a change"
                why = f"{text}: {self._counts(parts)}"
                yield from ((part, Told(None, why, Outcome.UNSURE)) for part in parts)
                return
            parts = fitting[0]
        misfit = self._misfit(parts)
        reason: str | None = None
        for n, part in enumerate(parts):
            reason = reason or part.open or (misfit and self._parting(parts, n, misfit))
            yield part, self._one(parts, n, misfit, reason)

    def _resolved(self) -> Sequence[Part]:
        """The parts without doubtful marks, or with them as marks.

        Which it is the count of the entries tells, where it allows only one of the two.
        """
        sure = [part for part in self.parts if part.sure]
        whole = [replace(part, open=None) for part in self.parts]
        found: list[Part] = []
        for part in whole:
            if found and not part.sure:
                found[-1] = replace(found[-1], shots=[*found[-1].shots, *part.shots])
            else:
                found.append(part)
        if len(sure) < len(whole) and not self._misfit(found) and self._borne_out(found):
            return found
        if not self._misfit(whole) and self._borne_out(whole):
            return whole
        return self.parts

    def _borne_out(self, parts: Sequence[Part]) -> bool:
        """Whether the light steps as logged at the doubtful marks and at most of the others."""
        belied = [n for n in range(1, len(parts)) if self._belied(parts, n, "")]
        return 3 * len(belied) <= len(parts) and all(parts[n].sure for n in belied)

    def _one(self, parts: Sequence[Part], n: int, misfit: str | None, reason: str | None) -> Told:
        entries = self.entries
        if reason is not None:
            return Told(None, reason, Outcome.UNSURE)
        if n >= len(entries):
            why = f"{parts[len(entries)].name} has no `then`" + (f": {misfit}" if misfit else "")
            return Told(None, why, Outcome.UNLOGGED)
        if misfit and n == len(parts) - 1 < len(entries) - 1:
            line = entries[n + 1].setting.line
            why = f"`then` in line {line} has no slate frame: {misfit}"
            return Told(None, why, Outcome.UNSURE)
        if misfit is None or (n == 0 and len(parts) > len(entries)):
            doubt = self._why_doubted(parts, n)
            if doubt and self._is_belied(parts, n):
                return Told(None, doubt, Outcome.UNSURE)
            return Told(entries[n], doubt)
        text = f"{misfit}: if the error lies before this frame, another entry holds here"
        if self._is_ambiguous(parts, n):
            return Told(None, text, Outcome.UNSURE)
        return Told(entries[n], text)

    def _why_doubted(self, parts: Sequence[Part], n: int) -> str | None:
        """In words, what speaks against the entry of a part though the counts fit."""
        doubtful = next((part.name for part in parts[1 : n + 1] if not part.sure), None)
        if doubtful:
            return f"{doubtful} may be a dark picture, but counts as a mark: {self._counts(parts)}"
        if len(self.entries) > len(parts):
            line = self.entries[-1].setting.line
            return f"`then` in line {line} meets no frame: a slate frame may have been forgotten"
        left_out = next((part.name for part in self.parts if not part.sure), None)
        if n and left_out:
            return f"{left_out} counts as a picture: if it is a mark, another entry may hold here"
        return None

    def _misfit(self, parts: Sequence[Part]) -> str | None:
        """In words, that there are more marks than entries, or fewer.

        None where they fit or it can't be told.
        """
        least = len(parts) - sum(bool(part.open) and not part.sure for part in parts)
        most = len(parts) + self.is_closed
        return None if least <= len(self.entries) <= most else self._counts(parts)

    def _counts(self, parts: Sequence[Part]) -> str:
        marks = count(len(parts) - 1 + self.is_closed, "slate frame")
        return f"{marks} (several in a row count as one) for {len(self.entries) - 1} `then`"

    def _parting(self, parts: Sequence[Part], n: int, misfit: str) -> str | None:
        """In words, that marks and entries part at this part; None where they don't."""
        belied = self._belied(parts, n, misfit)
        may_hold_another = n + 1 < len(parts) < len(self.entries) and not self._is_steady(parts, n)
        if belied is None and may_hold_another:
            # The slate frame that wasn't made may be missing within it: its end tells.
            belied = self._belied(parts, n + 1, misfit)
        return belied

    def _is_belied(self, parts: Sequence[Part], n: int) -> bool:
        """Whether the light at a part's mark speaks against its entry, or doesn't speak for it.

        The latter where a doubtful mark was left out of the count.
        """
        steps = self._steps(parts, n)
        if steps is not None and abs(steps[0] - steps[1]) > _BELIED:
            return True
        is_left_out = len(parts) < len(self.parts)
        return is_left_out and self._is_ambiguous(parts, n)

    def _is_ambiguous(self, parts: Sequence[Part], n: int) -> bool:
        """Whether the light's step at a part's mark may as well be that of another entry.

        That is of the one before or after, as far as marks are too many or too few; or of none.
        """
        steps = self._steps(parts, n)
        if steps is None:
            return False
        least, most = (n - 2, n - 1) if len(parts) > len(self.entries) else (n, n + 1)
        shifted = self.entries[max(0, least)], self.entries[min(most, len(self.entries) - 1)]
        old, new = (entry.stops for entry in shifted)
        other = 0.0 if old is None or new is None else old - new
        return min(abs(steps[0] - other), abs(steps[0])) - abs(steps[0] - steps[1]) < _CLEARLY

    def _is_steady(self, parts: Sequence[Part], n: int) -> bool:
        """Whether the light within a part rules out that the next entry was made there, too."""
        old, new = self.entries[n].stops, self.entries[n + 1].stops
        lights = (self.through[shot.frame.file] for shot in parts[n].shots)
        known = [light for light in lights if light is not None]
        if old is None or new is None or len(known) < _LEAST_STEADY:
            return False
        return max(known) - min(known) < abs(new - old) / 2

    def _belied(self, parts: Sequence[Part], n: int, misfit: str) -> str | None:
        """In words, that at this part's mark the light steps otherwise than logged.

        None where it doesn't, or the frames tell nothing of the light.
        """
        if not 0 < n < min(len(self.entries), len(parts)):
            return None
        steps = self._steps(parts, n)
        line = self.entries[n].setting.line
        part = f"{parts[n].name} and line {line} part: {misfit}, and"
        if steps is None:
            noted = None not in (self.entries[n - 1].stops, self.entries[n].stops)
            seen = self._light(parts[n - 1].shots) and self._light(parts[n].shots)
            return None if noted or not seen else f"{part} the light can't bear out the entry"
        if abs(steps[0] - steps[1]) < _AS_LOGGED:
            return None
        return f"{part} {_in_words(steps)}"

    def _steps(self, parts: Sequence[Part], n: int) -> tuple[float, float] | None:
        """By how many stops the light steps at a part's mark, and by how many as logged."""
        if not 0 < n < min(len(self.entries), len(parts)):
            return None
        old, new = self.entries[n - 1].stops, self.entries[n].stops
        step = self._step(parts[n - 1], parts[n])
        if step is None or old is None or new is None:
            return None
        return step, old - new

    def _step(self, before: Part, after: Part) -> float | None:
        """By how many stops the light steps from part to part; None where it isn't known."""
        old, new = self._light(before.shots[-_NEAR:]), self._light(after.shots[:_NEAR])
        return None if old is None or new is None else new - old

    def _light(self, shots: Sequence[Shot]) -> float | None:
        known = [light for shot in shots if (light := self.through[shot.frame.file]) is not None]
        return median(known) if known else None


def _in_words(steps: tuple[float, float]) -> str:
    return f"the light steps by {steps[0]:+.1f} stops there, not by {steps[1]:+.1f} as logged"
