"""The ring model against the sum over every path of states, counted out one by one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, product
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flangeback.match import ring_model
from flangeback.match.observation import Hypothesis, Observation, SameScene
from flangeback.match.ring_model import Worlds, smooth

SPREAD = 0.5
FACTORS, STEPS, TURNS = ((1.0, 0.6), (0.7, 0.4)), ((900.0, 1.0),), ((100_000.0, 0.7), (1600.0, 0.3))
CELL = SPREAD * 0.7
BRIGHTNESS = [CELL * n for n in range(-16, 17)]

State = tuple[int, float, float]
"""A hypothesis's number, a ring offset, a brightness."""


def states(seen: Observation) -> list[State]:
    return [
        (number, offset, brightness)
        for number, one in enumerate(seen.hypotheses)
        for offset, brightness in product((0.0, *one.offsets), BRIGHTNESS)
    ]


def miss(seen: Observation, state: State) -> float:
    number, offset, brightness = state
    return seen.light + seen.hypotheses[number].stops + offset - brightness


def student_t(value: float) -> float:
    """Student's t with 8 degrees of freedom, 1 at its middle."""
    return math.pow(1 + value**2 / 8, -4.5)


def once(seconds: float, mean: float) -> float:
    """Once or more in so many seconds, by Poisson's distribution."""
    return 1 - math.exp(-seconds / mean)


def made(seen: Observation, old: Hypothesis, new: Hypothesis) -> float:
    return math.prod(seen.made.get(n, 1.0) for n in range(old.entry + 1, new.entry + 1))


def wander(seconds: float, by: float, more: float) -> float:
    variance = 0.3**2 * seconds / 600 + more**2
    reach = min(6, int(2.5 * math.sqrt(variance) / CELL) + 1)
    weights = {n: math.exp(-((n * CELL) ** 2) / (2 * variance)) for n in range(-reach, reach + 1)}
    return weights.get(round(by / CELL), 0.0) / sum(weights.values())


def moved(
    before: Observation, old: State, seen: Observation, new: State, turn_seconds: float
) -> float:
    """The probability of one state after another and of what is seen then."""
    one, other = before.hypotheses[old[0]], seen.hypotheses[new[0]]
    if other.entry < one.entry:
        return 0.0
    same = other.entry == one.entry
    stands = old[1] if same else 0.0
    scene = seen.same_scene or SameScene(0.0, 1.0, 0.0)
    new_scene = student_t(miss(seen, new) / seen.spread) / seen.spread
    shared = scene.share * miss(before, old)
    same_scene = student_t((miss(seen, new) - shared) / scene.spread) / scene.spread
    same_scene *= scene.probability * (old[2] == new[2])
    seconds = seen.at - before.at
    wanders = wander(seconds, new[2] - old[2], 0.2 if other.lens != one.lens else 0)
    wanders *= new_scene * (1 - scene.probability)
    prior = made(seen, one, other)
    steps = once(2 * seconds, STEPS[0][0]) / 2
    if not same:
        steps += ring_model.LIGHT_STEP_AT_ENTRY * (1 - scene.probability)
    # A gap between bursts counts as a minute more.
    turns = once(seconds + 60, turn_seconds)
    turns *= ring_model.UNNOTED_NEAR_ENTRY if len(seen.hypotheses) > 1 else 1.0
    shares = turned(old[1] if same else 0.0, other, is_new=not same)
    if new[1] == stands:
        stays = (1 - steps) * (1 - turns * sum(shares.values()))
        size = abs(new[2] - old[2])
        stepped = steps * size * math.exp(-size) / 2 * CELL * new_scene
        return prior * (stays * (wanders + same_scene) + stepped)
    turns *= shares[new[1]]
    explains = abs(miss(seen, new)) < 2 * SPREAD
    # From one offset to another, neither of them the log's, the scene counts as new.
    followed = old[1] == 0 or (same and new[1] == 0)
    return prior * turns * (wanders * explains + same_scene * followed)


