"""Steps in the light that no entry explains: a ring may have been turned and no note made."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from statistics import median

from flangeback.evidence.light import Look, Step, find_step
from flangeback.kit.stops import series
from flangeback.match.model import Doubt, DoubtKind
from flangeback.match.scenes import Group, Scenes
from flangeback.sessionlog.model import Setting

_OTHER_BODY = 300.0
"""Seconds around a step in which another body's frames tell of the light."""
_BEYOND = 0.5
"""Stops beyond the ends of a ring that a step may lead to, for what it scatters."""


def light_steps(
    scenes: Scenes, stretches: Iterable[tuple[int, int]], others: Sequence[Scenes]
) -> Mapping[int, Doubt]:
    """The doubts, by place in the body's order. `stretches` are the shots from one logged change
    to the next; `others` the scenes of other bodies, which see the same light."""
    known = [(group, look) for group in scenes.groups if (look := scenes.look(group)) is not None]
    groups, looks = [group for group, _ in known], [look for _, look in known]
    usable = [True] * len(looks)
    doubts: dict[int, Doubt] = {}
    first = 0
    for start, end in stretches:
        while first < len(groups) and groups[first].start < start:
            first += 1
        last = first
        while last < len(groups) and groups[last].end <= end:
            last += 1
        step = find_step(looks, first, last, usable)
        if step is not None and _is_a_ring(scenes, groups[step.place], looks, step, others):
            doubt = _doubt(groups[step.place], step)
            usable[step.place : last] = [False] * (last - step.place)
            doubts.update(dict.fromkeys(range(groups[step.place].start, end), doubt))
        first = last
    return doubts


def _is_a_ring(
    scenes: Scenes, group: Group, looks: Sequence[Look], step: Step, others: Sequence[Scenes]
) -> bool:
    """Whether the ring could be turned as far, and no other body saw the light change."""
    setting = group.setting
    if setting is None or setting.lens is None or setting.f_number is None:
        return False
    lens = scenes.kit.lenses[setting.lens]
    meant = _meant(setting, step)
    if not lens.aperture_ring:
        return False
    widest, narrowest = (2 * math.log2(end) for end in (min(lens.widest), lens.narrowest))
    if not widest - _BEYOND <= 2 * math.log2(meant) <= narrowest + _BEYOND:
        return False
    at = (looks[step.place - 1].at + looks[step.place].at) / 2
    return not any(_saw(other, at, step.size) for other in others)


def _saw(other: Scenes, at: float, size: float) -> bool:
    """Whether the light stepped for this body too."""
    before, after = other.looks_at(at, _OTHER_BODY)
    if not before or not after:
        return False
    step = median(look.value for look in after) - median(look.value for look in before)
    return step / size > 0.5


def _meant(setting: Setting, step: Step) -> float:
    """The f-number, as the ring is marked, that the step would mean: less light at the same
    brightness of the scene is a ring further closed."""
    assert setting.f_number is not None
    return float(setting.f_number) * 2 ** (-step.size / 2)


def _doubt(group: Group, step: Step) -> Doubt:
    assert group.setting is not None
    assert group.setting.f_number is not None
    meant = _meant(group.setting, step)
    mark = min(series("half"), key=lambda stop: abs(math.log2(stop.exact / meant))).mark
    way = "less" if step.size < 0 else "more"
    text = (
        f"from here on {abs(step.size):.1f} stops {way} light comes in, and no entry says why: "
        f"f/{mark} instead of f/{group.setting.f_number:f}, if the ring was turned"
    )
    return Doubt(DoubtKind.LIGHT_STEP, text)
