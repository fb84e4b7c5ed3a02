"""What the frames themselves tell where the log leaves a change open.

Each kind of evidence is a function `(shots, changes) -> (changes, doubts)`: it keeps of a change's
places those that it can't rule out, and raises doubts. They stand in a row, and each takes what the
one before it left.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from flangeback.clock.checks import set_back
from flangeback.kit.model import Kit
from flangeback.match.brightness import FrameLight, PictureReader
from flangeback.match.changes import BodyTimeline, Change, Doubts, setting_of, standing
from flangeback.match.doubts import DoubtKind
from flangeback.match.exposure import BodyLight, body_light, hypothesis
from flangeback.match.index import BodyLog, LogIndex
from flangeback.match.light import by_light
from flangeback.match.model import Source
from flangeback.match.outcomes import Standing
from flangeback.match.pauses import by_pauses
from flangeback.match.slate_order import OrderEntry, SlateLines, by_slates

_SOURCES = {DoubtKind.PLACED_IN_GAP: Source.PAUSE}
"""What tells a shot that carries such a doubt, and that the log alone left open."""


@dataclass(frozen=True, slots=True)
class BodyEvidence:
    """What log and evidence come to for one body. `settled` has the files of which it is certain
    what they come to, whatever stood: slate frames, for one."""

    timeline: BodyTimeline
    by: Source = Source.LOG
    settled: Mapping[str, Standing] = field(default_factory=dict)
    doubts: Doubts = field(default_factory=dict)

    def after(self, changes: Sequence[Change], doubts: Doubts) -> BodyEvidence:
        """The same once one more kind of evidence has spoken."""
        both = {
            at: (*self.doubts.get(at, ()), *doubts.get(at, ())) for at in {**self.doubts, **doubts}
        }
        timeline = replace(self.timeline, changes=tuple(changes))
        return replace(self, timeline=timeline, doubts=both)

    def standings(self) -> Iterator[tuple[str, Standing]]:
        """What may have stood when each of its files was made."""
        yield from self.settled.items()
        shots, changes = self.timeline.shots, self.timeline.changes
        for at, numbers in enumerate(standing(changes, shots)):
            if shots[at].frame.file not in self.settled:
                doubts = self.doubts.get(at, ())
                told = (_SOURCES[doubt.kind] for doubt in doubts if doubt.kind in _SOURCES)
                settings = tuple(setting_of(changes, number) for number in numbers)
                yield shots[at].frame.file, Standing(settings, next(told, self.by), doubts)


def weigh_evidence(
    index: LogIndex, kit: Kit, pictures: PictureReader
) -> Mapping[str | None, BodyEvidence]:
    """What log and evidence come to, by body. `pictures` gives the light of a frame's picture."""
    found: dict[str | None, BodyEvidence] = {}
    lights: dict[str | None, BodyLight] = {}
    for key, log in index.by_body.items():
        begun = _by_log(key, log, index, kit, pictures)
        found[key] = begun.after(*by_pauses(begun.timeline.shots, begun.timeline.changes))
        timeline = found[key].timeline
        body = kit.bodies.get(key or "")
        lights[key] = body_light(
            timeline.shots, timeline.changes, body, kit, pictures, index.by_name
        )
    # All bodies are under one sky: what the others saw tells of the light.
    for key, one in found.items():
        others = [light for other, light in lights.items() if other != key]
        shots, changes = one.timeline.shots, one.timeline.changes
        found[key] = one.after(*by_light(shots, changes, lights[key], others))
    return found


def _by_log(
    key: str | None, log: BodyLog, index: LogIndex, kit: Kit, pictures: PictureReader
) -> BodyEvidence:
    """What the entries of one body come to, by time or by the order of slate frames."""
    if not log.by_order:
        return BodyEvidence(log.timeline)
    shots = log.timeline.shots
    body = kit.bodies.get(key or "")
    entries = []
    for span in log.by_order:
        one = hypothesis(0, span.setting, body, kit)
        entries.append(OrderEntry(span.setting, one.stops if one else None))
    lights = [FrameLight.of(shot.frame, pictures(shot.frame)) for shot in shots]
    disorder = set_back([shot.frame for shot in shots], log.timeline.clock.zone)
    lines = SlateLines(index.slates, index.not_slates)
    told = by_slates(shots, lights, entries, lines, disorder)
    timeline = replace(log.timeline, shots=told.shots, changes=told.changes)
    return BodyEvidence(timeline, Source.ORDER, told.settled, told.doubts)
