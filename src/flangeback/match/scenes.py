"""The brightness of what a body saw, shot by shot, where its f-number is known.

log2(scene) = log2(N^2 / (t * S/100)) + the picture's own brightness (APEX; CIPA DC-008).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import median

from flangeback.clock.model import SECOND
from flangeback.evidence.light import Look, scatter, sides
from flangeback.evidence.pictures import PictureReader
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.match.judging import same_lens, shared_fill
from flangeback.match.order import Order
from flangeback.match.timeline import Timeline
from flangeback.sessionlog.model import Setting, Span

_ONE_LOOK = 3 * SECOND
"""Microseconds. Frames that follow each other as quickly show one scene: seen twice, it counts
once."""
_READ_OF_A_LOOK = 3
_AROUND = 16
"""Looks to either side of a change that its light is taken from."""


@dataclass(frozen=True, slots=True)
class Group:
    """Shots from `start` to `end` in the order, of one scene at one f-number."""

    start: int
    end: int
    setting: Setting | None


class Scenes:
    """What one body saw. Pictures are read where they are asked for, and each once."""

    def __init__(
        self,
        order: Order,
        by_name: Mapping[str, Span],
        kit: Kit,
        body: Body | None,
        pictures: PictureReader,
    ) -> None:
        self.order = order
        self.kit = kit
        self.body = body
        self.groups: Sequence[Group] = ()
        self._by_name = by_name
        self._pictures = pictures
        self._light: dict[int, float | None] = {}
        self._stops: dict[tuple[str | None, str | None, Decimal | None], float | None] = {}
        self._looks: dict[Group, Look | None] = {}
        self._starts: list[int] = []

    def settle(self, timeline: Timeline) -> None:
        """Take the settings of the shots that are certain from a timeline of places."""
        groups: list[Group] = []
        for at, shot in enumerate(self.order.shots):
            settings = self._settings(shot.frame, timeline, at)
            if len(settings) != 1:
                continue
            setting = settings[0]
            last = groups[-1] if groups else None
            if last is not None and last.end == at and last.setting == setting:
                gap = shot.start - self.order.shots[at - 1].start
                if gap <= _ONE_LOOK and not self._own_stop(shot.frame, setting):
                    groups[-1] = Group(last.start, at + 1, setting)
                    continue
            groups.append(Group(at, at + 1, setting))
        self.groups = groups
        self._starts = [group.start for group in groups]

    def _settings(self, frame: Frame, timeline: Timeline, at: int) -> tuple[Setting | None, ...]:
        span = self._by_name.get(frame.file)
        return timeline.settings(at, at + 1) if span is None else (span.setting,)

    # Numbers -----------------------------------------------------------------------------------

    def light(self, at: int) -> float | None:
        """log2 of the light that came through the lens to this shot; None where it isn't known."""
        if at not in self._light:
            frame = self.order.shots[at].frame
            time, iso = frame.exposure.time, frame.exposure.iso
            picture = None if time is None or iso is None else self._pictures(frame)
            if time is None or iso is None or picture is None:
                self._light[at] = None
            else:
                self._light[at] = picture.brightness - math.log2(float(time) * iso / 100)
        return self._light[at]

    def stops(self, setting: Setting | None) -> float | None:
        """log2 N^2 of a setting, as the light takes it; None where N isn't known."""
        if setting is None or setting.lens is None:
            return None
        key = setting.lens, setting.adapter, setting.f_number
        if key not in self._stops:
            lens = self.kit.lenses[setting.lens]
            f_number = shared_fill([setting], lens, self.body, self.kit).f_number
            self._stops[key] = None if f_number is None else 2 * math.log2(f_number)
        return self._stops[key]

    def _own_stop(self, frame: Frame, setting: Setting | None) -> float | None:
        """log2 N^2 as the frame itself says, where another lens than the logged one was on."""
        data = frame.lens_data
        if data.f_number is None or not data.says_lens:
            return None
        lens = setting.lens if setting else None
        if lens is not None and same_lens(self.kit.lenses[lens], data):
            return None
        return 2 * math.log2(data.f_number)

    def look(self, group: Group) -> Look | None:
        """What a group of shots saw; None where their light or f-number isn't known."""
        if group not in self._looks:
            own = self._own_stop(self.order.shots[group.start].frame, group.setting)
            stops = self.stops(group.setting) if own is None else own
            self._looks[group] = (
                None if stops is None else self._look(group.start, group.end, stops)
            )
        return self._looks[group]

    def _look(self, start: int, end: int, stops: float) -> Look | None:
        """The first of the shots, the middle and the last stand for all."""
        read = sorted({start, (start + end - 1) // 2, end - 1})[:_READ_OF_A_LOOK]
        found = [light for at in read if (light := self.light(at)) is not None]
        if not found:
            return None
        true = self.order.shots[start].true
        return Look((true.earliest + true.latest) / 2 / SECOND, median(found) + stops)

    # Around a place ----------------------------------------------------------------------------

    def before(self, place: int) -> list[Look]:
        """The looks before a place of the order, the nearest last."""
        last = bisect_left(self._starts, place)
        return self._known(self.groups[max(0, last - _AROUND) : last])

    def after(self, place: int) -> list[Look]:
        """The looks after a place of the order, the nearest first."""
        first = bisect_left(self._starts, place)
        return self._known(self.groups[first : first + _AROUND])

    def _known(self, groups: Sequence[Group]) -> list[Look]:
        return [look for group in groups if (look := self.look(group)) is not None]

    def sides(
        self, first: int, last: int, spans: Sequence[range], old: Setting, new: Setting
    ) -> list[int]:
        """For each span of shots between two places where a ring may have been turned: -1 when it
        was made before that, 1 when after, 0 when the light doesn't tell."""
        unknown = [0] * len(spans)
        stops = self.stops(old), self.stops(new)
        if stops[0] is None or stops[1] is None:
            return unknown
        before, after = self.before(first), self.after(last)
        spread = scatter([*before, *after], len(before))
        if spread is None:
            return unknown
        pairs, where = [], []
        for n, span in enumerate(spans):
            look = self._look(span.start, span.stop, 0.0)
            if look is not None:
                where.append(n)
                pairs.append(
                    (Look(look.at, look.value + stops[0]), Look(look.at, look.value + stops[1]))
                )
        for n, side in zip(where, sides(before, after, pairs, spread), strict=True):
            unknown[n] = side
        return unknown

    # At a time ---------------------------------------------------------------------------------

    def looks_at(self, time: float, reach: float) -> tuple[list[Look], list[Look]]:
        """The looks up to `reach` seconds before a time (seconds), and after it."""
        place = bisect_right(self.order.shots, time * SECOND, key=lambda shot: shot.true.earliest)
        before = [look for look in self.before(place)[-5:] if time - look.at <= reach]
        return before, [look for look in self.after(place)[:5] if look.at - time <= reach]
