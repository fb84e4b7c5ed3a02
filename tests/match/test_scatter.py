"""What pairs of observations tell of the scatter of an outing."""

from __future__ import annotations

from random import Random

from flangeback.match.scatter import Pair, learn_scatter


def test_a_picture_is_one_scene_though_clouds_pass() -> None:
    chance = Random(1)
    clouds = [Pair(30.0, chance.choice((0.0, 2.0, -2.0)), likeness=1.0) for _ in range(60)]
    places = [Pair(30.0, chance.gauss(0, 1.0), likeness=0.2) for _ in range(60)]
    found = learn_scatter([*clouds, *places])
    assert found is not None
    same, other = (found.same_scene(pairs[0], found.scenes) for pairs in (clouds, places))
    assert same is not None
    assert same.probability > 0.95
    assert other is None or other.probability < 0.5


def test_the_scatter_is_that_of_most_scenes() -> None:
    chance = Random(2)
    pairs = [Pair(60.0, chance.gauss(0, 0.5) - chance.gauss(0, 0.5)) for _ in range(200)]
    found = learn_scatter([*pairs, *(Pair(60.0, 9.0) for _ in range(20))])
    assert found is not None
    assert 0.4 < found.scenes < 0.65


def test_too_few_pairs_tell_nothing() -> None:
    assert learn_scatter([Pair(60.0, 0.3)] * 4) is None
