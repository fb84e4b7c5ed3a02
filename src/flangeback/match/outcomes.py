"""From what may have stood on the body, and what the frame already says, to its outcome."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from flangeback.frames.maker_note import noted_lens
from flangeback.frames.model import Frame, LensData
from flangeback.kit.model import AdapterKind, Body, Kit, Lens
from flangeback.kit.names import same_lens
from flangeback.log.model import Setting
from flangeback.match.changes import values
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.model import NO_ENTRY, Estimate, FrameMatch, Outcome, Source
from flangeback.match.sensors import BodySensor
from flangeback.tags.decide import Fill, make_fill
from flangeback.tags.table import Tag
from flangeback.words import f_number, focal_length, number

SAME_F_NUMBER = Fraction(3, 100)
"""Relative. The marks are rounded (f/5.6 is 5.657, ISO 517) and bodies write either; a third of a
stop is 12 %."""
SAME_FOCAL_LENGTH = Fraction(2, 100)
"""Relative. What a lens says of itself is rounded to whole mm."""
FALSE_REGISTER = Fraction(5, 100)
"""Relative; beyond it the stabiliser worked with a wrong focal length. (Bodies take whole mm, and
some only certain steps.)"""


@dataclass(frozen=True, slots=True)
class Standing:
    """What may have stood on the body when a frame was made, and what tells it.

    `settings` are in the log's order; None among them stands for a stretch of which the log says
    nothing. `outcome` is set where the frame comes to it whatever stood, with `reason` in words.
    `estimate` is the light's own of the f-number. With `is_open` it is left blank, though only one
    setting is claimed: what stood before the first entry may have stood on. `by_rival` is what
    may have stood by another clock, where that is the likelier. `contested` says in words that the
    settings are those of entries which differ, and no change from one to the other.
    """

    settings: tuple[Setting | None, ...] = (None,)
    by: Source | None = None
    doubts: tuple[Doubt, ...] = ()
    outcome: Outcome | None = None
    reason: str | None = None
    estimate: Estimate | None = None
    is_open: bool = False
    by_rival: tuple[Setting | None, ...] = ()
    contested: str | None = None

    def beside(self, order: Standing, ordered: Sequence[Setting]) -> Standing:
        """The same where the log has an `order` of slate frames too: what both say is certain.

        Of all its entries (`ordered`) the one by time is one, where it can't be told which holds.
        """
        is_certain = order.outcome is None and any(order.settings)
        is_told = self.outcome is None and any(self.settings)
        if order.outcome is Outcome.SLATE or (is_certain and not is_told):
            return order
        if not is_told or (not is_certain and order.outcome is not Outcome.UNSURE):
            return self
        claims = ordered if order.outcome else tuple(filter(None, order.settings))
        own = [one for one in self.settings if one is not None]
        if order.outcome and {values(one) for one in own} <= {values(one) for one in claims}:
            text = f"by time alone, since {order.reason}"
            return replace(self, doubts=(*self.doubts, Doubt(DoubtKind.NEAR_CHANGE, text)))
        line = f"line {claims[0].line}, by the order of slate frames, and line {own[-1].line}"
        both = (*claims, *self.settings)
        return replace(self, settings=both, is_open=False, contested=f"{line} say different things")


class Circumstances(NamedTuple):
    """What is known of a frame besides.

    Its body and that one's sensor, its true time and whether that is sure, and the `doubts` that
    don't hang on what stood on the body.
    """

    body: Body | None = None
    sensor: BodySensor | None = None
    time: datetime | None = None
    time_sure: bool = False
    doubts: tuple[Doubt, ...] = ()


class Rewriting(Enum):
    """Which values that contradict the log a fill may put its own in the place of."""

    NOTHING = "nothing"
    OWN = "own"
    """Those that flangeback wrote; so no lens with contacts gave them."""
    ANY = "any"


class _Comparison(NamedTuple):
    """A fill held against what one file carries."""

    outcome: Outcome
    stale: frozenset[Tag] = frozenset()
    doubts: tuple[Doubt, ...] = ()
    reason: str | None = None


def judge(
    frame: Frame, standing: Standing, around: Circumstances, kit: Kit, over: Rewriting
) -> FrameMatch:
    """What the frame comes to; `over` says what that contradicts the log is written over."""
    both = (*standing.by_rival, *standing.settings)
    claims = [setting for setting in both if setting is not None]
    is_open = standing.is_open or (bool(standing.by_rival) and None in both)
    latest = claims[-1] if claims and standing.outcome is None else None
    fill = None
    found = _Comparison(standing.outcome or Outcome.UNLOGGED, reason=standing.reason)
    if standing.outcome is None and latest is None:
        found = found._replace(reason=standing.reason or NO_ENTRY)
    elif latest is not None and (is_open or len({setting.lens for setting in claims}) > 1):
        found = _Comparison(Outcome.UNSURE)
    elif latest is not None and latest.lens is None:
        found = _Comparison(Outcome.NATIVE)
    elif latest is not None and latest.lens is not None:
        fill = shared_fill(claims, kit.lenses[latest.lens], around.body, kit)
        found = _strictest([_compared(fill, file, kit, over) for file in frame.files])
        if around.sensor is not None:
            equivalent = around.sensor.equivalent(frame, fill.focal_length)
            fill = _with_equivalent(fill, equivalent)
    near = () if latest is None else _near_change(standing)
    on_sensor = () if around.sensor is None or fill is None else around.sensor.doubts(frame)
    filled = found.outcome.is_filled and fill is not None and fill.focal_length is not None
    own = (*near, *found.doubts)
    return FrameMatch(
        frame,
        found.outcome,
        around.body.key if around.body else None,
        around.time,
        fill,
        found.stale,
        (*own, *_told(standing, own, fill), *around.doubts, *(on_sensor if filled else ())),
        latest.log if latest else None,
        latest.line if latest else None,
        found.reason,
        around.time_sure,
        standing.by if latest else None,
        _estimate(fill, standing, claims, around.body, kit),
    )


@lru_cache(maxsize=256)
def _with_equivalent(fill: Fill, equivalent: int | None) -> Fill:
    """The fill of all frames of a span."""
    return replace(fill, focal_length_35mm=equivalent)


def _estimate(
    fill: Fill | None,
    standing: Standing,
    claims: Sequence[Setting],
    body: Body | None,
    kit: Kit,
) -> Estimate | None:
    """What the light makes of an f-number that stays open, or that it objects to.

    As far as the lenses that may have been on can be set.
    """
    objects = any(doubt.kind is DoubtKind.LIGHT_STEP for doubt in standing.doubts)
    if standing.estimate is None or not (fill is None or fill.f_number is None or objects):
        return None
    ends: list[Decimal] = []
    for lens in {one.lens for one in claims if one.lens is not None}:
        own = [one for one in claims if one.lens == lens]
        factor = shared_fill(own, kit.lenses[lens], body, kit).factor
        if factor is None:
            return standing.estimate
        ends += [kit.lenses[lens].widest[0] * factor, kit.lenses[lens].limit * factor]
    return standing.estimate.within(float(min(ends)), float(max(ends))) if ends else None


def _told(standing: Standing, own: Sequence[Doubt], fill: Fill | None) -> Iterator[Doubt]:
    """The doubts that evidence raises, once each kind; on light only where an f-number is told."""
    kinds = {doubt.kind for doubt in own}
    if fill is None or fill.f_number is None:
        kinds.add(DoubtKind.LIGHT_STEP)
    yield from (doubt for doubt in standing.doubts if doubt.kind not in kinds)


_STRICTEST_FIRST = (Outcome.CONFLICT, Outcome.PARTIAL, Outcome.FILL, Outcome.AGREE)


def _strictest(found: Sequence[_Comparison]) -> _Comparison:
    """The comparison of a frame of several files.

    One that is in conflict leaves the frame alone, one that lacks something has it filled.
    """
    if len(found) == 1:
        return found[0]
    first = min(found, key=lambda one: _STRICTEST_FIRST.index(one.outcome))
    stale = frozenset(tag for one in found for tag in one.stale)
    doubts = dict.fromkeys(doubt for one in found for doubt in one.doubts)
    return first._replace(stale=stale, doubts=tuple(doubts))


def _near_change(standing: Standing) -> tuple[Doubt, ...]:
    """The doubt on a frame that more than one setting may have made."""
    settings = standing.settings
    if len({setting and values(setting) for setting in settings}) < 2:
        return ()
    claims = [setting for setting in settings if setting is not None]
    line = claims[-1].line
    differing = [len(set(column)) > 1 for column in zip(*map(values, claims), strict=True)]
    if any(differing):
        ways = " or ".join(dict.fromkeys(_differing(setting, differing) for setting in claims))
        text = f"{standing.contested or f'made within the change of line {line}'}: {ways}"
    elif settings[-1] is None:
        text = f"made close to the end of line {line}: it may be from after it"
    else:
        text = f"made close to the start of line {line}: it may be from before it"
    return (Doubt(DoubtKind.NEAR_CHANGE, text),)


def _differing(setting: Setting, which: Sequence[bool]) -> str:
    """The values that differ (of lens, adapter, f-number, focal length), in a few words."""
    if setting.lens is None:
        return "no adapted lens"
    if which[0]:
        return setting.lens
    texts = (
        "",
        f"via {setting.adapter}" if setting.adapter else "without an adapter",
        f_number(setting.f_number),
        focal_length(setting.focal_length),
    )
    return " ".join(text for text, differs in zip(texts, which, strict=True) if differs)


def shared_fill(claims: Sequence[Setting], lens: Lens, body: Body | None, kit: Kit) -> Fill:
    """What all the claims have in common; the rest stays blank."""
    keys = {key for setting in claims for key in _adapters(setting, lens, body, kit)}
    adapters = [kit.adapters[key] if key else None for key in keys]
    f_numbers = {setting.f_number for setting in claims}
    lengths = {setting.focal_length for setting in claims}
    return make_fill(
        lens,
        adapters[0] if len(adapters) == 1 else None,
        body,
        f_numbers.pop() if len(f_numbers) == 1 else None,
        lengths.pop() if len(lengths) == 1 else None,
        [adapter.factor if adapter else Decimal(1) for adapter in adapters],
    )


def _adapters(setting: Setting, lens: Lens, body: Body | None, kit: Kit) -> Sequence[str | None]:
    """The keys of the adapters it may have been: the one logged, else all in the kit that fit."""
    if setting.adapter is not None or body is None or lens.mount == body.mount:
        return (setting.adapter,)
    return [adapter.key for adapter in kit.adapters_for(lens, body)] or (None,)


def _compared(fill: Fill, file: Frame, kit: Kit, over: Rewriting) -> _Comparison:
    """The fill against what a file already carries, in each of its places."""
    data = file.lens_data
    places = file.stated or (data,)
    against = list(dict.fromkeys(text for one in places for text in _contradictions(fill, one)))
    noted = LensData() if data.says_lens or data.f_number is None else noted_lens(file)
    given = () if over is Rewriting.OWN else places
    doubts = tuple(doubt for one in given for doubt in _native_lens(fill, one, noted))[:1]
    if against and over is Rewriting.NOTHING:
        reason = f"the frame says {', '.join(against)}"
        return _Comparison(Outcome.CONFLICT, doubts=doubts, reason=reason)
    if not against and None not in (data.lens, data.focal_length, data.f_number):
        return _Comparison(Outcome.AGREE, doubts=doubts)
    outcome = Outcome.FILL if fill.is_whole else Outcome.PARTIAL
    stale = _stale(fill, data, replaces=bool(against))
    registered = _registered(fill, data, kit)
    return _Comparison(outcome, stale, (*doubts, *registered), _left_blank(fill))


def _native_lens(fill: Fill, data: LensData, noted: LensData) -> Iterator[Doubt]:
    """The doubt on a frame whose lens gave its f-number, so that it isn't the log's.

    Where no lens is named, `noted` is the one that the MakerNote has.
    """
    says, is_nameless = None, data.f_number is not None and not data.says_lens
    noted_other = noted.lens if is_nameless and not _is_noted(fill.lens, noted) else None
    if data.f_number is not None and data.says_lens and not _is_lens(fill.lens, data):
        says = f"names {data.lens or 'a lens by its specification'}, which gave its f-number"
    elif is_nameless and (noted_other or not noted.lens) and not _has_contacts(fill):
        says = f"has {f_number(data.f_number)}, which only a lens with contacts gives"
    if says and noted_other:
        says += f" (the MakerNote says {noted_other})"
    if says:
        yield Doubt(DoubtKind.NATIVE_LENS, f"the frame {says}; the log says {fill.lens.key}")


def _has_contacts(fill: Fill) -> bool:
    """Whether an adapter gives the f-number that was set on it."""
    return fill.adapter is not None and fill.adapter.kind is AdapterKind.ELECTRONIC


def _is_noted(lens: Lens, noted: LensData) -> bool:
    return any(same_lens(lens, name, noted.specification) for name in (noted.lens, None))


def _gives_another(fill: Fill, data: LensData) -> bool:
    """Whether the f-number isn't the log's; beside no lens name one that isn't noted is another."""
    unknown = fill.f_number is None and data.f_number is not None and not data.says_lens
    return unknown or _differ(fill.f_number, data.f_number, SAME_F_NUMBER)


