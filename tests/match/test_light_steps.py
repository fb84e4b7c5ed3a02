"""The doubt light-step by what the ring model gives: how likely the ring stood as logged."""

from __future__ import annotations

from decimal import Decimal

import pytest

from flangeback.log.model import Setting
from flangeback.match.changes import Change
from flangeback.match.exposure import Scene
from flangeback.match.light import Weighed, WeighedLight, light_steps
from flangeback.match.observation import Hypothesis, Posterior

F4, F8 = (Setting("miran58", f_number=Decimal(stop)) for stop in (4, 8))
CHANGES = [
    Change("session.txt", 1, F4, None, (0,)),
    Change("session.txt", 2, F8, F4, (10,)),
    Change("session.txt", 3, F4, F8, (20,)),
]


def doubted(off: dict[int, float]) -> set[int]:
    """The shots with a doubt, of thirty; `off` is how likely the ring was off the log by a stop."""
    weighed = []
    for at in range(30):
        held = Hypothesis(1 + at // 10, 4.0, (-1.0, 1.0), "miran58")
        logged = 1 - off.get(at, 0.0)
        scene = Scene(at, at + 1, 60.0 * at, 8.0, 0.0, (held,), 0.7)
        weighed.append(Weighed(scene, Posterior((1.0,), (logged,), (0.0,), 1.0)))
    return set(light_steps(CHANGES, WeighedLight(weighed), [], 30))


@pytest.mark.parametrize(
    ("off", "shots"),
    [
        ({5: 0.4}, {*range(5, 10)}),
        ({5: 0.1}, set()),
        ({5: 0.1, 7: 0.3, 15: 0.9}, {*range(7, 10), *range(15, 20)}),
        # From the first scene under an entry on, too: rings are turned along with lenses.
        ({10: 0.4}, {*range(10, 20)}),
    ],
)
def test_shots_are_doubted_up_to_the_next_change(off: dict[int, float], shots: set[int]) -> None:
    assert doubted(off) == shots
