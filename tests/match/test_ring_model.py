"""The ring model against the sum over every path of states, counted out one by one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from flangeback.match import ring_model, ring_turns
from flangeback.match.observation import Hypothesis, Observation, SameScene
from flangeback.match.ring_model import smooth
from flangeback.match.worlds import World

SPREAD = 0.8
CELL = SPREAD * 0.7
BRIGHTNESS = [CELL * n for n in range(-10, 11)]
SUN, SHADE = 1, -1
WORLDS = (World(0.7, 6000.0, 3000.0, 0.05, 1.0), World(0.3, 500.0, 200.0, 0.2, 0.6))

State = tuple[int, float, float, int]
"""A hypothesis's number, a ring offset, a brightness, the sky."""


def states(seen: Observation) -> list[State]:
    return [
        (number, offset, brightness, sky)
        for number, one in enumerate(seen.hypotheses)
        for offset, brightness, sky in product((0.0, *one.offsets), BRIGHTNESS, (SUN, SHADE))
    ]


def miss(seen: Observation, state: State) -> float:
    number, offset, brightness, _ = state
    return seen.light + seen.hypotheses[number].stops + offset - brightness


def student_t(value: float, degrees: int = 5) -> float:
    """Student's t with so many degrees of freedom, 1 at its middle."""
    return math.pow(1 + value**2 / degrees, -(degrees + 1) / 2)


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


def light_step(by: float) -> float:
    """The density of a step of the light by so much: of two gamma distributions' of shape 4."""
    rates = ((0.9, 4 / 2), (0.1, 4 / 6))
    density = (share * rate**4 * by**3 * math.exp(-rate * by) / 6 for share, rate in rates)
    return sum(density) if by > 0 else 0.0


def turned(old: float, offset: float, offsets: Sequence[float]) -> float:
    """The probability that a ring goes from one offset to another if it is turned unnoted, and is
    turned at all: once it is off, that is rarer."""
    if old and not offset:
        return ring_turns.TURNED_BACK
    weights = {one: 1 / max(abs(one - old), 1.0) for one in offsets if one != old}
    again = ring_turns.TURNED_AGAIN if old else 1.0
    return again * weights[offset] / sum(weights.values()) if offset in weights else 0.0


def ring(before: Observation, old: State, seen: Observation, new: State, world: World) -> float:
    """The probability that the ring goes so, where the entries from one to another were made."""
    one, other = before.hypotheses[old[0]], seen.hypotheses[new[0]]
    same = other.entry == one.entry
    stands = old[1] if same else 0.0
    # A gap between bursts counts as a minute more.
    turns = once(seen.at - before.at + 60, world.unnoted_turn_seconds)
    if len(seen.hypotheses) > 1:
        turns *= ring_model.UNNOTED_NEAR_ENTRY
    if not same:
        turns *= ring_turns.UNNOTED_AT_ENTRY
    every = (0.0, *other.offsets)
    if new[1] != stands:
        return turns * turned(stands, new[1], every)
    return 1 - turns * sum(turned(stands, offset, every) for offset in every if offset != stands)


def moved(before: Observation, old: State, seen: Observation, new: State, world: World) -> float:
    """The probability of one state after another and of what is seen then."""
    one, other = before.hypotheses[old[0]], seen.hypotheses[new[0]]
    if other.entry < one.entry:
        return 0.0
    scene = seen.same_scene or SameScene(0.0, 1.0, 0.0)
    spread = seen.spread * world.scatter
    new_scene = student_t(miss(seen, new) / spread) / spread
    # Where it is open whether a lens was changed, the light may differ by lenses.
    lenses = 0.2 if seen.hypotheses[-1].lens != before.hypotheses[0].lens else 0.0
    apart = math.hypot(scene.spread, lenses)
    # From one offset to another, neither of them the log's, the scene counts as new.
    followed = old[1] == 0 or new[1] == 0 or old[1] == new[1]
    new_scene *= 1 - scene.probability
    seconds, is_entry = seen.at - before.at, other.entry != one.entry
    # A telegraph process: the sky has changed after an odd number of steps.
    steps = once(2 * seconds, world.light_step_seconds) / 2
    if is_entry:
        steps = 1 - (1 - steps) * (1 - world.light_step_at_entry * (1 - scene.probability))
    if old[3] == new[3]:
        beside = (miss(seen, new) - scene.share * miss(before, old)) / apart
        same_scene = student_t(beside, 15) / apart
        same_scene *= scene.probability * (old[2] == new[2]) * followed
        light = wander(seconds, new[2] - old[2], lenses) * new_scene + same_scene
        light *= 1 - steps
    else:
        # Within a scene the light steps by what the frames differ by, if nobody turned the ring.
        rises = miss(seen, new) + new[2] - miss(before, old) - old[2]
        alone = new[1] == (0.0 if is_entry else old[1])
        alone &= round((new[2] - old[2]) / CELL) == round(rises / CELL)
        light = light_step(new[3] * (new[2] - old[2])) * CELL * new_scene
        light += light_step(new[3] * rises) * math.sqrt(2 * math.pi) * scene.probability * alone
        light *= steps
    return made(seen, one, other) * ring(before, old, seen, new, world) * light


