"""Which entry held between slate frames, weighed over every way in which marks and entries fit."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flangeback.log import parse_log
from flangeback.match import FrameMatch, match_frames, slate_odds
from flangeback.match.brightness import PictureLight
from flangeback.match.slate_odds import CERTAIN, MarkedPart, entry_odds
from support.scenes import seen
from support.shots import KIT, kinds, shot

SLATE = PictureLight(-10.5, 0.01)
RING = (2.8, 8.0, 4.0, 11.0, 2.8, 5.6, 16.0, 4.0)
"""One stop of the ring for each entry by order."""


def by_every_path(
    parts: list[MarkedPart], steps: list[float | None], stops: list[float | None]
) -> list[list[float]]:
    """The same probabilities by the sum over all paths of states."""
    light = slate_odds._Steps(
        [x for stop in stops for x in (stop, None)], slate_odds._spread(parts)
    )
    last = 2 * len(stops) - 2
    stages: list[dict[tuple[int, int], float]] = []
    for n, part in enumerate(parts):
        if n:
            is_first = not parts[n - 1].lights
            mark = slate_odds._at_mark(light, steps[n - 1], last, part, is_first=is_first)
            stages.append({(old, new): weight for old, new, weight in mark})
        stages.append(
            {(o, new): weight for o, new, weight in slate_odds._within(light, part, last)}
        )
    found = [[0.0] * len(stops) for _ in parts]
    whole = 0.0
    for path in product(range(last + 2), repeat=len(stages)):
        weight = {last: 1.0, last + 1: 1.0, last - 2: slate_odds._FORGOTTEN}.get(path[-1], 0.0)
        for stage, move in zip(stages, pairwise((0, *path)), strict=True):
            weight *= stage.get(move, 0.0)
        whole += weight
        for n in range(len(parts)):
            start, end = (0, *path)[2 * n : 2 * n + 2]
            if start == end and start % 2 == 0:
                found[n][start // 2] += weight
    return [[one / whole for one in each] for each in found]


LIGHT = st.floats(-6, 6)


@given(
    st.lists(
        st.tuples(st.lists(LIGHT, max_size=3), st.booleans(), st.booleans()),
        min_size=2,
        max_size=3,
    ),
    st.lists(st.one_of(st.none(), LIGHT), min_size=2, max_size=2),
    st.lists(st.one_of(st.none(), st.floats(1, 8)), min_size=2, max_size=2),
)
@settings(max_examples=30, deadline=None)
def test_it_is_the_sum_over_all_paths(
    frames: list[tuple[list[float], bool, bool]],
    steps: list[float | None],
    stops: list[float | None],
) -> None:
    parts = [MarkedPart(*one) for one in frames]
    steps = steps[: len(parts) - 1]
    expected = by_every_path(parts, steps, stops)
    for part, other in zip(entry_odds(parts, steps, stops), expected, strict=True):
        assert part == pytest.approx(other, abs=1e-9)


def outing(marked: set[int], noise: float = 0.3, seed: int = 1) -> list[FrameMatch]:
    """Four frames by each entry of RING, with slate frames before these entries."""
    chance = Random(seed)
    frames, light, number = [], {}, 0
    for entry, stop in enumerate(RING):
        for n in range(4 + (entry in marked)):
            number += 1
            time = f"{9 + number // 60:02}:{number % 60:02}:00"
            one = seen(f"K7_{number:04}", time, stop, 12 + chance.gauss(0, noise))
            is_slate = entry in marked and n == 0
            frames.append(one.frame)
            light[one.frame.file] = SLATE if is_slate else PictureLight(one.brightness, 0.2)
    text = "\n".join(f"{'then' if n else 'first'} k7 miran58 f/{one}" for n, one in enumerate(RING))
    matches = match_frames(frames, [parse_log(text, KIT)], KIT, pictures=lambda f: light[f.file])
    return list(matches.frames)


def stops_of(matches: list[FrameMatch], marked: set[int]) -> list[list[float | None]]:
    """The f-numbers filled, by entry, without slate frames."""
    found, at = [], 0
    for entry in range(len(RING)):
        at += entry in marked
        fills = [one.fill if one.outcome.is_filled else None for one in matches[at : at + 4]]
        found.append([float(fill.f_number) if fill and fill.f_number else None for fill in fills])
        at += 4
    return found


@pytest.mark.parametrize("missing", range(1, len(RING)))
def test_what_is_certain_wherever_a_mark_is_missing_is_filled(missing: int) -> None:
    marked = set(range(1, len(RING))) - {missing}
    for seed in range(2):
        matches = outing(marked, seed=seed)
        found = stops_of(matches, marked)
        for stop, filled in zip(RING, found, strict=True):
            assert set(filled) <= {stop, None}
        certain = [n for n, filled in enumerate(found) if filled == [RING[n]] * 4]
        assert len(certain) >= len(RING) - 4
        assert all("near-change" in kinds(one) for one in matches if one.outcome.is_filled)


def test_flash_that_is_set_for_each_f_number_is_no_sign_of_an_error() -> None:
    flash = seen("K7_0000", "09:00:00", 8).frame.exposure
    shots = [shot(f"K7_{n:04}", f"09:{n:02}:00") for n in range(1, 13)]
    frames = [replace(one, exposure=flash) for one in shots]
    light = {one.file: PictureLight(-2.5, 0.2) for one in frames}
    light["K7_0005.JPG"] = light["K7_0009.JPG"] = SLATE
    text = "first k7 miran58 f/2.8\nthen k7 f/11\nthen k7 f/4"
    matches = match_frames(frames, [parse_log(text, KIT)], KIT, pictures=lambda f: light[f.file])
    fills = [one.fill.f_number for one in matches.frames if one.fill and one.outcome.is_filled]
    assert [float(one or 0) for one in fills] == [2.8] * 4 + [11] * 3 + [4] * 3
    assert not any(kinds(one) for one in matches.frames)


def test_an_entry_is_certain_only_where_the_light_says_so() -> None:
    # Ten entries with one f-number: nothing tells where the mark is missing.
    parts = [MarkedPart([5.0] * 4) for _ in range(9)]
    odds = entry_odds(parts, [0.0] * 8, [4.0] * 10)
    assert all(max(each) < CERTAIN for each in odds)
