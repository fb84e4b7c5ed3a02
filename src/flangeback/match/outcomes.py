"""From what the log claims for a frame, and what the frame already says, to its outcome."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from flangeback.frames.model import LensData
from flangeback.kit import names
from flangeback.kit.model import Body, Kit, Lens
from flangeback.log.model import Setting
from flangeback.match.model import NO_ENTRY, Doubt, DoubtKind, Outcome
from flangeback.tags.decide import Fill, make_fill
from flangeback.tags.table import Tag

SAME_F_NUMBER = Fraction(3, 100)
"""Relative. The marks are rounded (f/5.6 is 5.657, ISO 517) and bodies write either; a third of a
stop is 12 %."""

SAME_FOCAL_LENGTH = Fraction(2, 100)
"""Relative. What a lens says of itself is rounded to whole mm."""

FALSE_REGISTER = Fraction(5, 100)
"""Relative; beyond it the stabiliser worked with a wrong focal length."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a frame comes to, but for its place in time."""

    outcome: Outcome
    fill: Fill | None = None
    setting: Setting | None = None
    stale: frozenset[Tag] = frozenset()
    doubts: tuple[Doubt, ...] = ()
    reason: str | None = None


def judge(
    settings: Sequence[Setting | None], body: Body | None, kit: Kit, data: LensData, over: bool
) -> Verdict:
    """The verdict on a frame on which any of `settings` may have stood (None: nothing logged).

    `data` is what the frame already carries; `over` writes over what contradicts the log.
    """
    claims = [setting for setting in settings if setting is not None]
    if not claims:
        return Verdict(Outcome.UNLOGGED, reason=NO_ENTRY)
    latest = claims[-1]
    doubts = _near_change(settings)
    lenses = {setting.lens for setting in claims}
    if len(lenses) > 1:
        return Verdict(Outcome.UNSURE, None, latest, doubts=doubts)
    if latest.lens is None:
        return Verdict(Outcome.NATIVE, None, latest, doubts=doubts)
    fill = shared_fill(claims, kit.lenses[latest.lens], body, kit)
    return _compared(fill, latest, data, doubts, over)


_STRICTEST_FIRST = (Outcome.CONFLICT, Outcome.PARTIAL, Outcome.FILL, Outcome.AGREE)


def strictest(verdicts: Sequence[Verdict]) -> Verdict:
    """The verdict on a frame of several files, each judged by what it carries: one that is in
    conflict leaves the frame alone, one that lacks something has it filled."""
    if len(verdicts) == 1 or verdicts[0].outcome not in _STRICTEST_FIRST:
        return verdicts[0]
    first = min(verdicts, key=lambda one: _STRICTEST_FIRST.index(one.outcome))
    stale = frozenset(tag for one in verdicts for tag in one.stale)
    doubts = dict.fromkeys(doubt for one in verdicts for doubt in one.doubts)
    return replace(first, stale=stale, doubts=tuple(doubts))


def _near_change(settings: Sequence[Setting | None]) -> tuple[Doubt, ...]:
    """The doubt on a frame that more than one setting may have made."""
    if len({setting and _values(setting) for setting in settings}) < 2:
        return ()
    claims = [setting for setting in settings if setting is not None]
    line = claims[-1].line
    differing = _differing(claims)
    if differing:
        ways = " or ".join(dict.fromkeys(_shown(setting, differing) for setting in claims))
        text = f"made within the change of line {line}: {ways}"
    elif settings[-1] is None:
        text = f"made close to the end of line {line}: it may be from after it"
    else:
        text = f"made close to the start of line {line}: it may be from before it"
    return (Doubt(DoubtKind.NEAR_CHANGE, text),)


_Values = tuple[str | None, str | None, Decimal | None, Decimal | None]


def _values(setting: Setting) -> _Values:
    return setting.lens, setting.adapter, setting.f_number, setting.focal_length


def _differing(claims: Sequence[Setting]) -> tuple[bool, ...]:
    """Which of lens, adapter, f-number and focal length the claims don't agree on; empty when
    they agree on all."""
    differing = tuple(len(set(column)) > 1 for column in zip(*map(_values, claims), strict=True))
    return differing if any(differing) else ()