def turned(stands: float, other: Hypothesis, *, is_new: bool) -> dict[float, float]:
    """The probabilities of a turn from where the ring stands: the less, the likelier.

    What is marked is likelier than what lies between the marks.
    """
    sizes = {offset: abs(offset - stands) for offset in (0.0, *other.offsets)}
    weights = {
        offset: (1 if offset == round(offset) else 0.4) / max(size, 1.0)
        for offset, size in sizes.items()
        if size
    }
    whole = max(1.0, sum(weights.values()))
    shares = {offset: weight / whole for offset, weight in weights.items()}
    if is_new:
        return {offset: share * ring_model.UNNOTED_AT_ENTRY for offset, share in shares.items()}
    if stands:
        shares = {offset: share * ring_model.TURNED_AGAIN for offset, share in shares.items()}
        shares[0.0] = ring_model.TURNED_BACK
    return shares


def begun(seen: Observation, state: State) -> float:
    off = miss(seen, state)
    if state[1] != 0:
        return 0.0
    prior = made(seen, seen.hypotheses[0], seen.hypotheses[state[0]])
    return prior * student_t(off / seen.spread) / seen.spread


def in_world(seen: Observation, factor: float) -> Observation:
    """The same, with scenes that scatter by less: what one has of its own within a scene doesn't.

    So the share of the miss that is the scene's gets smaller.
    """
    scene, spread = seen.same_scene, seen.spread * factor
    if scene is not None:
        own = seen.spread**2 * (1 - scene.share)
        assert own <= spread**2
        share = 1 - own / spread**2
        rest = scene.spread**2 - own * (1 + scene.share)
        apart = math.sqrt(max(rest, 0.0) + own * (1 + share))
        scene = scene._replace(spread=apart, share=share)
    return replace(seen, spread=spread, same_scene=scene)


def by_all_paths(observations: Sequence[Observation]) -> list[tuple[list[float], float]]:
    """Of each observation, the probability of each hypothesis and that the ring stood as logged."""
    every = [states(seen) for seen in observations]
    odds = sum(
        share * prior * of_paths([in_world(seen, factor) for seen in observations], every, seconds)
        for factor, share in FACTORS
        for seconds, prior in TURNS
    )
    odds /= odds.sum()
    found = []
    for at, seen in enumerate(observations):
        of_states = odds.sum(axis=tuple(n for n in range(odds.ndim) if n != at))
        numbers, offsets, _ = np.array(every[at]).T
        hypotheses = [float(of_states[numbers == n].sum()) for n in range(len(seen.hypotheses))]
        found.append((hypotheses, float(of_states[offsets == 0].sum())))
    return found


def of_paths(
    observations: Sequence[Observation], every: Sequence[Sequence[State]], turn_seconds: float
) -> Any:
    """The probability of each path of states in one world, with an axis for each observation."""
    odds = np.array([begun(observations[0], state) for state in every[0]])
    for n, (before, seen) in enumerate(pairwise(observations), 1):
        steps = [
            [moved(before, old, seen, new, turn_seconds) for new in every[n]]
            for old in every[n - 1]
        ]
        odds = odds[..., np.newaxis] * np.array(steps)
    return odds


lights = st.floats(-2.0, 2.0).map(lambda value: round(value, 2))


@settings(max_examples=4, deadline=None)
@given(
    st.tuples(lights, lights, lights),
    st.sampled_from(["no entry", "another stop", "another lens"]),
    st.booleans(),
)
def test_posteriors_are_those_of_all_paths_together(
    light: tuple[float, float, float], entry: str, burst: bool
) -> None:
    old = Hypothesis(0, 0.0, (-1.0, 1.0), "a")
    new = Hypothesis(1, 1.0, (-2.0,), "b" if entry == "another lens" else "a")
    observations = [Observation(100.0 * n, one, SPREAD, (old,)) for n, one in enumerate(light)]
    if entry != "no entry":
        scene = SameScene(0.7, 0.3, 0.6) if burst else None
        observations[1] = Observation(100.0, light[1], SPREAD, (old, new), scene, {1: 0.4})
        observations[2] = Observation(200.0, light[2], SPREAD, (new,), None, {1: 0.6})
    found = smooth([observations], Worlds(FACTORS, STEPS, TURNS)).posteriors
    for told, (hypotheses, as_logged) in zip(found, by_all_paths(observations), strict=True):
        assert told.as_logged == pytest.approx(as_logged, abs=0.003)
        assert told.hypotheses == pytest.approx(hypotheses, abs=0.003)


def steady(values: Sequence[float], seconds: float = 60.0) -> list[Observation]:
    one = Hypothesis(0, 0.0, (-2.0, -1.5, -1.0, 1.0, 1.5, 2.0), "a")
    return [Observation(seconds * n, value, 0.15, (one,)) for n, value in enumerate(values)]


