"""A lens that names itself, where the log has none, puts what follows in doubt."""

from __future__ import annotations

from fractions import Fraction

from flangeback.frames import Frame, LensData
from flangeback.match.model import Outcome
from support.shots import kinds, matched, shot

NATIVE = LensData("Kestrin 24-70mm F4", Fraction(4), Fraction(35))
BLANK = LensData()
ENTRY = "09:00 k7 miran58 f/4\n"


def frames() -> list[Frame]:
    """A frame every two minutes from 09:02 on: the fourth and the fifth name their lens."""
    return [
        shot(f"K7_{n:04}", f"09:{2 * n:02}:30", data=NATIVE if n in (4, 5) else BLANK)
        for n in range(1, 9)
    ]


def doubted(log: str) -> list[int]:
    """The numbers of the frames that have the doubt and no lens data."""
    found = matched(frames(), log).frames
    return [
        n
        for n, one in enumerate(found, 1)
        if "native-lens" in kinds(one) and one.frame.lens_data == BLANK
    ]


def test_what_was_mounted_after_a_native_lens_is_doubted() -> None:
    found = matched(frames(), ENTRY).frames
    assert [one.outcome for one in found[3:5]] == [Outcome.CONFLICT] * 2
    assert doubted(ENTRY) == [6, 7, 8]


def test_the_next_entry_says_what_was_mounted() -> None:
    assert doubted(f"{ENTRY}09:13:00 k7 f/5.6\n") == [6]


def test_an_entry_that_may_be_from_before_says_nothing() -> None:
    assert doubted(f"{ENTRY}09:10 k7 f/5.6\n") == [6, 7, 8]


def test_a_native_lens_that_the_log_has_tells_nothing() -> None:
    assert doubted(f"{ENTRY}09:07:00 k7 off\n09:11:00 k7 miran58 f/4\n") == []
    assert doubted(f"{ENTRY}K7_0004..K7_0005 k7 off\n") == []


def test_a_lens_that_is_the_kits_own_tells_nothing() -> None:
    own = LensData("Miran 58mm f/2", Fraction(4), Fraction(58))
    named = [shot("K7_0001", "09:02:30", data=own), shot("K7_0002", "09:04:30")]
    assert [kinds(one) for one in matched(named, ENTRY).frames] == [[], []]


def test_a_blank_frame_under_off_is_doubted_where_native_lenses_name_themselves() -> None:
    log = f"{ENTRY}09:07:00 k7 off\n"
    found = matched(frames(), log).frames
    assert [one.outcome for one in found[3:]] == [Outcome.NATIVE] * 5
    assert doubted(log) == [6, 7, 8]


def test_a_body_whose_native_lenses_say_nothing_raises_no_doubt() -> None:
    blank = [shot(f"K7_{n:04}", f"09:{2 * n:02}:30") for n in range(1, 9)]
    assert all(kinds(one) == [] for one in matched(blank, f"{ENTRY}09:07:00 k7 off\n").frames)
