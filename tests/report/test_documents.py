"""The JSON documents as plain data."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest

from flangeback.copies import Filled, FrameCopy, Verified
from flangeback.copies.model import CheckedCopy, SourceNow
from flangeback.errors import InputError, Problem
from flangeback.frames import LensData
from flangeback.match import FrameMatch, Matches
from flangeback.report.documents import (
    error_document,
    fill_document,
    match_document,
    verify_document,
)
from flangeback.report.kit_documents import check_document
from support.kits import whole_kit
from support.shots import matched, shot

LOG = "zone Europe/Stockholm\n9:00 k7 tolvan28 f/4-5.6\n9:40 k7 off\n"


def plain(document: Any) -> Any:
    """Through JSON and back, strictly: no NaN, nothing but what JSON has."""
    return json.loads(json.dumps(document, allow_nan=False))


def failed(found: FrameMatch) -> FrameCopy:
    return FrameCopy(match=found, copy=None, copies=(), verified=False, failure="cut short")


def one_frame(matches: Matches) -> dict[str, Any]:
    (frame,) = plain(match_document(matches))["frames"]
    assert isinstance(frame, dict)
    return frame


def test_a_filled_frame() -> None:
    frame = one_frame(matched([shot("sub/K7_0200", "09:10:00.25", resolution=0.01)], LOG))
    assert frame["file"] == "sub/K7_0200.JPG"
    assert frame["camera_time"] == "2026-05-17T09:10:00.250000"
    assert frame["time"] == "2026-05-17T09:10:00.250000+02:00"
    # The geometric mean of f/4 and f/5.6 behind a reducer of 0.71 (common practice).
    assert frame["f_number"] == pytest.approx((4 * 5.6) ** 0.5 * 0.71, abs=0.001)
    assert frame["focal_length"] == 19.88
    assert frame["adapter"] == "f-e-reducer"
    assert frame["log_line"] == 3


def test_a_conflict_shows_no_value_as_if_it_were_filled() -> None:
    data = LensData("Kestrin 24-70mm F4", Fraction(8))
    frame = one_frame(matched([shot("K7_0200", "09:10:00", data=data)], LOG))
    assert frame["outcome"] == "conflict"
    assert (frame["lens"], frame["f_number"], frame["adapter"]) == (None, None, None)
    assert [doubt["kind"] for doubt in frame["doubts"]] == ["native-lens"]


def test_frames_stand_in_the_order_of_their_names_and_totals_in_the_outcomes() -> None:
    frames = [shot("a_1", "09:41:00"), shot("b_1", "09:10:00"), shot("c_1", damage="cut")]
    found = plain(match_document(matched(frames, LOG)))
    assert [frame["outcome"] for frame in found["frames"]] == ["native", "fill", "unreadable"]
    assert list(found["totals"].items()) == [("fill", 1), ("native", 1), ("unreadable", 1)]


def test_a_copy_that_failed_is_null_and_says_why() -> None:
    found = matched([shot("K7_0200", "09:10:00")], LOG).frames[0]
    copies = (failed(found),)
    (frame,) = plain(fill_document(Filled(copies)))["frames"]
    assert (frame["copy"], frame["verified"]) == (None, False)
    assert frame["failure"] == "cut short"


def test_verified_copies() -> None:
    copies = (
        CheckedCopy("a.JPG", None, SourceNow.SAME),
        CheckedCopy("b.JPG", "its bytes changed", SourceNow.AWAY),
    )
    found = plain(verify_document(Verified(copies, ("mine.txt",))))
    assert found["schema"] == "flangeback/verify-1"
    told = {"copy": "b.JPG", "verified": False, "reason": "its bytes changed"}
    assert found["copies"][1].items() >= (told | {"source_at_hand": False}).items()
    assert found["strangers"] == ["mine.txt"]
    assert found["totals"] == {"verified": 1, "failed": 1}


def test_a_kit_is_plain_data() -> None:
    found = plain(check_document(whole_kit(), (), Problem("", "not installed")))
    assert found["schema"] == "flangeback/kit-1"
    assert found["lenses"]["tolvan28"]["widest"] == [2.8, 2.8]
    assert found["bodies"]["n2"]["crop_factor"] == pytest.approx(2.0, abs=0.005)


def test_problems_have_their_places() -> None:
    problem = Problem("session.txt", "no such lens", 3, 10, expected="a lens", suggestion="miran58")
    found = plain(error_document(InputError([problem, Problem("", "no room")])))
    assert found["problems"] == [
        {
            "file": "session.txt",
            "line": 3,
            "column": 10,
            "text": "no such lens",
            "expected": "a lens",
            "suggestion": "miran58",
        },
        {
            "file": None,
            "line": None,
            "column": None,
            "text": "no room",
            "expected": None,
            "suggestion": None,
        },
    ]


# Problems in words -----------------------------------------------------------------------------


def test_a_problem_shows_its_line_with_a_caret() -> None:
    problem = Problem(
        "session.txt",
        '"mirn58" isn\'t understood',
        2,
        10,
        6,
        "09:12 k7 mirn58",
        "a lens",
        "miran58",
    )
    assert str(problem).splitlines() == [
        'session.txt:2:10: "mirn58" isn\'t understood',
        "    09:12 k7 mirn58",
        "             ^^^^^^",
        '    expected a lens; did you mean "miran58"?',
    ]


def test_the_caret_stands_right_under_tabs() -> None:
    lines = str(Problem("s", "no", 1, 3, 2, "\t\tab")).splitlines()
    assert lines[2] == "    \t\t^^"


def test_a_problem_without_a_place_is_its_text() -> None:
    assert str(Problem("", "there is no room")) == "there is no room"
    assert str(InputError("one")) == "one"
    assert str(InputError([Problem("a", "x"), Problem("b", "y")])) == "a: x\nb: y"