def test_who_forgot_some_notes_is_the_likelier_to_have_forgotten_another() -> None:
    # A turn that nothing tells from a step of the light, after others that the entries betray.
    chance = Random(5)

    def as_logged(forgot: int) -> float:
        observations = []
        for n in range(60):
            turn = -2.0 if (n // 10 < forgot and n % 10 >= 5) or n >= 55 else 0.0
            held = Hypothesis(n // 10, 0.0, (-2.0, -1.0, 1.0, 2.0), "a")
            light = turn + chance.gauss(0, 0.1)
            observations.append(Observation(60.0 * n, light, 0.15, (held,)))
        return smooth([observations]).posteriors[-1].as_logged

    assert as_logged(4) < 0.5 * as_logged(0)


def test_parts_are_of_one_person() -> None:
    forgetful = steady([0.0] * 10 + [-2.0] * 10)
    one = Hypothesis(1, 0.0, (-2.0, -1.0, 1.0, 2.0), "a")
    back = [Observation(60.0 * n + 1200, 0.0, 0.15, (one,)) for n in range(10)]
    other = steady([0.0] * 10 + [1.0] * 3)
    alone = smooth([other]).posteriors[-1].as_logged
    assert smooth([[*forgetful, *back], other]).posteriors[-1].as_logged < alone


def test_a_ring_turned_without_a_note_is_told_until_the_next_entry() -> None:
    old, new = (Hypothesis(n, 0.0, (-2.0, -1.0, 1.0, 2.0), "a") for n in (0, 1))
    light = [0.0] * 8 + [-2.0] * 8 + [0.0] * 8
    observations = [
        Observation(60.0 * n, one, 0.15, (old if n < 16 else new,)) for n, one in enumerate(light)
    ]
    found = smooth([observations]).posteriors
    assert [one.as_logged > 0.9 for one in found] == [True] * 8 + [False] * 8 + [True] * 8
    assert {one.offset for one in found[8:16]} == {2.0}


def test_two_frames_of_a_burst_that_share_their_miss_count_as_one() -> None:
    before, after = Hypothesis(0, 0.0, (), "a"), Hypothesis(1, 1.0, (), "a")

    def probability(scene: SameScene | None) -> float:
        observations = [
            *(Observation(60.0 * n, 0.0, 0.3, (before,)) for n in range(6)),
            Observation(330.0, -0.3, 0.3, (before, after), made={1: 0.5}),
            Observation(332.0, -0.3, 0.3, (before, after), scene, {1: 0.01}),
            *(Observation(360.0 + 60 * n, -1.0, 0.3, (after,), made={1: 0.49}) for n in range(6)),
        ]
        return smooth([observations]).posteriors[6].hypotheses[0]

    # The two lie off the light alike: seen once, that says less than seen twice.
    assert 0.5 < probability(SameScene(0.95, 0.1, 1.0)) < probability(SameScene(0.95, 0.3, 0.0))


def test_light_that_steps_along_with_a_change_is_said() -> None:
    before, after = Hypothesis(0, 0.0, (), "a"), Hypothesis(1, 2.0, (), "a")

    def stepped(by: float) -> float:
        observations = [
            *(Observation(60.0 * n, 0.0, 0.2, (before,)) for n in range(6)),
            Observation(330.0, 0.0, 0.2, (before, after), made={1: 0.5}),
            *(
                Observation(360.0 + 60 * n, by - 2.0, 0.2, (after,), made={1: 0.5})
                for n in range(6)
            ),
        ]
        return smooth([observations]).light_stepped_at[1]

    assert stepped(0.0) < 0.1
    assert stepped(-1.0) > 0.9


def test_no_observations_say_nothing() -> None:
    assert list(smooth([[]]).posteriors) == []


def test_a_turn_that_the_next_entry_betrays_is_likelier() -> None:
    one = Hypothesis(1, 0.0, (-1.0, 1.0), "a")
    light = [0.0, 0.1, -0.1, 0.0, -0.8, -0.9]

    def as_logged(ratio: float) -> float:
        observations = [
            Observation(60.0 * n, value, 0.3, (one,), unnoted_ratio=ratio)
            for n, value in enumerate(light)
        ]
        return smooth([observations]).posteriors[-1].as_logged

    assert as_logged(30.0) < 0.6 * as_logged(1.0)
