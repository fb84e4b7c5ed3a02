"""Simulated outings: whatever is filled is true, and what can be told is filled."""

from __future__ import annotations

import pytest

from simulate import Score, score, simulate
from support.kits import whole_kit

SEEDS = 30
KIT = whole_kit()


def over_all(to_the: str, clock: str) -> Score:
    total = Score()
    for seed in range(SEEDS):
        found = score(simulate(seed, to_the=to_the, clock=clock), KIT)
        total.frames += found.frames
        total.outcomes += found.outcomes
        total.wrong += [f"seed {seed}: {wrong}" for wrong in found.wrong]
    return total


# How many frames can be told, measured, with a margin: notes to the minute leave the minutes of a
# change open, and what the log's clock can't tell of a body's clock leaves seconds.
@pytest.mark.parametrize(
    ("to_the", "clock", "whole", "at_all"),
    [
        ("second", "offset", 0.98, 0.99),
        ("second", "photos", 0.97, 0.98),
        ("minute", "offset", 0.80, 0.90),
        ("minute", "photos", 0.80, 0.90),
    ],
)
def test_nothing_false_is_filled(to_the: str, clock: str, whole: float, at_all: float) -> None:
    total = over_all(to_the, clock)
    assert total.frames > SEEDS * 300
    assert total.wrong == []
    assert total.share("fill") >= whole
    assert total.share("fill", "partial") >= at_all
    assert total.share("fill", "partial", "unsure") == 1


def test_the_simulator_finds_a_log_that_lies() -> None:
    outing = simulate(1, to_the="second")
    assert score(outing, KIT).wrong == []
    outing.log = outing.log.replace("clock k7", "# clock k7")
    assert score(outing, KIT).wrong


def test_an_outing_is_the_same_for_the_same_seed() -> None:
    assert simulate(7, to_the="minute") == simulate(7, to_the="minute")
    assert simulate(7, to_the="minute") != simulate(8, to_the="minute")
