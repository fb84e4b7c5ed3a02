"""Lenses that the log puts on a body while another one has them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from flangeback.match.changes import BodyTimeline, Doubts, standing
from flangeback.match.doubts import Doubt, DoubtKind


def by_moved_lenses(body: str | None, timelines: Mapping[str | None, BodyTimeline]) -> Doubts:
    """Doubts on the shots of a body from the entry on that puts its lens on another body.

    The kit has each lens once: what the body had from then up to its own next entry nobody noted.
    """
    timeline = timelines[body]
    changes, doubts = timeline.changes, dict[int, tuple[Doubt, ...]]()
    numbers = standing(changes, timeline.shots)
    for other, its in timelines.items():
        for line, lens, (start, end) in _mountings(its) if other != body else ():
            so_far = (n for n, one in enumerate(changes, 1) if one.window and one.window[0] < end)
            number = max(so_far, default=0)
            held = changes[number - 1].setting if number else None
            if held is None or held.lens != lens:
                continue
            text = (
                f"line {line} puts {lens} on {other}, and no entry says what was on {body} then "
                "(a second one like it needs a key of its own in the kit)"
            )
            doubts |= {
                at: (Doubt(DoubtKind.NEAR_CHANGE, text),)
                for at, shot in enumerate(timeline.shots)
                if number in numbers[at] and shot.latest > start
            }
    return doubts


def _mountings(timeline: BodyTimeline) -> Iterator[tuple[int, str, tuple[int, int]]]:
    """Where a lens is mounted: the line, the lens's key and when."""
    settings = (change.setting for change in timeline.changes)
    lenses = [None, *(None if setting is None else setting.lens for setting in settings)]
    for change, (before, after) in zip(timeline.changes, pairwise(lenses), strict=True):
        if change.window is not None and after is not None and after != before:
            yield change.line, after, change.window
