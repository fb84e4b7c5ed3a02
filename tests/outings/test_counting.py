"""What the scorer counts, on answers made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from outings.counting import Counts, count, forgot_before
from support.outing_truth import ChangeTruth, ClockTruth, FrameTruth, OutingTruth

FORGOTTEN = ChangeTruth("k7", 2, "ring", 2.0, noted=False)
NOTED = ChangeTruth("k7", 4, "ring", 1.0, noted=True)
FIRST = ChangeTruth("k7", 0, "first", 0.0, noted=True)


def frame(number: int, f_number: float = 4.0, *, slate: bool = False) -> FrameTruth:
    time = f"2026-05-17T10:0{number}:00"
    return FrameTruth(f"K7_{number}.JPG", "k7", time, "miran58", f_number, 58, slate)


TRUTH = OutingTruth(
    "made",
    "honest",
    0,
    (frame(0), frame(1), frame(2, 8.0), frame(3, 8.0), frame(4, 5.6), frame(5, slate=True)),
    (FIRST, FORGOTTEN, NOTED),
    (ClockTruth("k7", (3600.0,), None, 60.0),),
)


def answer(number: int, f_number: float | None = 4.0, *doubts: str, **more: Any) -> dict[str, Any]:
    return {
        "file": f"K7_{number}.JPG",
        "outcome": "fill",
        "lens": "miran58",
        "f_number": f_number,
        "doubts": [{"kind": doubt, "text": ""} for doubt in doubts],
        **more,
    }


def counted(*answers: dict[str, Any], **document: Any) -> Counts:
    return count(TRUTH, {"frames": answers, **document}, None)


def test_values_are_right_wrong_or_blank() -> None:
    counts = counted(
        answer(0),
        answer(1, 11.0),
        answer(2, 4.0, "light-step"),
        answer(3, None),
        answer(4, 5.6, lens="brask135"),
        answer(5, outcome="slate", lens=None),
    )
    assert (counts.frames, counts.lens_right, counts.lens_wrong) == (5, 4, 1)
    assert (counts.f_right, counts.f_wrong, counts.f_unmarked) == (2, 1, 1)
    assert (counts.stale, counts.stale_unmarked) == (1, 0)
    assert (counts.slates, counts.slates_found, counts.slates_false) == (1, 1, 0)


def test_what_is_shown_but_left_alone_is_blank() -> None:
    counts = counted(answer(0, outcome="unsure"), answer(1, outcome="conflict", lens="brask135"))
    assert (counts.lens_right, counts.lens_wrong, counts.f_right) == (0, 0, 0)


def test_a_lens_in_a_slate_frame_is_wrong() -> None:
    assert counted(answer(5)).lens_wrong == 1


def test_a_light_step_is_true_where_a_turn_was_forgotten() -> None:
    frames = [answer(n, 4.0, *(["light-step"] if n in (0, 3) else [])) for n in range(5)]
    counts = counted(*frames)
    assert (counts.step_runs, counts.step_runs_true, counts.step_frames_false) == (2, 1, 1)
    assert (counts.forgotten, counts.forgotten_found) == (1, 1)


def test_a_forgotten_turn_counts_up_to_the_next_noted_change() -> None:
    changes = (FIRST, FORGOTTEN, NOTED)
    assert [forgot_before(changes, place) for place in range(6)] == [0, 0, 2, 2, 0, 0]


def test_an_offset_is_right_within_its_tolerance() -> None:
    clock = {"body": "k7", "agrees": False}
    near = counted(answer(0), clocks=[{**clock, "fits_s": 3560}])
    far = counted(answer(0), clocks=[{**clock, "fits_s": -3600}])
    agreed = counted(answer(0), clocks=[{"body": "k7", "agrees": True, "fits_s": 3600}])
    assert (near.offsets, near.offsets_right, near.clock_unsure) == (1, 1, 1)
    assert (far.offsets_right, far.clock_unsure) == (0, 1)
    assert (agreed.offsets_right, agreed.clock_unsure) == (0, 0)


@pytest.mark.parametrize("ahead", [200.0, 203.5])
def test_a_stated_offset_that_is_near_enough_is_nothing_to_propose(ahead: float) -> None:
    right = replace(TRUTH, clocks=(ClockTruth("k7", (ahead,), 200.0, 60.0),))
    assert count(right, {"frames": []}, None).offsets == 0


def test_gains_are_counted_over_the_log_alone() -> None:
    alone = {"frames": [answer(n, None, outcome="unsure", lens=None) for n in range(5)]}
    counts = count(TRUTH, {"frames": [answer(0), answer(1, None)]}, alone)
    assert (counts.alone_lens_blank, counts.lens_gained) == (5, 2)
    assert (counts.alone_f_blank, counts.f_gained) == (5, 1)


def test_an_outing_that_could_not_be_matched_is_failed_and_blank() -> None:
    counts = count(TRUTH, None, None)
    assert (counts.failed, counts.lens_right, counts.lens_wrong, counts.frames) == (1, 0, 0, 5)
