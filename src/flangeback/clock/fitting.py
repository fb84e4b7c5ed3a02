"""Fits a body's clock to photos of a clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

from flangeback.clock.model import SECOND, BodyClock, Reference
from flangeback.words import duration

_DAY = 86_400

PLAUSIBLE_DRIFT = 20 / _DAY
"""Seconds per second. A quartz clock keeps within some seconds a day (common practice: a watch
crystal is good to 20 parts in a million, 1.7 s a day, several times that in heat or cold); four
times the worst of that is no drift but a clock that was set, or a misread reference."""

_FAR_OFF = 12 * 3600


def fit_clock(references: Sequence[Reference]) -> BodyClock:
    """The clock that one or more references describe.

    One gives the offset. Two or more give offset and linear drift, by least squares. Between the
    references the offset is as good as they are, and as they agree with the line; outside them the
    line's own uncertainty grows, though never faster than a quartz clock can drift. Of three or
    more, one that alone contradicts the rest is named and left out.
    """
    odd = outlier(references)
    if odd is not None:
        rest = fit_clock([one for one in references if one is not odd])
        off = odd.ahead - rest.ahead_at(odd.camera)
        way = "fast" if off > 0 else "slow"
        text = (
            f"{odd.name or 'one photo of a clock'} has the clock {_text(off)} more {way} than "
            "the other photos of a clock: it is left out; was it misread, or the clock set?"
        )
        return replace(rest, unsure=text)
    if len(references) == 1:
        only = references[0]
        return BodyClock(
            ahead=only.ahead,
            origin=only.camera,
            error=only.error,
            first=only.camera,
            last=only.camera,
            error_growth=PLAUSIBLE_DRIFT,
            unsure=_far_off(references),
        )
    ordered = sorted(references, key=lambda one: one.camera)
    origin = sum(one.camera for one in ordered) / len(ordered)
    ahead = sum(one.ahead for one in ordered) / len(ordered)
    spread = sum((one.camera - origin) ** 2 for one in ordered)
    leaning = sum((one.camera - origin) * (one.ahead - ahead) for one in ordered)
    # The seconds that two readings are rounded to, soon after one another, are no drift.
    drift = max(-PLAUSIBLE_DRIFT, min(PLAUSIBLE_DRIFT, leaning / spread if spread else 0.0))
    length = ordered[-1].camera - ordered[0].camera
    misfit = max(abs(one.ahead - ahead - drift * (one.camera - origin)) for one in ordered)
    # At each reference the line is `misfit` at most from what was read, and that from the truth.
    error = max(one.error for one in ordered) + misfit
    return BodyClock(
        ahead=ahead,
        drift=drift,
        origin=origin,
        error=error,
        first=ordered[0].camera,
        last=ordered[-1].camera,
        error_growth=min(2 * error / length, 2 * PLAUSIBLE_DRIFT) if length else PLAUSIBLE_DRIFT,
        unsure=_contradiction(ordered) or _far_off(ordered),
        residual=misfit,
    )


def outlier(references: Sequence[Reference]) -> Reference | None:
    """The one reference without which the others agree; None where they do, or it can't be told.

    Whichever of two disagrees can't be told; neither can it where the first ones agree among
    themselves and so do the last ones, since then the clock was set between.
    """
    if len(references) < 3 or _contradiction(_by_reading(references)) is None:
        return None
    odd = [
        one
        for one in references
        if _contradiction(_by_reading([other for other in references if other is not one])) is None
    ]
    return odd[0] if len(odd) == 1 else None


def _by_reading(references: Sequence[Reference]) -> Sequence[Reference]:
    return sorted(references, key=lambda one: one.camera)


def _contradiction(ordered: Sequence[Reference]) -> str | None:
    """Words for the first two references that no clock left to itself could both show."""
    for earlier, later in pairwise(ordered):
        if contradict(earlier, later):
            change = later.ahead - earlier.ahead
            which = f" ({earlier.name} and {later.name})" if earlier.name and later.name else ""
            return (
                f"two photos of a clock{which} differ by {_text(change)}: "
                "the body's clock was set between them, or one was misread"
            )
    return None


def contradict(earlier: Reference, later: Reference) -> bool:
    """Whether no clock left to itself could show both."""
    allowed = earlier.error + later.error + PLAUSIBLE_DRIFT * (later.camera - earlier.camera)
    return abs(later.ahead - earlier.ahead) > allowed


def _text(microseconds: float) -> str:
    return duration(timedelta(seconds=round(abs(microseconds) / SECOND)))


def _far_off(references: Sequence[Reference]) -> str | None:
    if any(abs(one.ahead) > _FAR_OFF * SECOND for one in references):
        return (
            "the body's clock is more than 12 hours off: does the clock line stand under its date?"
        )
    return None
