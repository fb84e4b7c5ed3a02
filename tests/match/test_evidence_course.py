"""Every course of light and ring by its odds, against all courses counted out one by one."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flangeback.evidence import course
from flangeback.evidence.course import Option, SameScene, Sight, Weighed, weigh

SPREAD = 0.5
GRID = SPREAD * 0.7
LEVELS = range(-14, 15)


def likely(miss: float) -> float:
    """Student's t with 8 degrees of freedom, 1 at its middle."""
    return float((1 + miss**2 / 8) ** -4.5)


def happens(seconds: float, mean: float) -> float:
    """Once or more in so many seconds, by Poisson's distribution."""
    return 1 - math.exp(-seconds / mean)


State = tuple[int, float, int]
"""An option's number, a turn, a level."""


def states(sight: Sight) -> list[State]:
    return [
        (number, turn, level)
        for number, option in enumerate(sight.options)
        for turn in (0.0, *option.turns)
        for level in LEVELS
    ]


def seen(sight: Sight, state: State) -> float:
    number, turn, level = state
    off = sight.light + sight.options[number].stops + turn - level * GRID
    return likely(off / sight.spread)


def near(sight: Sight, state: State, scatters: float) -> bool:
    number, turn, level = state
    return (
        abs(sight.light + sight.options[number].stops + turn - level * GRID)
        <= scatters * sight.spread
    )


def moved(here: Sight, old: State, sight: Sight, new: State) -> float:
    """The odds of one state after another, before the look is taken."""
    before, after = here.options[old[0]], sight.options[new[0]]
    if after.era < before.era:
        return 0.0
    same = after.era == before.era
    made = 1.0
    for era in range(before.era + 1, after.era + 1):
        made *= sight.made.get(era, 1.0)
    stands = old[1] if same else 0.0
    seconds = sight.at - here.at
    wander = odds_of_wander(seconds, abs(new[2] - old[2]), 0.2 if after.lens != before.lens else 0)
    if new[1] == stands:
        middle = round((sight.light + after.stops + stands) / GRID)
        steps = happens(seconds, course.LIGHT_STEPS) + (0 if same else course.AT_ENTRY)
        jump = steps * GRID / 4 if abs(new[2] - middle) <= 3 else 0
        return made * (wander + jump)
    again = same and old[1] != 0
    odds = happens(seconds, course.FORGOTTEN) / max(1, len(after.turns))
    if not near(sight, new, 2):
        return 0.0
    if new[1] == 0:
        return made * wander * odds * course.TURNED_BACK if again else 0.0
    if not same:
        odds *= course.UNNOTED_AT_ENTRY
    return made * wander * odds * (course.TURNED_AGAIN if again else 1.0)


def odds_of_wander(seconds: float, steps: int, more: float) -> float:
    variance = 0.3**2 * seconds / 600 + more**2
    reach = min(6, int(2.5 * math.sqrt(variance) / GRID) + 1)
    weights = {n: math.exp(-((n * GRID) ** 2) / (2 * variance)) for n in range(-reach, reach + 1)}
    return weights.get(steps, 0.0) / sum(weights.values())


def counted_out(sights: list[Sight]) -> list[Weighed]:
    """By the sum over all courses, forward only: each end state carries what led to it."""
    found = []
    for at, sight in enumerate(sights):
        totals: dict[State, float] = {}
        for state in states(sight):
            totals[state] = through(sights, at, state)
        whole = sum(totals.values())
        options = [
            sum(odds for state, odds in totals.items() if state[0] == number) / whole
            for number in range(len(sight.options))
        ]
        logged = sum(odds for state, odds in totals.items() if state[1] == 0) / whole
        found.append(Weighed(tuple(options), logged, 0.0, 0.0))
    return found


def through(sights: list[Sight], at: int, fixed: State) -> float:
    """The odds of all courses that pass through a state."""
    first = sights[0]
    middles = [round((first.light + option.stops) / GRID) for option in first.options]
    odds = {
        state: seen(first, state)
        for state in states(first)
        if state[1] == 0 and abs(state[2] - middles[state[0]]) <= 3
    }
    if at == 0:
        odds = {state: value for state, value in odds.items() if state == fixed}
    for n in range(1, len(sights)):
        here, sight = sights[n - 1], sights[n]
        ends = [fixed] if n == at else states(sight)
        odds = {
            new: seen(sight, new)
            * sum(value * moved(here, old, sight, new) for old, value in odds.items())
            for new in ends
        }
        odds = {state: value for state, value in odds.items() if value}
    return sum(odds.values())


