"""Simulated outings: whatever is filled is true, and what can be told is filled."""

from __future__ import annotations

from collections import Counter

import pytest

from support.examples import examples
from support.kits import whole_kit
from support.simulate import Kind, Score, over_seeds, score, simulate

SEEDS, ALL_SEEDS = examples(10, least=5), 10
KIT = whole_kit()


def over_all(kind: Kind, seeds: int = SEEDS) -> Score:
    total = over_seeds(range(seeds), KIT, kind)
    assert total.frames > seeds * 300
    return total


def share(counts: Counter[str], *keys: str) -> float:
    return sum(counts[key] for key in keys) / sum(counts.values())


# How many frames can be told, measured, with a margin: notes to the minute leave the minutes of a
# change open where light and pauses don't tell.
@pytest.mark.parametrize(
    ("to_the", "clock", "whole", "at_all"),
    [
        ("second", "offset", 0.99, 0.995),
        ("second", "photos", 0.99, 0.995),
        ("minute", "offset", 0.95, 0.98),
        ("minute", "photos", 0.95, 0.975),
    ],
)
def test_what_is_filled_is_true(to_the: str, clock: str, whole: float, at_all: float) -> None:
    total = over_all(Kind(to_the, clock))
    # No lens is ever wrong; an f-number that the light placed may be, once in a thousand frames.
    assert total.lens["wrong"] == 0
    assert len(total.wrong) <= (0 if to_the == "second" else total.frames / 1000)
    assert total.share("fill") >= whole
    assert total.share("fill", "partial") >= at_all
    assert total.share("fill", "partial", "unsure") == 1
    assert share(total.steps, "false") <= 0.02


def test_moves_that_were_not_noted_are_doubted() -> None:
    total = over_all(Kind("minute", forgotten=0.25))
    assert total.lens["wrong"] == 0
    assert share(total.stop, "wrong") <= 0.001
    moved = {key: total.steps[key] for key in ("right", "missed", "open")}
    assert sum(moved.values()) > SEEDS * 50
    assert moved["right"] / sum(moved.values()) >= 0.7
    # A doubt that is wrong more often than right is worse than none.
    assert 2 * total.steps["false"] <= moved["right"]


def test_late_notes_with_slack_fill_nothing_false() -> None:
    # Where few f-numbers may be wrong at all, a share needs many frames.
    total = over_all(Kind("minute", late=90), ALL_SEEDS)
    assert total.lens["wrong"] == 0
    assert share(total.stop, "wrong") <= 0.001


@pytest.mark.parametrize(("kind", "told"), [
    (Kind(slates=True), 0.95),
    (Kind(slates=True, forgotten=0.25), 0.02),
    (Kind(slates=True, unmarked=0.1), 0.05),
])  # fmt: skip
def test_by_the_order_of_slate_frames_nothing_false_goes_without_doubt(
    kind: Kind, told: float
) -> None:
    total = over_all(kind)
    # Where slates and entries fit, all is true; where they don't, the light tells how far they go.
    assert total.undoubted == []
    assert len(total.wrong) <= (total.frames / 100 if kind.unmarked else 0)
    assert total.share("fill") >= told


def test_the_simulator_finds_a_log_that_lies() -> None:
    outing = simulate(1, to_the="second")
    assert score(outing, KIT).wrong == []
    swapped = outing.log.replace("miran58", "?").replace("brask135", "miran58")
    outing.log = swapped.replace("?", "brask135")
    assert score(outing, KIT).wrong


def test_without_its_clock_line_nothing_is_filled_wrongly() -> None:
    outing = simulate(1, to_the="second")
    outing.log = outing.log.replace("clock k7", "# clock k7")
    found = score(outing, KIT)
    assert found.wrong == []
    assert found.outcomes["unsure"] > 400


def test_an_outing_is_the_same_for_the_same_seed() -> None:
    assert simulate(7, to_the="minute") == simulate(7, to_the="minute")
    assert simulate(7, to_the="minute") != simulate(8, to_the="minute")