def _left_blank(fill: Fill) -> str | None:
    blank = ["f-number"] * (fill.f_number is None) + ["focal length"] * (fill.focal_length is None)
    return f"{' and '.join(blank)} left blank" if blank else None


def _contradictions(fill: Fill, data: LensData) -> Sequence[str]:
    """In words, what the frame says otherwise than the log."""
    found = []
    if data.says_lens and not _is_lens(fill.lens, data):
        found.append(data.lens or "another lens")
    if _gives_another(fill, data):
        found.append(f_number(data.f_number))
    is_registered = data.registered_focal_length is not None
    if not is_registered and _differ(fill.focal_length, data.focal_length, SAME_FOCAL_LENGTH):
        found.append(focal_length(data.focal_length))
    return found


def _is_lens(lens: Lens, data: LensData) -> bool:
    return same_lens(lens, data.lens, data.specification)


def _differ(value: Decimal | None, other: Fraction | None, allowed: Fraction) -> bool:
    if value is None or other is None:
        return False
    return abs(Fraction(value) - other) > allowed * Fraction(value)


def has_focal(lens: Lens, registered: Fraction) -> bool:
    """Whether a focal length that was registered (mm) may be this lens's."""
    low, high = (Fraction(end) for end in lens.focal)
    return low * (1 - FALSE_REGISTER) <= registered <= high * (1 + FALSE_REGISTER)