def begun(seen: Observation, state: State, world: World) -> float:
    if state[1] != 0:
        return 0.0
    spread = seen.spread * world.scatter
    prior = made(seen, seen.hypotheses[0], seen.hypotheses[state[0]])
    return prior * student_t(miss(seen, state) / spread) / spread


def by_all_paths(observations: Sequence[Observation]) -> list[tuple[list[float], float]]:
    """Of each observation, the probability of each hypothesis and that the ring stood as logged."""
    every = [states(seen) for seen in observations]
    one, other = (world.prior * of_paths(observations, every, world) for world in WORLDS)
    odds = one + other
    odds /= odds.sum()
    found = []
    for at, seen in enumerate(observations):
        of_states = odds.sum(axis=tuple(n for n in range(odds.ndim) if n != at))
        numbers, offsets, *_ = np.array(every[at]).T
        hypotheses = [float(of_states[numbers == n].sum()) for n in range(len(seen.hypotheses))]
        found.append((hypotheses, float(of_states[offsets == 0].sum())))
    return found


def of_paths(
    observations: Sequence[Observation], every: Sequence[Sequence[State]], world: World
) -> NDArray[np.float64]:
    """An axis for each observation: each element is the probability of one path of states."""
    odds = np.array([begun(observations[0], state, world) for state in every[0]])
    for n, (before, seen) in enumerate(pairwise(observations), 1):
        steps = [[moved(before, old, seen, new, world) for new in every[n]] for old in every[n - 1]]
        odds = odds[..., np.newaxis] * np.array(steps)
    return odds


lights = st.floats(-2.0, 2.0).map(lambda value: round(value, 2))


@settings(max_examples=6, deadline=None)
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
    found = smooth(observations, WORLDS).posteriors
    for told, (hypotheses, as_logged) in zip(found, by_all_paths(observations), strict=True):
        assert told.as_logged == pytest.approx(as_logged, abs=0.003)
        assert told.hypotheses == pytest.approx(hypotheses, abs=0.003)


def steady(values: Sequence[float], seconds: float = 60.0) -> list[Observation]:
    one = Hypothesis(0, 0.0, (-2.0, -1.5, -1.0, 1.0, 1.5, 2.0), "a")
    return [Observation(seconds * n, value, 0.15, (one,)) for n, value in enumerate(values)]


def test_light_that_comes_back_without_an_entry_is_a_cloud() -> None:
    light = [0.0] * 8 + [-2.0] * 4 + [0.0] * 8
    cloud = steady(light)
    new = cloud[0].hypotheses[0]._replace(entry=1)
    noted = [*cloud[:12], *(replace(seen, hypotheses=(new,)) for seen in cloud[12:])]
    by_cloud, by_ring = (smooth(seen).posteriors[10].as_logged for seen in (cloud, noted))
    assert by_ring < 0.2 < 0.5 < by_cloud


def test_a_ring_turned_without_a_note_is_told_until_the_next_entry() -> None:
    old, new = (Hypothesis(n, 0.0, (-2.0, -1.0, 1.0, 2.0), "a") for n in (0, 1))
    light = [0.0] * 8 + [-2.0] * 8 + [0.0] * 8
    observations = [
        Observation(60.0 * n, one, 0.15, (old if n < 16 else new,)) for n, one in enumerate(light)
    ]
    found = smooth(observations).posteriors
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
        return smooth(observations).posteriors[6].hypotheses[0]

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
        return smooth(observations).light_stepped_at[1]

    assert stepped(0.0) < 0.1
    assert stepped(-1.0) > 0.9


def test_no_observations_say_nothing() -> None:
    assert list(smooth([]).posteriors) == []


def test_a_turn_that_the_next_entry_betrays_is_likelier() -> None:
    one = Hypothesis(1, 0.0, (-1.0, 1.0), "a")
    light = [0.0, 0.1, -0.1, 0.0, -0.8, -0.9]

    def as_logged(ratio: float) -> float:
        observations = [
            Observation(60.0 * n, value, 0.3, (one,), unnoted_ratio=ratio)
            for n, value in enumerate(light)
        ]
        return smooth(observations).posteriors[-1].as_logged

    assert as_logged(30.0) < 0.6 * as_logged(1.0)
