"""The doubt light-step by what the ring model gives: how likely the ring stood as logged."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from flangeback.clock.model import SECOND
from flangeback.log.model import Setting
from flangeback.match.changes import Change, Doubts
from flangeback.match.doubts import DoubtKind
from flangeback.match.exposure import Scene
from flangeback.match.light import Weighed, WeighedLight, light_steps
from flangeback.match.observation import Hypothesis, Posterior

F4, F8 = (Setting("miran58", f_number=Decimal(stop)) for stop in (4, 8))
CHANGES = [
    Change("session.txt", 1, F4, None, (0,)),
    Change("session.txt", 2, F8, F4, (10,)),
    Change("session.txt", 3, F4, F8, (20,)),
]


def doubts(
    off: dict[int, float], step: float = 1.0, window: tuple[int, int] | None = None
) -> Doubts:
    """Those of thirty shots, one a minute; `off` is how likely the ring was off by such a step.

    The change from f/4 to f/8 lies in the window.
    """
    weighed = []
    for at in range(30):
        held = Hypothesis(1 + at // 10, 4.0, (-1.0, 1.0), "miran58")
        logged = 1 - off.get(at, 0.0)
        scene = Scene(at, at + 1, 60.0 * at, 8.0, 0.0, (held,), 0.7)
        weighed.append(Weighed(scene, Posterior((1.0,), (logged,), (0.0,), step)))
    first, second, third = CHANGES
    changes = [first, replace(second, window=window), third]
    return light_steps(changes, WeighedLight(weighed), 30)


@pytest.mark.parametrize(
    ("off", "shots"),
    [
        ({5: 0.4}, {*range(5, 10)}),
        ({5: 0.1}, set()),
        ({5: 0.1, 7: 0.3, 15: 0.9}, {*range(7, 10), *range(15, 20)}),
        # From the first scene under an entry on, too: rings are turned along with lenses.
        ({10: 0.4}, {*range(10, 20)}),
        # A row begins where the turn had been made, as the scenes after it have it.
        ({10: 0.3, 11: 0.3, 12: 0.6, 13: 0.6}, {*range(12, 20)}),
    ],
)
def test_shots_are_doubted_up_to_the_next_change(off: dict[int, float], shots: set[int]) -> None:
    assert {*doubts(off)} == shots


@pytest.mark.parametrize(
    ("seconds", "turn", "kind"),
    [
        (30, 2.0, DoubtKind.NEAR_CHANGE),
        (90, 2.0, DoubtKind.LIGHT_STEP),
        (30, -1.0, DoubtKind.LIGHT_STEP),
    ],
)
def test_a_step_shortly_before_an_entry_that_says_it_is_that_change(
    seconds: int, turn: float, kind: DoubtKind
) -> None:
    # Common practice: notes are written up to 60 s after the change.
    begins = (9 * 60 + seconds) * SECOND
    found = doubts({9: 0.9}, turn, (begins, begins + 60 * SECOND))
    assert {at: doubt.kind for at, (doubt,) in found.items()} == {9: kind}
