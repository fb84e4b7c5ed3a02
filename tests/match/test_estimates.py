"""Where the f-number stays open or is doubted, the light's own estimate is given, never written."""

from __future__ import annotations

from random import Random

from flangeback.match import FrameMatch
from support.scenes import Seen, found, seen
from support.shots import kinds

LOG = "9:00 k7 miran58 f/4\n"


def outing(stops: dict[int, float], noise: float = 0.15) -> list[Seen]:
    """A frame every other minute after nine, with the ring at f/4, or where `stops` has it."""
    chance = Random(3)
    return [
        seen(f"K7_{n:04}", f"09:{2 * n:02}:30", stops.get(n, 4.0), 12 + chance.gauss(0, noise))
        for n in range(30)
    ]


def estimated(one: FrameMatch) -> float:
    assert one.estimate is not None
    assert one.estimate.low < one.estimate.f_number < one.estimate.high
    return one.estimate.f_number


def test_an_f_number_that_was_not_noted_is_estimated_and_left_blank() -> None:
    frames = outing(dict.fromkeys(range(10, 14), 8.0))
    matches = found(frames, LOG + "9:20 k7 f/?\n9:28 k7 f/4\n")
    for one in matches[10:14]:
        assert one.fill is not None
        assert one.fill.f_number is None
        # A third of a stop, to which bodies name their times (common practice), and the scene.
        assert 8 / 1.25 < estimated(one) < 8 * 1.25
    assert [one.estimate for one in (*matches[:9], *matches[16:])] == [None] * 23


def test_a_turn_that_was_not_noted_is_estimated() -> None:
    frames = outing(dict.fromkeys(range(10, 20), 11.0))
    matches = found(frames, LOG + "9:40 k7 f/4\n")
    doubted = [one for one in matches if "light-step" in kinds(one)]
    assert len(doubted) > 5
    for one in doubted:
        assert 11 / 1.25 < estimated(one) < 11 * 1.25


def test_light_that_scatters_too_much_gives_no_estimate() -> None:
    matches = found(outing({}, noise=2.0), LOG + "9:20 k7 f/?\n9:28 k7 f/4\n")
    assert [one.estimate for one in matches] == [None] * 30


def test_the_range_is_within_what_the_lens_can_be_set_to() -> None:
    # miran58 goes from f/2 to f/16.
    for stop in (2.0, 16.0):
        frames = outing(dict.fromkeys(range(10, 14), stop))
        for one in found(frames, LOG + "9:20 k7 f/?\n9:28 k7 f/4\n")[10:14]:
            assert one.estimate is not None
            assert 2 <= one.estimate.low < one.estimate.high <= 16


def test_light_that_comes_and_goes_widens_the_range() -> None:
    right = 0
    for seed in range(8):
        chance = Random(seed)
        levels = [chance.choice((11.5, 12.5)) for _ in range(15)]
        frames = [
            seen(
                f"K7_{n:04}",
                f"09:{2 * n:02}:30",
                8.0 if 10 <= n < 14 else 4.0,
                levels[n // 2] + chance.gauss(0, 0.1),
            )
            for n in range(30)
        ]
        for one in found(frames, LOG + "9:20 k7 f/?\n9:28 k7 f/4\n")[10:14]:
            assert one.estimate is not None
            right += one.estimate.low <= 8 <= one.estimate.high
    # Nine in ten of 32, less two standard deviations.
    assert right >= 25
