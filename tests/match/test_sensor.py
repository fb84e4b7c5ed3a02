"""What a sensor is known by when the kit doesn't say, and what it is when evidence disagrees."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.frames import Frame, LensData, read_frame
from flangeback.frames.model import FocalPlane
from flangeback.frames.sensor import crop_of_size, plausible, stated_ratio, used_area
from flangeback.kit import Body, Kit
from flangeback.log.model import Setting
from flangeback.match import DoubtKind, Matches
from flangeback.match.outcomes import Circumstances, Rewriting, Standing, judge
from flangeback.match.sensors import (
    BodySensor,
    Evidence,
    SensorSource,
    SizeFinding,
    sensor_of,
    sensors_of,
)
from flangeback.report.documents import match_document
from flangeback.report.runs import sections, sensor_lines
from support.gear import MIRAN

K7 = Body("k7", "E", "Kestrin K7")
FULL = (35.9, 23.9)
WHOLE, CROPPED, SMALL = (6000, 4000), (3936, 2624), (3000, 2000)


def plane(pixels: tuple[int, int], area: tuple[float, float]) -> FocalPlane:
    """A focal plane whose pixels cover this area in mm."""
    across, down = (Fraction(n) / Fraction(str(mm)) for n, mm in zip(pixels, area, strict=True))
    return FocalPlane(*pixels, across, down)


def frame(
    pixels: tuple[int, int] | None = WHOLE,
    *,
    area: tuple[float, float] | None = None,
    native: tuple[float, int] | None = None,
    registered: tuple[float, int] | None = None,
    zoom: float | None = None,
) -> Frame:
    """A frame; `native` and `registered` are a focal length and its stated 35 mm equivalent."""
    data = LensData()
    if native:
        data = LensData("A lens", Fraction(4), Fraction(str(native[0])), native[1])
    if registered:
        data = LensData(None, None, Fraction(str(registered[0])), registered[1])
    return Frame(
        "K7_0001.JPG",
        Path(),
        lens_data=data,
        focal_plane=None if area is None or pixels is None else plane(pixels, area),
        pixels=pixels,
        digital_zoom=None if zoom is None else Fraction(str(zoom)),
    )


def only(sensor: BodySensor) -> SizeFinding:
    (found,) = sensor.sizes.values()
    return found


def crop(found: SizeFinding) -> float:
    assert found.evidence is not None
    return found.evidence.crop_factor


# Ranks -----------------------------------------------------------------------------------------


def test_the_kit_comes_first() -> None:
    body = replace(K7, sensor=FULL)
    found = only(sensor_of(body, [frame(native=(50, 50), area=FULL)]))
    assert found.evidence is not None
    assert found.evidence.source is SensorSource.KIT
    # Crop factor: 43.27 mm over the diagonal (common practice); 35.9 x 23.9 is 43.13.
    assert crop(found) == pytest.approx(43.27 / math.hypot(35.9, 23.9))
    assert found.against == ()


def test_native_lenses_come_next() -> None:
    found = only(sensor_of(K7, [frame(native=(20, 30), area=(23.5, 15.6)), frame()]))
    assert found.evidence is not None
    assert found.evidence.source is SensorSource.NATIVE
    assert found.evidence.frames == 1
    assert crop(found) == 1.5
    assert found.against == ()  # 1.53 by the focal plane is the same sensor


def test_then_the_focal_plane() -> None:
    # APS-C, 23.5 x 15.6 mm: about 1.53 (common practice).
    found = only(sensor_of(K7, [frame(area=(23.5, 15.6))] * 3))
    assert found.evidence is not None
    assert (found.evidence.source, found.evidence.frames) == (SensorSource.FOCAL_PLANE, 3)
    assert crop(found) == pytest.approx(1.53, abs=0.01)


def test_else_nothing() -> None:
    assert only(sensor_of(K7, [frame()])).evidence is None
    assert only(sensor_of(K7, [frame(None)])).evidence is None


@pytest.mark.parametrize("portrait", [False, True])
def test_a_portrait_is_the_same_sensor(portrait: bool) -> None:
    size, area = ((4000, 6000), FULL[::-1]) if portrait else (WHOLE, FULL)
    found = only(sensor_of(K7, [frame(size, area=area), frame(area=FULL)]))
    assert crop(found) == pytest.approx(1.003, abs=0.001)


# What is of no use -----------------------------------------------------------------------------


@pytest.mark.parametrize("area", [(285.6, 190.4), (2.0, 1.5)])
def test_implausible_areas_are_refused(area: tuple[float, float]) -> None:
    # Plausible is a crop factor of 0.5 to 8; these mean 0.126 and 17.3.
    sensor = sensor_of(K7, [frame(area=area)])
    assert only(sensor).evidence is None
    assert "implausible" in sensor.refused[0]


def test_a_focal_plane_that_wanders_is_refused() -> None:
    sensor = sensor_of(K7, [frame(area=(23.5, 15.6)), frame(area=(17.3, 13.0))])
    assert only(sensor).evidence is None
    assert sensor.refused == ("focal-plane resolution isn't steady",)


def test_natives_that_disagree_are_refused_not_averaged() -> None:
    frames = [frame(native=(50, 50)), frame(native=(50, 75))]
    sensor = sensor_of(K7, frames)
    assert only(sensor).evidence is None
    assert "don't agree" in sensor.refused[0]


@given(st.floats(0.7, 4), st.lists(st.integers(8, 600), min_size=1, max_size=8))
def test_equivalents_rounded_to_whole_mm_agree(factor: float, focals: list[int]) -> None:
    frames = [frame(native=(focal, max(1, round(focal * factor)))) for focal in focals]
    found = only(sensor_of(K7, frames))
    # The longest lens says the factor to half a mm of its equivalent.
    assert crop(found) == pytest.approx(factor, abs=max(0.5, 1 - factor) / max(focals) + 1e-9)


def test_registered_focal_lengths_are_no_evidence() -> None:
    # A body without lens contact has the equivalent from what was keyed in by hand.
    assert only(sensor_of(K7, [frame(registered=(58, 116))])).evidence is None
    assert stated_ratio(frame(registered=(58, 116))) is None


def test_a_frame_that_was_filled_before_is_no_evidence() -> None:
    # Its equivalent came from a kit, perhaps one that has been corrected since.
    filled = replace(
        frame(),
        lens_data=LensData("Miran 58mm f/2", Fraction(4), Fraction(58), 116, "Ostrava Optik"),
    )
    assert only(sensor_of(K7, [filled], [MIRAN])).evidence is None
    (found,) = matched(filled, frame()).frames[1:]
    assert found.fill is not None
    assert found.fill.focal_length_35mm is None
    # On a body of its own mount the same lens is native.
    assert crop(only(sensor_of(K7, [filled]))) == 2.0
    native = matched(filled, frame(), body=replace(K7, mount="M42")).frames[1]
    assert native.fill is not None
    assert native.fill.focal_length_35mm == 116


def test_digital_zoom_is_no_evidence() -> None:
    zoomed = frame(native=(50, 100), area=(18, 12), zoom=2)
    found = only(sensor_of(K7, [zoomed, frame(native=(50, 50), area=(36, 24))]))
    assert crop(found) == 1.0
    assert found.against == ()


# Crop modes ------------------------------------------------------------------------------------

HALF = (FULL[0] * 3936 / 6000, FULL[1] * 2624 / 4000)
"""The part of the sensor under 3936 x 2624 of its 6000 x 4000 pixels."""


@pytest.mark.parametrize("sensor", [None, FULL])
def test_a_crop_mode_is_seen_by_the_pitch(sensor: tuple[float, float] | None) -> None:
    frames = [frame(area=FULL), frame(CROPPED, area=HALF)]
    found = sensor_of(replace(K7, sensor=sensor), frames)
    whole, part = found.of(frames[0]), found.of(frames[1])
    # 6000/3936 = 1.524: fewer pixels of the same pitch.
    assert part.part == pytest.approx(1.524, abs=0.001)
    assert crop(part) == pytest.approx(1.524 * crop(whole), rel=0.001)
    assert whole.part == 1
    assert part.against == ()


def test_a_smaller_picture_of_the_whole_sensor_is_none() -> None:
    frames = [frame(area=FULL), frame(SMALL, area=FULL)]
    found = sensor_of(replace(K7, sensor=FULL), frames)
    assert found.of(frames[1]).part == 1
    assert crop(found.of(frames[1])) == crop(found.of(frames[0]))


def test_a_crop_mode_is_seen_by_native_lenses() -> None:
    frames = [frame(native=(85, 85)), frame(CROPPED, native=(85, 127)), frame(CROPPED)]
    found = sensor_of(replace(K7, sensor=FULL), frames)
    assert found.of(frames[2]).part == pytest.approx(127 / 85)
    assert crop(found.of(frames[2])) == pytest.approx(127 / 85, rel=0.005)


def test_native_evidence_reaches_a_crop_mode_through_the_pitch() -> None:
    frames = [frame(native=(50, 50), area=FULL), frame(CROPPED, area=HALF)]
    found = sensor_of(K7, frames).of(frames[1])
    assert found.evidence is not None
    assert found.evidence.source is SensorSource.NATIVE
    assert crop(found) == pytest.approx(1.524, abs=0.001)


def test_a_smaller_size_of_unknown_making_has_no_evidence_from_another() -> None:
    frames = [frame(native=(50, 50)), frame(CROPPED)]
    assert sensor_of(K7, frames).of(frames[1]).evidence is None


def test_another_shape_of_picture_is_no_crop_mode() -> None:
    # 16:9 cuts strips off above and below; bodies go on stating the same equivalent.
    wide = (6000, 3376)
    frames = [frame(area=FULL), frame(wide, area=(35.9, 23.9 * 3376 / 4000))]
    assert sensor_of(replace(K7, sensor=FULL), frames).of(frames[1]).part == 1


def test_a_crop_mode_of_another_shape_is_one_all_the_same() -> None:
    # 3936 x 2216 is 16:9 within the crop mode: the width tells the mode, 6000/3936 = 1.524.
    wide = (3936, 2216)
    frames = [frame(area=FULL), frame(wide, area=(HALF[0], HALF[1] * 2216 / 2624))]
    for body in (K7, replace(K7, sensor=FULL)):
        found = sensor_of(body, frames).of(frames[1])
        assert found.part == pytest.approx(1.524, abs=0.001)
        assert crop(found) == pytest.approx(1.529, abs=0.001)  # 1.524 x 1.003
        assert found.against == ()


@pytest.mark.parametrize("alone", [False, True])
def test_a_square_is_the_sensor_trimmed_and_no_conflict(alone: bool) -> None:
    square = frame((4000, 4000), area=(23.9, 23.9))
    frames = [square] if alone else [frame(area=FULL), square]
    found = sensor_of(replace(K7, sensor=FULL), frames).of(square)
    assert crop(found) == pytest.approx(1.003, abs=0.001)
    assert found.against == ()


def test_natives_in_a_crop_mode_tell_the_whole_sensor() -> None:
    # 85 mm stated as 130 in a part 1.524 times smaller: 130/85/1.524 = 1.003.
    frames = [frame(CROPPED, native=(85, 130), area=HALF), frame(area=FULL)]
    found = sensor_of(K7, frames).of(frames[1])
    assert found.evidence is not None
    assert found.evidence.source is SensorSource.NATIVE
    assert crop(found) == pytest.approx(1.003, abs=0.001)


# Conflicts -------------------------------------------------------------------------------------


def test_conflicting_evidence_is_told_and_not_averaged() -> None:
    body = replace(K7, sensor=FULL)
    found = only(sensor_of(body, [frame(native=(50, 100), area=(23.5, 15.6))]))
    assert crop(found) == pytest.approx(1.003, abs=0.001)
    assert found.against == (
        "the kit's sensor means a crop factor of 1.00, frames with native lenses 2.00",
        "the kit's sensor means a crop factor of 1.00, focal-plane resolution 1.53",
    )


AS_LOGGED = Setting(MIRAN.key, None, Decimal("2.8"), Decimal(58))


def matched(*frames: Frame, body: Body = K7, setting: Setting = AS_LOGGED) -> Matches:
    """The frames of a body, each judged by this setting alone."""
    kit = Kit({body.key: body}, {MIRAN.key: MIRAN})
    sensors = sensors_of(frames, {each.file: body.key for each in frames}, kit)
    around = Circumstances(body, sensors[body.key])
    standing = Standing((setting,))
    return Matches(
        tuple(judge(each, standing, around, kit, Rewriting.NOTHING) for each in frames), sensors
    )


def test_the_equivalent_follows_the_evidence() -> None:
    native = frame(native=(20, 30))
    (found, _) = matched(frame(), native).frames
    assert found.fill is not None
    assert found.fill.focal_length_35mm == 87  # 58 x 1.5
    assert found.doubts == ()


def test_without_evidence_it_is_blank() -> None:
    (found,) = matched(frame()).frames
    assert found.fill is not None
    assert found.fill.focal_length_35mm is None


def test_a_conflict_is_a_doubt_on_what_is_filled() -> None:
    body = replace(K7, sensor=FULL)
    (found,) = matched(frame(area=(17.3, 13.0)), body=body).frames
    assert [doubt.kind for doubt in found.doubts] == [DoubtKind.SENSOR_UNSURE]
    assert found.fill is not None
    assert found.fill.focal_length_35mm == 58  # the kit's, not something between
    (native,) = matched(frame(area=(17.3, 13.0)), body=body, setting=Setting(None)).frames
    assert native.doubts == ()


def test_under_digital_zoom_it_is_blank_and_said() -> None:
    (found,) = matched(frame(zoom=2), body=replace(K7, sensor=FULL)).frames
    assert found.fill is not None
    assert found.fill.focal_length_35mm is None
    assert "digital zoom of 2" in found.doubts[0].text


def test_frames_of_no_body_tell_of_no_sensor() -> None:
    assert sensors_of([frame()], {frame().file: None}, Kit()) == {}


# Real bodies -----------------------------------------------------------------------------------


def test_plausible_crop_factors() -> None:
    assert crop_of_size((36, 24)) == pytest.approx(1, abs=0.001)
    assert plausible(0.79)
    assert not plausible(0.49)
    assert not plausible(8.01)


def test_against_the_lens_databases_crop_factors(corpus: Path) -> None:
    # Source: the open lens-correction database (CC BY-SA 3.0), which has the crop factor of each
    # body by its maker and model as the file has them: evidence lies within 3 % of it, or is
    # refused. What a body states in whole mm is known no better: 82 for 55 is 1.468 to 1.514.
    lensfunpy = pytest.importorskip("lensfunpy")
    database = lensfunpy.Database()
    compared, refused = {}, []
    for path in sorted(corpus.glob("camera-*.jpg")):
        found = read_frame(corpus, path.name)
        if found.damage or not found.make or not found.model:
            continue
        known = database.find_cameras(found.make, found.model)
        if not known:
            continue
        finding = sensor_of(Body("b", "E"), [found])
        evidence = only(finding).evidence
        refused += [path.name] if finding.refused else []
        if evidence is None:
            continue
        least, most = _as_stated(found, evidence)
        true = known[0].crop_factor
        compared[path.name] = max(least / true - 1, 1 - most / true, 0)
        assert compared[path.name] <= 0.03, (path.name, evidence, true)
    assert compared, "no body of the corpus was compared"
    assert refused, "no implausible focal plane was met"


def _as_stated(found: Frame, evidence: Evidence) -> tuple[float, float]:
    """The crop factors that an evidence allows."""
    if evidence.source is SensorSource.FOCAL_PLANE:
        return evidence.crop_factor, evidence.crop_factor
    focal, equivalent = found.lens_data.focal_length, found.lens_data.focal_length_35mm
    assert focal is not None
    assert equivalent is not None
    half = 0.5 if focal.denominator == 1 else 0.05
    return (
        (float(equivalent) - 0.5) / (float(focal) + half),
        (float(equivalent) + 0.5) / (float(focal) - half),
    )


def test_used_area_of_real_files(corpus: Path) -> None:
    areas = [
        area
        for path in sorted(corpus.glob("camera-*.jpg"))
        if (area := used_area(read_frame(corpus, path.name))) is not None
    ]
    assert len(areas) > 10
    assert all(min(area) > 0 for area in areas)


# What the report says --------------------------------------------------------------------------


def test_the_report_names_the_evidence() -> None:
    whole, part = frame(area=FULL), frame(CROPPED, area=HALF)
    found = matched(whole, part, frame(native=(50, 50), area=FULL))
    assert list(sensor_lines(found, "k7")) == [
        "35 mm equivalents by frames with native lenses (1 frame): crop factor 1.00",
        "35 mm equivalents by frames with native lenses (1 frame): crop factor 1.52, in a crop "
        "mode of 3936 x 2624",
    ]


def test_the_report_says_why_equivalents_stay_blank() -> None:
    lines = list(sensor_lines(matched(frame(area=(2.0, 1.5))), "k7"))
    assert lines[0].startswith("35 mm equivalents stay blank")
    assert lines[1].startswith("not used: ")
    assert "implausible" in lines[1]


def test_the_report_tells_a_doubt_on_the_sensor_once() -> None:
    frames = [frame(area=(17.3, 13.0))] * 5
    found = matched(*frames, body=replace(K7, sensor=FULL))
    lines = list(sensor_lines(found, "k7"))
    assert lines[1:] == [
        "sensor-unsure: the kit's sensor means a crop factor of 1.00, focal-plane resolution 2.00 "
        "(K7_0001, K7_0001, K7_0001 and 2 more)"
    ]
    (section,) = sections(found)
    assert [note.kind for run in section.runs for note in run.notes] == []


def test_the_report_is_silent_where_nothing_is_filled() -> None:
    assert list(sensor_lines(matched(frame(), setting=Setting(None)), "k7")) == []
    assert list(sensor_lines(matched(frame()), None)) == []


def test_the_document_has_every_size() -> None:
    body = replace(K7, sensor=FULL)
    matches = matched(frame(area=FULL), frame(CROPPED, area=HALF), body=body)
    found = match_document(matches)["sensors"]
    assert [(row["pixels"], row["source"], row["part"]) for row in found["k7"]] == [
        ([6000, 4000], "kit", 1.0),
        ([3936, 2624], "kit", 1.524),
    ]
