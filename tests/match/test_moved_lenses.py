"""A lens is on one body at a time: what the other one had isn't known."""

from __future__ import annotations

from support.shots import kinds, matched, shot


def doubted(log: str) -> dict[str, list[int]]:
    """The numbers of the doubted ones of four frames each of two bodies, at 09:05:30 and so on."""
    frames = [
        shot(f"{body}_{n:04}", f"09:{5 * n:02}:30", body.lower())
        for n in range(1, 5)
        for body in ("K7", "N2")
    ]
    found = matched(frames, log).frames
    return {
        body: [int(one.frame.stem[-1]) for one in found if body in one.frame.file and kinds(one)]
        for body in ("K7", "N2")
    }


def test_what_the_body_had_after_its_lens_went_to_another_is_doubted() -> None:
    log = "09:00 k7 tolvan28 f/4\n09:00 n2 off\n09:12 n2 tolvan28 f/8\n"
    assert doubted(log) == {"K7": [3, 4], "N2": []}


def test_the_bodys_next_entry_tells() -> None:
    log = "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n09:12 k7 miran58 f/8\n"
    assert doubted(log)["K7"] == []
    log = "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n09:18 k7 miran58 f/8\n"
    assert doubted(log)["K7"] == [3]


def test_a_lens_on_two_bodies_from_one_minute_on_is_doubted_on_both() -> None:
    found = doubted("09:00 k7 tolvan28 f/4\n09:00 n2 tolvan28 f/8\n")
    assert found == {"K7": [1, 2, 3, 4], "N2": [1, 2, 3, 4]}


def test_a_lens_that_came_off_before_is_no_matter() -> None:
    log = "09:00 k7 tolvan28 f/4\n09:11 k7 off\n09:12 n2 tolvan28 f/8\n"
    assert doubted(log)["K7"] == []


def test_the_doubt_says_which_line_moved_it() -> None:
    frames = [shot("K7_0001", "09:20:00"), shot("N2_0001", "09:20:00", "n2")]
    found = matched(frames, "09:00 k7 tolvan28 f/4\n09:12 n2 tolvan28 f/8\n").frames[0]
    (doubt,) = found.doubts
    assert doubt.kind == "near-change"
    assert doubt.text.startswith("line 3 puts tolvan28 on n2")