def _registered(fill: Fill, data: LensData, kit: Kit) -> tuple[Doubt, ...]:
    """The doubt on a frame whose stabiliser worked with another focal length than the lens's."""
    registered = data.registered_focal_length
    if registered is None or fill.factor is None:
        return ()
    ends = [fill.focal_length or end * fill.factor for end in fill.lens.focal]
    if any(not _differ(end, registered, FALSE_REGISTER) for end in ends):
        return ()
    if ends[0] < registered < ends[1]:
        return ()
    lens = "-".join(number(end) for end in dict.fromkeys(ends))
    others = " or ".join(key for key, one in kit.lenses.items() if has_focal(one, registered))
    is_other = f", as {others} has it; the log says {fill.lens.key}, with {lens} mm"
    text = f"{focal_length(registered)} was registered for the stabiliser"
    text += is_other if others else f", the lens has {lens} mm"
    return (Doubt(DoubtKind.REGISTERED_FOCAL, text),)


_LENS_TAGS: Mapping[Tag, str] = {
    Tag.F_NUMBER: "f_number",
    Tag.APERTURE_VALUE: "f_number",
    Tag.FOCAL_LENGTH: "focal_length",
    Tag.FOCAL_LENGTH_35MM: "focal_length_35mm",
    Tag.LENS_MAKE: "maker",
    Tag.LENS_MODEL: "lens",
    Tag.LENS_SPECIFICATION: "specification",
    Tag.LENS_SERIAL_NUMBER: "serial",
}


_EQUIVALENT, _NO_TAGS = frozenset([Tag.FOCAL_LENGTH_35MM]), frozenset[Tag]()


def _stale(fill: Fill, data: LensData, *, replaces: bool) -> frozenset[Tag]:
    """Tags the frame carries that the fill would leave standing against it."""
    if replaces:
        carried = (tag for tag, name in _LENS_TAGS.items() if getattr(data, name) not in (None, ()))
        return frozenset(carried)
    # The equivalent of a focal length that is now replaced.
    replaced = fill.focal_length is not None and data.registered_focal_length is not None
    stale = _EQUIVALENT if replaced and data.focal_length_35mm is not None else _NO_TAGS
    other = () if data.says_lens else _of_unnamed_lens(fill.lens, data)
    return stale.union(other) if other else stale


def _of_unnamed_lens(lens: Lens, data: LensData) -> tuple[Tag, ...]:
    """Maker and serial of a lens that isn't named, where the fill has none to put over them."""
    return (
        *([Tag.LENS_MAKE] if data.maker and lens.maker is None else ()),
        *([Tag.LENS_SERIAL_NUMBER] if data.serial and lens.serial is None else ()),
    )