def _shown(setting: Setting, which: Sequence[bool]) -> str:
    """The values that differ, in a few words."""
    if setting.lens is None:
        return "no adapted lens"
    if which[0]:
        return setting.lens
    texts = (
        "",
        f"via {setting.adapter}" if setting.adapter else "without an adapter",
        "f/?" if setting.f_number is None else f"f/{setting.f_number.normalize():f}",
        "?" if setting.focal_length is None else f"{setting.focal_length.normalize():f} mm",
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


def _compared(
    fill: Fill, setting: Setting, data: LensData, doubts: tuple[Doubt, ...], over: bool
) -> Verdict:
    """The fill against what the frame already carries."""
    against = _contradictions(fill, data)
    if data.says_lens and data.f_number is not None and not same_lens(fill.lens, data):
        says = data.lens or "a lens by its specification"
        text = f"the frame names {says}, which gave its f-number; the log says {setting.lens}"
        doubts = (*doubts, Doubt(DoubtKind.NATIVE_LENS, text))
    if against and not over:
        return Verdict(
            Outcome.CONFLICT,
            fill,
            setting,
            doubts=doubts,
            reason="the frame says " + ", ".join(against),
        )
    if not against and _says_all(fill, data):
        return Verdict(Outcome.AGREE, fill, setting, doubts=doubts)
    doubts = (*doubts, *_registered(fill, data))
    outcome = Outcome.FILL if fill.is_whole else Outcome.PARTIAL
    return Verdict(
        outcome, fill, setting, _stale(fill, data, bool(against)), doubts, _left_blank(fill)
    )


def _left_blank(fill: Fill) -> str | None:
    blank = []
    if fill.f_number is None:
        blank.append("f-number")
    if fill.focal_length is None:
        blank.append("focal length")
    return " and ".join(blank) + " left blank" if blank else None


def _contradictions(fill: Fill, data: LensData) -> list[str]:
    """In words, what the frame says otherwise than the log."""
    found = []
    if data.says_lens and not same_lens(fill.lens, data):
        found.append(data.lens or "another lens")
    if _differ(fill.f_number, data.f_number, SAME_F_NUMBER):
        assert data.f_number is not None
        found.append(f"f/{float(data.f_number):.3g}")
    is_registered = data.registered_focal_length is not None
    if not is_registered and _differ(fill.focal_length, data.focal_length, SAME_FOCAL_LENGTH):
        assert data.focal_length is not None
        found.append(f"{float(data.focal_length):.4g} mm")
    return found


def same_lens(lens: Lens, data: LensData) -> bool:
    return names.same_lens(lens, data.lens, data.specification)


def _differ(value: Decimal | None, other: Fraction | None, allowed: Fraction) -> bool:
    if value is None or other is None:
        return False
    return abs(Fraction(value) - other) > allowed * Fraction(value)


def _says_all(fill: Fill, data: LensData) -> bool:
    """Whether the frame carries lens, focal length and f-number, none against the log."""
    return None not in (data.lens, data.focal_length, data.f_number)


def _registered(fill: Fill, data: LensData) -> tuple[Doubt, ...]:
    """The doubt on a frame whose stabiliser worked with another focal length than the lens's."""
    registered = data.registered_focal_length
    if registered is None:
        return ()
    factor = fill.factor
    if factor is None:
        return ()
    ends = [fill.focal_length or end * factor for end in fill.lens.focal]
    if any(not _differ(end, registered, FALSE_REGISTER) for end in ends):
        return ()
    if ends[0] < registered < ends[1]:
        return ()
    lens = "-".join(f"{end.normalize():f}" for end in dict.fromkeys(ends))
    text = f"{float(registered):g} mm was registered for the stabiliser, the lens has {lens} mm"
    return (Doubt(DoubtKind.REGISTERED_FOCAL, text),)


_LENS_TAGS = {
    Tag.F_NUMBER: "f_number",
    Tag.APERTURE_VALUE: "f_number",
    Tag.FOCAL_LENGTH: "focal_length",
    Tag.FOCAL_LENGTH_35MM: "focal_length_35mm",
    Tag.LENS_MAKE: "maker",
    Tag.LENS_SERIAL_NUMBER: "serial",
}


def _stale(fill: Fill, data: LensData, replaces: bool) -> frozenset[Tag]:
    """Tags the frame carries that the fill would leave standing against it."""
    carried = {tag for tag, name in _LENS_TAGS.items() if getattr(data, name) is not None}
    if replaces:
        return frozenset(carried)
    # The equivalent of a focal length that is now replaced.
    replaced = fill.focal_length is not None and data.registered_focal_length is not None
    return frozenset(carried & {Tag.FOCAL_LENGTH_35MM}) if replaced else frozenset()
