"""What a body has registered for the lens tells when one lens was changed for another."""

from __future__ import annotations

from fractions import Fraction

import pytest

from flangeback.clock.model import SECOND
from flangeback.frames import Frame, LensData
from flangeback.kit import parse_kit
from flangeback.log.model import Setting
from flangeback.match.changes import Change
from flangeback.match.registered import by_registered
from flangeback.match.shots import Shot
from support.kits import BRASK135, K7, M42_E, MIRAN58, changed, whole_kit
from support.shots import kinds, matched, short, shot

KIT = whole_kit()
OLD, NEW = Setting("miran58"), Setting("brask135")


def shots(*registered: int | None) -> list[Shot]:
    """A shot a second, each with this focal length in mm."""
    found = []
    for n, focal in enumerate(registered):
        data = LensData(focal_length=None if focal is None else Fraction(focal))
        frame: Frame = shot(f"K7_{n:04}", "09:00:00", data=data)
        found.append(Shot(frame, n, n + 1, n, n + 1))
    return found


def places(*registered: int | None, old: Setting = OLD, new: Setting = NEW) -> tuple[int, ...]:
    """The places left of a change that may lie before any of the shots but the first and last."""
    every = tuple(range(1, len(registered)))
    change = Change("session.txt", 2, new, old, every)
    (left,), _ = by_registered(shots(*registered), [change], KIT)
    return left.places


def test_the_value_tells_the_moment() -> None:
    assert places(58, 58, 58, 135, 135) == (3,)


def test_a_frame_that_the_value_told_says_so() -> None:
    frames = [
        shot(f"K7_{n:04}", time, data=LensData(focal_length=Fraction(focal)))
        for n, (time, focal) in enumerate(
            [("09:30:00", 58), ("09:40:10", 58), ("09:40:50", 135), ("09:50:00", 135)]
        )
    ]
    found = matched(frames, "clock k7 right\n9:10 k7 miran58 f/4\n9:40 k7 brask135 f/5.6\n").frames
    assert [short(one) for one in found] == [
        *["fill miran58 f/4 58mm"] * 2,
        *["fill brask135 f/5.6 135mm"] * 2,
    ]
    by = [one.by.value if one.by else None for one in found]
    assert by == ["log", "registered", "registered", "log"]


def test_a_value_that_changes_in_too_short_a_pause_was_keyed_in_late() -> None:
    """Pauses left no place there: the lens had been changed before."""
    change = Change("session.txt", 2, NEW, OLD, (1, 2, 4))
    (left,), _ = by_registered(shots(58, 58, 58, 135, 135), [change], KIT)
    assert left.places == (1, 2)


@pytest.mark.parametrize("late", [(3, 4), (3,)])
def test_where_a_value_was_keyed_in_late_once_old_values_tell_nothing(
    late: tuple[int, ...],
) -> None:
    """The body has 135 mm still when miran58 is on for certain, or after a pause too short."""
    back = Change("session.txt", 3, OLD, NEW, late)
    change = Change("session.txt", 2, NEW, OLD, (1, 2))
    left, _ = by_registered(shots(58, 58, 135, 135, 135, 58, 58), [change, back], KIT)
    assert left[0].places == (1, 2)


@pytest.mark.parametrize(
    ("old", "new", "lenses"),
    [
        (OLD, Setting(None), [None, None, None, "A", "A"]),
        (Setting(None), OLD, ["A", "A", "A", None, None]),
    ],
)
def test_native_lenses_that_name_themselves_tell_the_moment(
    old: Setting, new: Setting, lenses: list[str | None]
) -> None:
    found = []
    for n, name in enumerate(lenses):
        data = LensData(name, Fraction(4)) if name else LensData()
        found.append(Shot(shot(f"K7_{n:04}", "09:00:00", data=data), n, n + 1, n, n + 1))
    (left,), _ = by_registered(found, [Change("session.txt", 2, new, old, (1, 2, 3, 4))], KIT)
    assert left.places == (3,)


