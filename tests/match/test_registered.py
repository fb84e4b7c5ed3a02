"""What a body has registered for the lens tells when one lens was changed for another."""

from __future__ import annotations

from fractions import Fraction

from flangeback.frames import Frame, LensData
from flangeback.log.model import Setting
from flangeback.match.changes import Change
from flangeback.match.registered import by_registered
from flangeback.match.shots import Shot
from support.kits import whole_kit
from support.shots import shot

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


def test_the_new_lens_was_on_from_the_first_shot_with_its_value() -> None:
    assert places(58, 58, 58, 135, 135) == (1, 2, 3)


def test_the_old_value_tells_nothing_since_it_may_lag() -> None:
    assert 1 in places(58, 58, 58, 135, 135)


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
    assert list(doubts) == [2, 3]
    assert "tells brask135 from miran58" in doubts[2][0].text
