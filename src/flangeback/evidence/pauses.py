"""Where between frames a change had the time to be made."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum


class ChangeKind(Enum):
    """What hands have to do for a change."""

    LENS = "lens"
    """Another lens, another adapter, or none."""
    RING = "ring"
    """A ring on the lens is turned: f-number or focal length."""


LEAST_PAUSE = {ChangeKind.LENS: 10.0, ChangeKind.RING: 1.0}
"""Seconds without a frame that a change takes at the least. All that rests on the speed of hands
rests on this table, and its figures are common practice. They are the quickest there is, not the
usual: a pause counts as too short only when nobody could have used it.

lens: tens of seconds as a rule. One bayonet off and the next one on, both at hand, no caps, is ten;
a screw mount alone takes three or four turns of the wrist each way.
ring: a few seconds as a rule, with a look at the marks. From the shutter button to the ring, one
stop on and back to the button is one."""


def pauses_long_enough(lengths: Sequence[float], kind: ChangeKind) -> list[int]:
    """Which of these pauses (seconds, the longest that their readings allow) a change fits in."""
    return [n for n, length in enumerate(lengths) if length > LEAST_PAUSE[kind]]