def test_evenly_spaced_frames_are_told_on_both_sides() -> None:
    """No pause gave time for a change, and the keyed-in value turns in the minute that is noted."""
    frames = [
        shot(f"K7_{n:04}", f"09:{39 + n // 12}:{n % 12 * 5:02}", data=LensData(None, None, focal))
        for n in range(30)
        for focal in [Fraction(58 if n < 17 else 135)]
    ]
    found = matched(frames, "clock k7 right\n9:15 k7 miran58 f/4\n9:40 k7 brask135 f/4\n").frames
    lenses = [one.fill and one.fill.lens.key for one in found]
    assert lenses == ["miran58"] * 17 + ["brask135"] * 13
    assert {kind for one in found for kind in kinds(one)} == {"near-change"}


@pytest.mark.parametrize(("seconds", "left"), [(12, (1, 2, 5)), (30, (1, 2, 5)), (80, (5,))])
def test_where_as_long_a_pause_lies_before_the_value_may_have_been_keyed_in_late(
    seconds: int, left: tuple[int, ...]
) -> None:
    """There were 35 s for the change, and so many seconds where the value turns."""
    times = [0, 15, 50, 52, 54, 54 + seconds, 90 + seconds]
    found = [
        one._replace(
            earliest=at * SECOND, latest=(at + 1) * SECOND, start=at * SECOND, end=at * SECOND
        )
        for one, at in zip(shots(58, 58, 58, 58, 58, 135, 135), times, strict=True)
    ]
    change = Change("session.txt", 2, NEW, OLD, (1, 2, 5, 6), (0, times[-1] * SECOND))
    (narrowed,), _ = by_registered(found, [change], KIT)
    assert narrowed.places == left


def test_a_native_lens_that_names_itself_tells_the_moment_of_the_first_entry() -> None:
    native = LensData("Kestrin 24-70mm F4", Fraction(4))
    times = ("09:30:00", "09:40:05", "09:40:40", "09:40:50", "09:42:00")
    frames = [
        shot(f"K7_{n:04}", time, data=native if n < 2 else LensData())
        for n, time in enumerate(times)
    ]
    found = matched(frames, "clock k7 right\n9:40 k7 miran58 f/4\n").frames
    assert [one.fill and one.fill.lens.key for one in found[2:]] == ["miran58"] * 3
    assert [one.fill for one in found[:2]] == [None] * 2


def test_a_value_that_never_changes_tells_nothing() -> None:
    assert places(58, 58, 58, 58, 58) == (1, 2, 3, 4)
    assert places(135, 135, 135, 135, 135) == (1, 2, 3, 4)
    assert places(None, None, None, None) == (1, 2, 3)


def test_a_value_that_goes_back_tells_nothing() -> None:
    assert places(58, 135, 58, 135, 135) == (1, 2, 3, 4)


def test_lenses_of_one_focal_length_are_not_told_apart() -> None:
    assert places(58, 58, 58, 58, new=Setting("miran58", f_number=None)) == (1, 2, 3)


def test_told_shots_are_doubted_with_the_reason() -> None:
    change = Change("session.txt", 2, NEW, OLD, (1, 2, 3, 4))
    _, doubts = by_registered(shots(58, 58, 135, 135, 135), [change], KIT)
    assert sorted(doubts) == [1, 2, 3]
    assert "tells brask135 from miran58" in doubts[2][0].text


# A lens that nobody noted ------------------------------------------------------------------------


def in_a_span(*focals: int, log: str = "9:00 k7 miran58 f/4\n") -> list[tuple[str, list[str]]]:
    """What frames five minutes apart, from 9:05 on, come to: outcome and kinds of doubts."""
    shots = [
        shot(f"K7_{n:04}", f"09:{5 * n:02}:30", data=LensData(focal_length=Fraction(focal)))
        for n, focal in enumerate(focals, start=1)
    ]
    found = matched(shots, f"clock k7 right\n{log}").frames
    return [(short(one).split()[0], kinds(one)) for one in found]


def test_a_value_that_turns_to_another_lens_in_a_span_leaves_the_lens_open() -> None:
    found = in_a_span(58, 58, 135, 135, log="9:00 k7 miran58 f/4\n9:17 k7 f/8\n")
    assert found == [("fill", [])] * 2 + [("unsure", ["registered-focal"])] * 2


