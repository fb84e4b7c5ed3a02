"""The light of frames that go by an entry that names them: the doubt light-step, as under times."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

from flangeback.kit.model import Kit
from flangeback.match.brightness import Pictures
from flangeback.match.changes import BodyTimeline, Change, setting_of, standing, values
from flangeback.match.doubts import Doubt
from flangeback.match.exposure import body_light
from flangeback.match.index import LogIndex
from flangeback.match.light import light_steps, weigh
from flangeback.match.shots import Shot


def steps_by_name(
    lines: Mapping[str | None, BodyTimeline],
    index: LogIndex,
    kit: Kit,
    pictures: Pictures,
    apart: Collection[str],
) -> Mapping[str, Doubt]:
    """The doubts light-step by file, of the shots of each body that entries by name hold for.

    The light of the files that stand `apart` is no scene's.
    """
    by_name = index.by_name
    named = {key: [*_named(line, index.named, by_name)] for key, line in lines.items()}
    changes = {key: [*_changes(shots, index.named)] for key, shots in named.items()}
    lights = {
        key: body_light(shots, changes[key], kit.bodies.get(key or ""), kit, pictures, apart)
        for key, shots in named.items()
    }
    steps = {}
    for key, shots in named.items():
        others = [light for other, light in lights.items() if other != key]
        light = weigh(lights[key], others)
        for at, doubts in light_steps(changes[key], light, len(shots)).items():
            steps[shots[at].frame.file] = doubts[-1]
    return steps


def _named(
    line: BodyTimeline, named: Mapping[str, Change], by_name: Collection[str]
) -> Iterator[Shot]:
    """The shots whose entries are those that name them; for others an entry by time may hold."""
    for shot, numbers in zip(line.shots, standing(line.changes, line.shots), strict=True):
        is_said = any(setting_of(line.changes, number) for number in numbers)
        if shot.frame.file in (by_name if is_said else named):
            yield shot


def _changes(shots: Sequence[Shot], named: Mapping[str, Change]) -> Iterator[Change]:
    """The changes among shots that are all named: each lies where the values differ."""
    before = None
    for at, change in enumerate(named[shot.frame.file] for shot in shots):
        setting = change.setting
        if setting is not None and (before is None or values(before) != values(setting)):
            yield Change(change.log, change.line, setting, before, (at,))
            before = setting