lights = st.floats(-2.0, 2.0).map(lambda value: round(value, 2))


@settings(max_examples=15, deadline=None)
@given(st.lists(lights, min_size=3, max_size=3), st.booleans(), st.booleans())
def test_odds_are_those_of_all_courses_together(
    seen_lights: list[float], changes: bool, another: bool
) -> None:
    # By what is believed before anything is learnt of the outing.
    last = Option(1, 1.0, (), "b" if another else "a")
    option = Option(0, 0.0, (-1.0, 1.0), "a")
    sights = [Sight(100.0 * n, light, SPREAD, (option,)) for n, light in enumerate(seen_lights)]
    if changes:
        bare = Option(0, 0.0, (), "a")
        sights[1] = Sight(100.0, seen_lights[1], SPREAD, (bare, last), made={1: 0.4})
        sights[2] = Sight(200.0, seen_lights[2], SPREAD, (last,), made={1: 0.6})
    found = course._Course(sights, course._Habits()).weigh()
    for told, true in zip(found, counted_out(sights), strict=True):
        assert told.as_logged == pytest.approx(true.as_logged, abs=0.003)
        assert told.options == pytest.approx(true.options, abs=0.003)


def steady(values: list[float], seconds: float = 60.0) -> list[Sight]:
    option = Option(0, 0.0, (-2.0, -1.5, -1.0, 1.0, 1.5, 2.0), "a")
    return [Sight(seconds * n, value, 0.15, (option,)) for n, value in enumerate(values)]


def test_how_often_light_steps_is_learnt_from_the_outing() -> None:
    # Scenes of other brightness every other minute, by no size that a ring has.
    chance = Random(5)
    jumpy, level = [], 0.0
    for n in range(120):
        if n % 2 == 0:
            level += chance.choice([-1, 1]) * chance.uniform(0.6, 0.9)
        jumpy.append(level + chance.gauss(0, 0.1))
    assert weigh(steady(jumpy)).light_steps < 400
    calm = [chance.gauss(0, 0.1) for _ in range(120)]
    assert weigh(steady(calm)).light_steps > 3600


def test_two_frames_of_a_burst_that_share_their_miss_count_as_one() -> None:
    before, after = Option(0, 0.0, (), "a"), Option(1, 1.0, (), "a")

    def odds(again: SameScene | None) -> float:
        sights = [
            *(Sight(60.0 * n, 0.0, 0.3, (before,)) for n in range(6)),
            Sight(330.0, -0.3, 0.3, (before, after), made={1: 0.5}),
            Sight(332.0, -0.3, 0.3, (before, after), again, {1: 0.01}),
            *(Sight(360.0 + 60 * n, -1.0, 0.3, (after,), made={1: 0.49}) for n in range(6)),
        ]
        return weigh(sights).weighed[6].options[0]

    # The two lie off the light alike: seen once, that says less than seen twice.
    assert 0.5 < odds(SameScene(0.1, 1.0)) < odds(SameScene(0.3, 0.0))


def test_light_that_steps_along_with_a_change_is_said() -> None:
    before, after = Option(0, 0.0, (), "a"), Option(1, 2.0, (), "a")

    def stepped(by: float) -> float:
        sights = [
            *(Sight(60.0 * n, 0.0, 0.2, (before,)) for n in range(6)),
            Sight(330.0, 0.0, 0.2, (before, after), made={1: 0.5}),
            *(Sight(360.0 + 60 * n, by - 2.0, 0.2, (after,), made={1: 0.5}) for n in range(6)),
        ]
        return weigh(sights).stepped_at[1]

    assert stepped(0.0) < 0.1
    assert stepped(-1.0) > 0.9


def test_no_sights_say_nothing() -> None:
    assert list(weigh([]).weighed) == []
