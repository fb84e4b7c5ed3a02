"""Slate frames found by their pictures: made with Pillow, and read as frames of a folder are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from PIL import Image

from flangeback.frames.model import Exposure
from flangeback.match.brightness import FrameLight, PictureLight, read_picture
from flangeback.match.slates import SlateSign, slate_signs
from support.shots import shot
from support.slate_pictures import SIZE, capped, fog, hand, scene, sky, street

DAY = Exposure(Fraction(1, 250), 100)
NIGHT = Exposure(Fraction(8), 1600)


def signs(
    folder: Path, pictures: Sequence[Image.Image | None], exposure: Exposure | None = DAY
) -> str:
    """A letter for each: s a slate frame, ? doubtful, - none."""
    found = []
    for number, picture in enumerate(pictures, 1):
        path = folder / f"K7_{number:04}.JPG"
        if picture is None:
            path.write_bytes(b"\xff\xd8\xff")
        else:
            picture.save(path, quality=92)
        frame = replace(
            shot(path.stem, "09:00:00"),
            file=path.name,
            folder=path.parent,
            exposure=exposure or Exposure(),
        )
        found.append(FrameLight.of(frame, read_picture(frame)))
    letters = {SlateSign.YES: "s", SlateSign.DOUBTFUL: "?", SlateSign.NO: "-"}
    return "".join(letters[sign] for sign in slate_signs(found))


def many(make: object, count: int) -> list[Image.Image | None]:
    assert callable(make)
    return [make(seed) for seed in range(count)]


@pytest.mark.parametrize("cover", [capped, hand])
@pytest.mark.parametrize("around", [scene, fog])
@pytest.mark.parametrize("exposure", [DAY, None])
def test_a_cap_and_a_hand_are_found_by_day_and_in_fog(
    tmp_path: Path, cover: object, around: object, exposure: Exposure | None
) -> None:
    one, before, after = many(cover, 1), many(around, 6), many(around, 4)
    assert signs(tmp_path, [*before, *one, *after], exposure) == "------s----"


@pytest.mark.parametrize("make", [scene, fog, street, sky])
def test_an_outing_without_slate_frames_has_none(tmp_path: Path, make: object) -> None:
    assert signs(tmp_path, many(make, 12), NIGHT) == "-" * 12


@pytest.mark.parametrize("before", [scene, street])
def test_a_series_of_the_night_sky_is_none(tmp_path: Path, before: object) -> None:
    frames = [*many(before, 6), *many(sky, 9), *many(street, 6)]
    assert signs(tmp_path, frames, NIGHT) == "-" * 21


def test_a_lone_dark_sky_among_night_pictures_is_never_called_a_slate(tmp_path: Path) -> None:
    frames = [*many(street, 6), *many(sky, 1), *many(street, 6)]
    assert signs(tmp_path, frames, NIGHT) in ("------?------", "-" * 13)


def test_a_hand_at_night_is_doubtful_and_a_cap_is_not(tmp_path: Path) -> None:
    around = many(street, 5)
    assert signs(tmp_path, [*around, *many(capped, 1), *around], NIGHT) == "-----s-----"
    assert signs(tmp_path, [*around, *many(hand, 1), *around], NIGHT) == "-----?-----"


def test_a_cap_between_pictures_of_the_sky_is_found(tmp_path: Path) -> None:
    frames = [*many(sky, 6), Image.new("RGB", SIZE), *many(sky, 6)]
    assert signs(tmp_path, frames, NIGHT) == "------s------"


def test_two_and_three_in_a_row_at_either_end_too(tmp_path: Path) -> None:
    frames = [*many(capped, 2), *many(scene, 5), *many(hand, 3), *many(scene, 5), *many(capped, 2)]
    assert signs(tmp_path, frames) == "ss-----sss-----ss"


def test_a_long_series_of_black_frames_is_doubtful(tmp_path: Path) -> None:
    # Dark frames, made with the cap on to measure a sensor's noise, or a sky that shows nothing.
    frames = [*many(scene, 5), *many(capped, 6), *many(scene, 5)]
    assert signs(tmp_path, frames) == "-----??????-----"


def test_frames_that_are_all_black_are_doubtful(tmp_path: Path) -> None:
    assert signs(tmp_path, many(capped, 2)) == "??"


def test_an_underexposed_picture_is_never_called_a_slate(tmp_path: Path) -> None:
    for number, part in enumerate((3, 4, 6)):
        dark = scene(number).point(lambda value, part=part: value // part)
        assert "s" not in signs(tmp_path, [*many(scene, 5), dark, *many(scene, 5)])


def test_a_picture_that_is_dark_for_its_short_exposure_is_none() -> None:
    around = [FrameLight(PictureLight(-2.0, 0.2), -8.0)] * 5
    bracketed = FrameLight(PictureLight(-7.0, 0.02), -13.0)
    assert slate_signs([*around, bracketed, *around])[5] is SlateSign.NO
    black = FrameLight(PictureLight(-10.0, 0.01), -16.0)
    assert slate_signs([*around, black, *around])[5] is SlateSign.DOUBTFUL
    as_long = FrameLight(PictureLight(-7.0, 0.02), -8.0)
    assert slate_signs([*around, as_long, *around])[5] is SlateSign.YES


def test_a_hand_that_the_body_exposed_for_is_found_by_the_light_it_took() -> None:
    # The time is six stops longer, and the picture as bright as any: only flat.
    around = [FrameLight(PictureLight(-2.5, 0.2), -8.0)] * 5
    hand = FrameLight(PictureLight(-2.8, 0.03), -2.0)
    assert slate_signs([*around, hand, *around])[5] is SlateSign.YES
    in_the_shade = FrameLight(PictureLight(-2.5, 0.2), -2.0)
    assert slate_signs([*around, in_the_shade, *around])[5] is SlateSign.NO
    # With the ring opened by four stops after it, it isn't sure.
    opened = [FrameLight(PictureLight(-2.5, 0.2), -4.0)] * 5
    assert slate_signs([*around, hand, *opened])[5] is SlateSign.DOUBTFUL


def test_a_flat_series_in_other_light_is_no_mark() -> None:
    around = [FrameLight(PictureLight(-2.5, 0.2), -8.0)] * 5
    fog = [FrameLight(PictureLight(-2.5, 0.04), -4.0)] * 6
    assert slate_signs([*around, *fog, *around]) == [SlateSign.NO] * 16


def test_a_frame_without_a_picture_is_none_and_hides_none(tmp_path: Path) -> None:
    frames = [*many(scene, 3), None, *many(capped, 1), None, *many(scene, 3)]
    assert signs(tmp_path, frames) == "----s----"
    assert slate_signs([]) == []
    assert slate_signs([FrameLight(None)] * 3) == [SlateSign.NO] * 3


def test_what_comes_near_a_hand_is_doubtful() -> None:
    around = [FrameLight(PictureLight(-2.0, 0.2))] * 5
    near = FrameLight(PictureLight(-5.5, 0.05))
    assert slate_signs([*around, near, *around])[5] is SlateSign.DOUBTFUL
    at_dusk = [FrameLight(PictureLight(-3.5, 0.2))] * 5
    assert slate_signs([*at_dusk, near, *at_dusk])[5] is SlateSign.NO


def test_a_hand_that_was_exposed_for_by_night_is_one() -> None:
    # A sky as bright would show its glow and stars.
    street = [FrameLight(PictureLight(-3.5, 0.2), -1.0)] * 5
    hand = FrameLight(PictureLight(-2.7, 0.015), 6.0)
    assert slate_signs([*street, hand, *street])[5] is SlateSign.YES
    dark = FrameLight(PictureLight(-7.0, 0.01), 2.0)
    assert slate_signs([*street, dark, *street])[5] is SlateSign.DOUBTFUL
    # What looks like night on one side alone is a ring that was closed.
    closed = [FrameLight(PictureLight(-2.5, 0.2), -1.0)] * 5
    assert slate_signs([*street, dark, *closed])[5] is SlateSign.DOUBTFUL
    opened = [FrameLight(PictureLight(-2.5, 0.2), -4.5)] * 5
    assert slate_signs([*street, dark, *opened])[5] is SlateSign.YES


def test_the_last_pictures_with_the_ring_closed_by_six_stops_are_none() -> None:
    around = [FrameLight(PictureLight(-2.5, 0.1), -12.0)] * 5
    last = FrameLight(PictureLight(-2.8, 0.1), -5.0)
    assert slate_signs([*around, last, last]) == [SlateSign.NO] * 7
