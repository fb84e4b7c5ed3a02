"""A body's changes in the order of time, each as closely as it was noted."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from flangeback.clock.model import instant
from flangeback.log.model import Moment, Setting, Span


@dataclass(frozen=True, slots=True)
class Change:
    """From somewhere in `earliest` to `latest` (microseconds, the end not included), `setting`
    holds; None where the log claims nothing more. `log` and `line` say where that stands."""

    earliest: int
    latest: int
    setting: Setting | None
    log: str = ""
    line: int = 0


class Timeline:
    """The settings that may have held at a time, for one body."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self._take(change for span in spans for change in _changes(span))

    @classmethod
    def of(cls, changes: Iterable[Change]) -> Timeline:
        """The timeline of changes; its instants may be any count that rises with time."""
        timeline = cls(())
        timeline._take(changes)
        return timeline

    def _take(self, taken: Iterable[Change]) -> None:
        by_log: dict[str, list[Change]] = {}
        for change in taken:
            by_log.setdefault(change.log, []).append(change)
        changes = [change for log in by_log.values() for change in _in_order(log)]
        changes.sort(key=lambda change: change.earliest)
        self.changes: Sequence[Change] = changes
        self._earliest = [change.earliest for change in changes]
        # The latest so far: rising, so that it can be searched, though precisions are mixed.
        self._latest = list(accumulate((change.latest for change in changes), max))

    def settings(self, earliest: int, latest: int) -> tuple[Setting | None, ...]:
        """What may have stood on the body from `earliest` up to `latest`, the likeliest order
        being the log's; None stands for a stretch that the log says nothing about."""
        return tuple(
            self.changes[era - 1].setting if era else None for era in self.eras(earliest, latest)
        )

    def eras(self, earliest: int, latest: int) -> tuple[int, ...]:
        """The same as counts of the changes that had been made."""
        first = bisect_right(self._latest, earliest)
        last = bisect_left(self._earliest, latest)
        found = []
        for n in range(first, last + 1):
            ended = n < len(self.changes) and self.changes[n].latest <= earliest
            if ended and n < last:
                continue
            found.append(n)
        return tuple(found)


def _changes(span: Span) -> Iterable[Change]:
    if span.start is not None:
        yield _change(span.start, span.setting, span)
    if span.end is not None:
        yield _change(span.end, None, span)


def _in_order(changes: Sequence[Change]) -> Iterable[Change]:
    """The changes of one log, narrowed by its order: each falls between those around it.

    Where the log contradicts itself, all between the two moments is open.
    """
    earliest = accumulate((change.earliest for change in changes), max)
    latest = [*accumulate((change.latest for change in reversed(changes)), min)][::-1]
    for change, start, end in zip(changes, earliest, latest, strict=True):
        yield replace(change, earliest=min(start, end), latest=max(start, end))


def _change(moment: Moment, setting: Setting | None, span: Span) -> Change:
    return Change(
        instant(moment.earliest),
        instant(moment.latest),
        setting,
        span.setting.log,
        span.setting.line,
    )