def test_it_turns_back_or_a_lens_is_noted() -> None:
    found = in_a_span(58, 135, 58, 135, 135, log="9:00 k7 miran58 f/4\n9:22 k7 brask135 f/4\n")
    assert [outcome for outcome, _ in found] == ["fill", "unsure", "fill", "unsure", "fill"]


def test_a_value_of_no_lens_of_the_kit_or_one_that_never_fitted_is_a_doubt_alone() -> None:
    wrong = ("fill", ["registered-focal"])
    assert in_a_span(58, 85, 85) == [("fill", []), wrong, wrong]
    assert in_a_span(135, 135) == [wrong] * 2


def test_a_value_for_the_lens_before_was_keyed_in_late() -> None:
    """brask135 was on for ten minutes under 58 mm, which suits the lens after it."""
    log = "9:00 k7 brask135 f/4\n9:12 k7 miran58 f/4\n"
    found = in_a_span(58, 58, 58, 135, log=log)
    assert [outcome for outcome, _ in found] == ["fill"] * 4


# Names -----------------------------------------------------------------------------------------

NAMES = K7 + changed(MIRAN58, "known_as", '["MF 58"]') + changed(BRASK135, "known_as", '["MF 135"]')
NAMED = parse_kit(NAMES + M42_E)
LINES = "9:12 miran58 f/2.8\n9:40 brask135 f/4\n"


def named(*names: str | None, f_number: int | None = None) -> list[str]:
    """What frames 15 s apart in the minute of the change, one before and one after, come to."""
    number = None if f_number is None else Fraction(f_number)
    times = ("09:30:00", *(f"09:40:{15 * n:02}" for n in range(len(names) - 2)), "09:45:00")
    frames = [
        shot(f"K7_02{n:02}", time, data=LensData(name, number))
        for n, (time, name) in enumerate(zip(times, names, strict=True))
    ]
    matches = matched(frames, LINES, NAMED).frames
    told = (short(found).split() for found in matches)
    return [words[1] if len(words) > 1 else words[0] for words in told]


def test_names_under_which_the_body_has_them_tell_the_lens_in_the_minute_of_its_change() -> None:
    told = named("MF 58", "MF 58", "mf58", "MF 135", "MF 135")
    assert told[3:] == ["brask135", "brask135"]
    assert named("MF 58", "MF 135", "MF 135", "MF 135")[1:] == ["brask135"] * 3


def test_other_names_tell_nothing() -> None:
    assert named("MF 85", "MF 85", "MF 200", "MF 200")[1:3] == ["unsure", "unsure"]


def test_a_registered_name_is_agreement() -> None:
    whole = LensData("MF 58", Fraction(28, 10), Fraction(58))
    found = matched([shot("K7_0200", "09:30:00", data=whole)], LINES, NAMED).frames[0]
    assert short(found).startswith("agree")
    blank = matched([shot("K7_0200", "09:30:00", data=LensData("MF 58"))], LINES, NAMED).frames[0]
    assert (short(blank), kinds(blank)) == ("fill miran58 f/2.8 58mm", [])
    other = matched([shot("K7_0200", "09:30:00", data=LensData("MF 135"))], LINES, NAMED).frames[0]
    assert short(other).startswith("conflict")


def test_a_pause_tells_nothing_before_it_where_the_new_value_stands_already() -> None:
    # The note is late: the lens was changed in the pause before the minute that it says.
    times = ("09:38:00", "09:39:58", "09:40:04", "09:40:06", "09:40:54", "09:41:01")
    focals = dict.fromkeys(times, 135) | {"09:38:00": 58}
    frames = [
        shot(f"K7_{n:04}", at, data=LensData(focal_length=Fraction(focal)))
        for n, (at, focal) in enumerate(focals.items())
    ]
    text = "clock k7 right\n9:12 k7 miran58 f/4\n9:40 k7 brask135 f/4\n"
    found = matched(frames, text).frames
    assert [short(one).split()[0] for one in found[2:]] == [*["unsure"] * 2, *["fill"] * 2]
    # By the pause alone they were made before the change.
    blank = [shot(f"K7_{n:04}", at) for n, at in enumerate(focals)]
    assert [kinds(one) for one in matched(blank, text).frames[2:4]] == [["placed-in-gap"]] * 2
