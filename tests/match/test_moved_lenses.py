"""A lens is on one body at a time: what the other one had isn't known."""

from __future__ import annotations

from flangeback.match.model import Outcome
from support.shots import kinds, matched, shot


def outcomes(log: str) -> dict[str, list[str]]:
    """What four frames each of two bodies come to, five minutes apart, interleaved."""
    frames = [
        shot(f"{body}_{n:04}", f"09:{5 * n:02}:30", body.lower())
        for n in range(1, 5)
        for body in ("K7", "N2")
    ]
    found = matched(frames, log).frames
    return {
        body: [str(one.outcome) for one in found if one.frame.file.startswith(body)]
        for body in ("K7", "N2")
    }


def test_what_the_body_had_after_its_lens_went_to_another_is_not_told() -> None:
    found = outcomes("09:00 k7 tolvan28 f/4\n09:00 n2 off\n09:12 n2 tolvan28 f/8\n")
    assert found == {
        "K7": ["fill", "fill", "unsure", "unsure"],
        "N2": ["native", "native", "fill", "fill"],
    }


def test_the_bodys_next_entry_tells() -> None:
    log = "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n09:12 k7 miran58 f/8\n"
    assert outcomes(log)["K7"] == ["fill"] * 4
    log = "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n09:18 k7 miran58 f/8\n"
    assert outcomes(log)["K7"] == ["fill", "fill", "unsure", "fill"]


def test_a_lens_on_two_bodies_from_one_minute_on_is_told_of_neither() -> None:
    found = outcomes("09:00 k7 tolvan28 f/4\n09:00 n2 tolvan28 f/8\n")
    assert found == {"K7": ["unsure"] * 4, "N2": ["unsure"] * 4}


def test_a_lens_that_came_off_before_is_no_matter() -> None:
    found = outcomes("09:00 k7 tolvan28 f/4\n09:11 k7 off\n09:12 n2 tolvan28 f/8\n")
    assert found["K7"] == ["fill", "fill", "native", "native"]


def test_the_doubt_says_which_line_moved_it() -> None:
    frames = [shot("K7_0001", "09:20:00"), shot("N2_0001", "09:20:00", "n2")]
    found = matched(frames, "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n").frames[0]
    assert found.outcome is Outcome.UNSURE
    assert kinds(found) == ["near-change"]
    assert found.doubts[0].text.startswith("line 3 puts tolvan28 on n2")
