"""What fits what: registers, ways through the kit's adapters, and what a lens comes to on them."""

from __future__ import annotations

import json
import math
import sys
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.errors import InputError
from flangeback.kit import Kit, parse_kit
from flangeback.kit.fit import (
    STANDING,
    TOLD,
    AdapterRoom,
    ApertureControl,
    Fit,
    View,
    Way,
    fit,
    fits,
    spacing,
)
from flangeback.kit.mounts import mount_named, mounts
from flangeback.kit.picking import body_named, pick
from flangeback.kit.places import config_folder, kit_file
from support.kits import (
    F_E_REDUCER,
    F_MFT,
    K7,
    M42_E,
    M42_MFT,
    MIRAN58,
    N2,
    TOLVAN28,
    WHOLE,
    ZOOM3570,
    changed,
    problem_of,
    whole_kit,
)
from support.plain_jpeg import picture

MOUNT_NAMES = [mount.name for mount in mounts()]


def fitted(text: str, lens: str = "miran58", body: str = "k7", extension: float = 0.0) -> Fit:
    kit = parse_kit(text)
    return fit(kit.lenses[lens], kit.bodies[body], kit, extension)


def only_way(text: str, lens: str = "miran58", body: str = "k7", extension: float = 0.0) -> Way:
    (way,) = fitted(text, lens, body, extension).ways
    return way


def only_view(text: str, lens: str = "miran58", body: str = "k7", extension: float = 0.0) -> View:
    (view,) = only_way(text, lens, body, extension).views
    return view


# Registers -------------------------------------------------------------------------------------

# Source: the public encyclopedia table "Flange focal distance"; the differences worked by hand.
THICKNESSES = [
    ("M42", "E", 27.46, AdapterRoom.ENOUGH),
    ("F", "Z", 30.50, AdapterRoom.ENOUGH),
    ("LTM", "M", 1.00, AdapterRoom.THIN),
    ("M", "L", 7.80, AdapterRoom.ENOUGH),
    ("EF", "Micro Four Thirds", 24.75, AdapterRoom.ENOUGH),
    ("K", "F", -1.04, AdapterRoom.NONE),
    ("M42", "K", 0.00, AdapterRoom.THIN),
    ("C", "E", -0.474, AdapterRoom.NONE),
]


@pytest.mark.parametrize(("lens", "body", "thickness", "room"), THICKNESSES)
def test_thickness_and_room(lens: str, body: str, thickness: float, room: AdapterRoom) -> None:
    lens_mount, body_mount = mount_named(lens), mount_named(body)
    assert lens_mount
    assert body_mount
    found = spacing(lens_mount, body_mount)
    assert found.thickness == pytest.approx((thickness, thickness), abs=1e-9)
    assert found.room is room


def test_where_the_tables_differ_both_ends_are_given() -> None:
    # Source: published tables give AR 40.5 to 40.7; less E's 18.00.
    ar, e = mount_named("AR"), mount_named("E")
    assert ar
    assert e
    assert spacing(ar, e).thickness == pytest.approx((22.5, 22.7))


@given(st.sampled_from(MOUNT_NAMES), st.sampled_from(MOUNT_NAMES))
def test_room_one_way_is_none_the_other_way(one: str, other: str) -> None:
    first, second = mount_named(one), mount_named(other)
    assert first
    assert second
    there, back = spacing(first, second), spacing(second, first)
    assert there.thickness[0] == pytest.approx(-back.thickness[1])
    assert (there.room is AdapterRoom.SAME_MOUNT) == (one == other)
    if there.thickness[0] > 0:
        assert back.room is AdapterRoom.NONE


# Ways ------------------------------------------------------------------------------------------


def test_the_adapter_of_the_kit_is_found() -> None:
    found = fitted(WHOLE)
    assert [way.name for way in found.ways] == ["m42-e"]
    assert found.way is found.ways[0]
    assert found.way.lacks == TOLD
    assert found.way.as_thick is True  # 27.46 mm, just what the registers ask for


def test_without_an_adapter_the_kits_others_are_named() -> None:
    found = fitted(K7 + changed(MIRAN58, "mount", '"X"') + F_E_REDUCER)  # X 17.70 mm, E 18.00 mm
    assert found.way is None
    assert [adapter.key for adapter in found.other_adapters] == ["f-e-reducer"]


def test_a_plain_adapter_that_the_registers_leave_room_for_goes_without_saying() -> None:
    way = only_way(K7 + MIRAN58)
    assert (way.name, way.factor, way.lacks) == ("m42-e", Decimal(1), TOLD)
    assert [adapter.understood for adapter in way.adapters] == [True]


def test_an_adapter_is_not_understood_where_the_kit_brings_lens_and_body_together() -> None:
    assert not any(adapter.understood for adapter in parse_kit(WHOLE).adapters.values())
    # By an adapter with glass, and by two adapters on one another.
    assert list(parse_kit(K7 + TOLVAN28 + F_E_REDUCER).adapters) == ["f-e-reducer"]
    stack = '[adapter.a]\nlens_mount = "F"\nbody_mount = "EF"\n'
    stack += '[adapter.b]\nlens_mount = "EF"\nbody_mount = "E"\n'
    assert list(parse_kit(K7 + TOLVAN28 + stack).adapters) == ["a", "b"]


@pytest.mark.parametrize(("lens_mount", "body_mount"), [("M42", "F"), ("X", "E"), ("K", "M42")])
def test_no_adapter_is_understood_without_room(lens_mount: str, body_mount: str) -> None:
    # FACTS of the trade: the register table; K and M42 have one register, 45.46 mm.
    lens = changed(MIRAN58, "mount", f'"{lens_mount}"')
    assert parse_kit(changed(K7, "mount", f'"{body_mount}"') + lens).adapters == {}


def test_an_understood_adapter_takes_no_key_that_is_taken() -> None:
    kit = parse_kit(K7 + MIRAN58.replace("miran58", "M42-E"))
    assert list(kit.adapters) == ["m42-e-plain"]


def test_same_mount_needs_no_adapter() -> None:
    way = only_way(changed(K7, "mount", '"M42"') + MIRAN58)
    assert way.adapters == ()
    assert way.lacks is None
    assert way.aperture is ApertureControl.LENS_RING


def test_names_of_one_mount_are_one_mount() -> None:
    text = changed(K7, "mount", '"MD"') + changed(MIRAN58, "mount", '"SR"')
    assert fitted(text).spacing.room is AdapterRoom.SAME_MOUNT


def test_adapters_are_stacked() -> None:
    text = K7 + MIRAN58 + F_E_REDUCER.replace('"F"', '"EF"') + (
        '[adapter.m42-ef]\nlens_mount = "M42"\nbody_mount = "EF"\nthickness = 1.46\n'
        '[adapter.x2]\nlens_mount = "EF"\nbody_mount = "EF"\nkind = "extender"\nfactor = 2\n'
    )  # fmt: skip
    found = fitted(text)
    assert [way.name for way in found.ways] == [
        "m42-ef + f-e-reducer",
        "m42-ef + x2 + f-e-reducer",
    ]
    # 58 x 2 x 0.71 = 82.36 mm, f/2 x 2 x 0.71 = f/2.84.
    (view,) = found.ways[1].views
    assert view.focal == Decimal("82.36")
    assert view.widest == Decimal("2.84")


def test_no_way_leads_back_to_a_mount() -> None:
    text = K7 + MIRAN58 + M42_E + (
        '[adapter.there]\nlens_mount = "M42"\nbody_mount = "EF"\n'
        '[adapter.back]\nlens_mount = "EF"\nbody_mount = "M42"\n'
    )  # fmt: skip
    assert [way.name for way in fitted(text).ways] == ["m42-e"]


def test_the_matrix_has_every_pair() -> None:
    kit = whole_kit()
    found = fits(kit.lenses.values(), kit.bodies.values(), kit)
    pairs = {(fit.lens.key, fit.body.key) for fit in found}
    assert pairs == {(lens, body) for lens in kit.lenses for body in kit.bodies}
    assert len(found) == len(pairs)


# Aperture and what the frames lack -------------------------------------------------------------


@pytest.mark.parametrize(
    ("ring", "kind", "aperture", "lacks"),
    [
        ("true", "plain", ApertureControl.LENS_RING, TOLD),
        ("true", "aperture", ApertureControl.LENS_RING, TOLD),
        ("false", "plain", ApertureControl.WIDE_OPEN, TOLD),
        ("false", "aperture", ApertureControl.ADAPTER_RING, TOLD),
        ("false", "electronic", ApertureControl.BODY, ()),
    ],
)
def test_where_the_aperture_is_set(
    ring: str, kind: str, aperture: ApertureControl, lacks: tuple[str, ...]
) -> None:
    text = K7 + changed(MIRAN58, "aperture_ring", ring) + changed(M42_E, "kind", f'"{kind}"')
    way = only_way(text)
    assert way.aperture is aperture
    assert way.lacks == lacks


def test_a_plain_adapter_in_the_stack_breaks_the_talk() -> None:
    text = K7 + changed(MIRAN58, "aperture_ring", "false") + (
        '[adapter.m42-ef]\nlens_mount = "M42"\nbody_mount = "EF"\n'
        '[adapter.ef-e]\nlens_mount = "EF"\nbody_mount = "E"\nkind = "electronic"\n'
    )  # fmt: skip
    way = only_way(text)
    assert way.lacks == TOLD
    assert way.aperture is ApertureControl.WIDE_OPEN


def test_an_adapters_ring_that_does_not_face_the_lens_moves_nothing() -> None:
    text = K7 + changed(MIRAN58, "aperture_ring", "false") + (
        '[adapter.m42-f]\nlens_mount = "M42"\nbody_mount = "F"\n'
        '[adapter.f-e]\nlens_mount = "F"\nbody_mount = "E"\nkind = "aperture"\n'
    )  # fmt: skip
    assert only_way(text).aperture is ApertureControl.WIDE_OPEN


# What the sensor sees --------------------------------------------------------------------------


def test_behind_a_reducer() -> None:
    # Focal length and f-number both times the factor: 58 mm f/2 behind 0.71 is 41.2 mm f/1.42.
    text = K7 + changed(MIRAN58, "mount", '"F"') + "image_circle = 43.3\n" + F_E_REDUCER
    way = only_way(text)
    (view,) = way.views
    assert view.focal == Decimal("41.18")
    assert view.widest == Decimal("1.42")
    assert view.marked == 58
    assert view.equivalent_35mm == 41
    # The circle shrinks with the picture: 43.3 x 0.71 = 30.7 mm, less than 43.1.
    assert way.image_circle == pytest.approx(30.743)
    assert way.covers is False


def test_a_small_sensor() -> None:
    # Four Thirds, 17.3 x 13.0 mm: crop factor 43.27/21.64 = 2.00; 2 atan(17.3/116) is 16.97.
    view = only_view(N2 + MIRAN58 + M42_MFT, body="n2")
    assert view.equivalent_35mm == 116
    assert view.angles is not None
    assert view.angles == pytest.approx((16.97, 12.79, 21.14), abs=0.01)


def test_without_a_sensor_no_equivalent() -> None:
    view = only_view(changed(K7, "sensor", None) + MIRAN58 + M42_E)
    assert view.equivalent_35mm is None
    assert view.angles is None


def test_a_zoom_has_two_ends() -> None:
    wide, long = only_way(K7 + ZOOM3570 + M42_E, "zoom3570").views
    assert (wide.focal, wide.widest) == (Decimal(35), Decimal("3.5"))
    assert (long.focal, long.widest) == (Decimal(70), Decimal("4.5"))


@pytest.mark.parametrize(("circle", "covers"), [("43.3", True), ("43", True), ("30", False)])
def test_image_circle(circle: str, covers: bool) -> None:
    way = only_way(K7 + MIRAN58 + f"image_circle = {circle}\n" + M42_E)
    assert way.covers is covers


# Thickness -------------------------------------------------------------------------------------


def off(thickness: str, lens: str = MIRAN58) -> str:
    return K7 + lens + changed(M42_E, "thickness", thickness)


def test_too_thick_by_hand() -> None:
    # Source: thin lens, f + f^2/d. A 28 mm lens with d = 0.05 mm reaches 15.7 m; 50 mm, 50.05 m.
    tolvan = changed(changed(TOLVAN28, "mount", '"M42"'), "focal", "28")
    reach = only_view(off("27.51", tolvan), "tolvan28").infinity
    assert reach is not None
    assert reach.error == pytest.approx(0.05)
    assert reach.distance / 1000 == pytest.approx(15.7, abs=0.01)
    fifty = only_view(off("27.51", changed(tolvan, "focal", "50")), "tolvan28").infinity
    assert fifty is not None
    assert fifty.distance / 1000 == pytest.approx(50.05)


def test_an_error_that_depth_of_field_hides() -> None:
    # 0.05 mm at f/2 blurs a star to 0.025 mm, within 0.030 mm on full frame (common practice);
    # 0.10 mm blurs it to 0.050 mm: it shows, and f/4 is the first stop with 0.10/N <= 0.030.
    hidden = only_view(off("27.51")).infinity
    assert hidden is not None
    assert not hidden.shows
    assert hidden.far_limit == math.inf
    shown = only_view(off("27.56")).infinity
    assert shown is not None
    assert shown.shows
    assert shown.blur == pytest.approx(0.05)
    assert shown.sharp_from == 4
    # H = 58 + 3364/0.06 (c = 0.0299 by the sensor's 43.13 mm); far = s(H - f)/(H - s), s 33.7 m.
    c = 0.030 * math.hypot(35.9, 23.9) / 43.27
    h, s = 58 + 58**2 / (2 * c), 58 + 58**2 / 0.1
    assert shown.far_limit == pytest.approx(s * (h - 58) / (h - s))
    assert 80_000 < shown.far_limit < 85_000


def test_the_first_sharp_stop_is_a_number_in_json(tmp_path: Path) -> None:
    kit = tmp_path / "kit.toml"
    kit.write_text(off("27.56"), "utf-8")
    done = CliRunner().invoke(app, ["kit", "fit", "miran58", "k7", "--kit", str(kit), "--json"])
    (found,) = json.loads(done.stdout)["fits"]
    assert found["ways"][0]["views"][0]["infinity"]["sharp_from"] == 4


def test_too_thin_reads_short() -> None:
    # 0.10 mm too thin: infinity is sharp where the scale says 58 + 3364/0.1 mm = 33.7 m.
    reach = only_view(off("27.36")).infinity
    assert reach is not None
    assert reach.error == pytest.approx(-0.10)
    assert reach.distance / 1000 == pytest.approx(33.698)


@pytest.mark.parametrize("thickness", ["27.46", "27.47", "27.45"])
def test_within_the_last_digit_of_the_registers_it_is_right(thickness: str) -> None:
    way = only_way(off(thickness))
    assert way.as_thick is True
    assert way.views[0].infinity is None


def test_a_register_of_one_decimal_is_known_less_closely() -> None:
    # Exakta 44.7 may be 44.65 to 44.75, so that 26.74 mm on E (26.70 by the table) may be right.
    exakta = changed(MIRAN58, "mount", '"Exakta"')
    adapter = changed(M42_E, "lens_mount", '"Exakta"')
    assert only_way(K7 + exakta + changed(adapter, "thickness", "26.74")).as_thick is True
    assert only_way(K7 + exakta + changed(adapter, "thickness", "26.80")).as_thick is False


def test_between_the_tables_figures_it_may_be_right() -> None:
    lens = changed(MIRAN58, "mount", '"AR"')
    adapter = changed(M42_E, "lens_mount", '"AR"')
    assert only_way(K7 + lens + changed(adapter, "thickness", "22.6")).as_thick is True
    thick = only_way(K7 + lens + changed(adapter, "thickness", "22.9"))
    assert thick.as_thick is False
    assert thick.views[0].infinity is not None
    assert thick.views[0].infinity.error == pytest.approx(0.3)  # from 22.6, the tables' middle


def test_glass_decides_where_infinity_lies() -> None:
    text = K7 + TOLVAN28 + F_E_REDUCER + "thickness = 24.1\n"
    way = only_way(text, "tolvan28")
    assert way.as_thick is None
    assert way.views[0].infinity is None


def test_plain_adapter_without_room_is_too_thick() -> None:
    # K on F has -1.04 mm; an adapter of 1.5 mm is 2.54 mm too thick: 58 + 3364/2.54 = 1.38 m.
    text = changed(K7, "mount", '"F"') + changed(MIRAN58, "mount", '"K"') + (
        '[adapter.k-f]\nlens_mount = "K"\nbody_mount = "F"\nthickness = 1.5\n'
    )  # fmt: skip
    way = only_way(text)
    reach = way.views[0].infinity
    assert reach is not None
    assert reach.distance == pytest.approx(58 + 58**2 / 2.54)
    assert any("no room" in caution for caution in way.cautions)


def test_thickness_of_a_stack_is_the_sum() -> None:
    text = K7 + MIRAN58 + (
        '[adapter.m42-ef]\nlens_mount = "M42"\nbody_mount = "EF"\nthickness = 1.46\n'
        '[adapter.ef-e]\nlens_mount = "EF"\nbody_mount = "E"\nthickness = 26.1\n'
    )  # fmt: skip
    way = only_way(text)
    assert way.thickness == pytest.approx(27.56)
    assert way.views[0].infinity is not None
    assert way.views[0].infinity.error == pytest.approx(0.10)


@given(st.floats(-1.9, 100).filter(lambda error: abs(error) > 0.02))
def test_the_error_is_what_the_thickness_is_off(error: float) -> None:
    view = only_view(off(f"{27.46 + error:.6f}"))
    assert view.infinity is not None
    assert view.infinity.error == pytest.approx(error, abs=1e-5)
    # The thin lens: what is sharp at that distance has its image f + d behind the lens.
    distance = view.infinity.distance
    assert 1 / distance + 1 / (58 + abs(error)) == pytest.approx(1 / 58, rel=1e-6)


# Close up --------------------------------------------------------------------------------------

TUBE = '[adapter.tube]\nlens_mount = "M42"\nbody_mount = "M42"\nthickness = 29\n'


def test_a_tube_is_for_close_ups() -> None:
    found = fitted(K7 + MIRAN58 + TUBE + M42_E)
    assert [way.name for way in found.ways] == ["m42-e", "tube + m42-e"]
    close = found.ways[1].views[0].close_up
    assert close is not None
    # Thin lens, m = e/f: 29/58 = 0.5; f + f^2/e = 58 + 116 = 174 mm; N (1 + m): f/2 like f/3.
    assert close.magnification == 0.5
    assert close.distance == 174
    assert close.f_number == 3
    assert found.ways[1].views[0].widest == 2  # never written as FNumber
    assert found.ways[1].thickness == pytest.approx(27.46)


def test_bellows_before_a_reducer() -> None:
    text = K7 + changed(MIRAN58, "mount", '"F"') + F_E_REDUCER
    close = only_view(text, extension=29).close_up
    assert close is not None
    # The lens makes 0.5 and f/3; the reducer turns that into 0.355 and f/2.13.
    assert close.magnification == pytest.approx(0.355)
    assert close.f_number == pytest.approx(2.13)


def test_a_tube_behind_glass_is_left_alone() -> None:
    tube = '[adapter.tube]\nlens_mount = "E"\nbody_mount = "E"\nthickness = 10\n'
    found = fitted(K7 + TOLVAN28 + F_E_REDUCER + tube, "tolvan28")
    assert [way.name for way in found.ways] == ["f-e-reducer", "f-e-reducer + tube"]
    assert found.ways[1].views[0].close_up is None


# Cautions --------------------------------------------------------------------------------------


@pytest.mark.parametrize("mount", ["M", "LTM", "G", "C"])
def test_rears_of_mounts_without_a_mirror_are_cautioned_about(mount: str) -> None:
    lens = changed(MIRAN58, "mount", f'"{mount}"')
    adapter = changed(changed(M42_E, "lens_mount", f'"{mount}"'), "thickness", None)
    assert any("shutter" in caution for caution in only_way(K7 + lens + adapter).cautions)


def test_other_mounts_have_mirrors() -> None:
    assert only_way(K7 + MIRAN58 + M42_E).cautions == ()


def test_a_long_lens_and_glass_are_cautioned_about() -> None:
    long = changed(changed(MIRAN58, "focal", "300"), "mount", '"F"')
    text = " ".join(only_way(K7 + long + F_E_REDUCER).cautions)
    assert "glass" in text
    assert "sun" in text


# Bad input -------------------------------------------------------------------------------------


@pytest.mark.parametrize("thickness", ["2.746", "274.6", "1.081"])
def test_impossible_thickness(thickness: str) -> None:
    found = problem_of(changed(M42_E, "thickness", thickness))
    assert "[adapter.m42-e] thickness" in found.text
    assert thickness in found.text
    assert found.expected is not None
    assert "27.46" in found.expected


@pytest.mark.parametrize("thickness", ["25.6", "27.3", "60"])
def test_possible_thickness(thickness: str) -> None:
    kit = parse_kit(changed(M42_E, "thickness", thickness))
    assert kit.adapters["m42-e"].thickness == float(thickness)


def test_glass_may_be_of_any_thickness() -> None:
    assert parse_kit(F_E_REDUCER + "thickness = 20.3\n").adapters["f-e-reducer"].thickness == 20.3


@pytest.mark.parametrize("value", ["0", "-43", '"43"', "true"])
def test_impossible_image_circle(value: str) -> None:
    assert "[lens.miran58] image_circle" in problem_of(MIRAN58 + f"image_circle = {value}\n").text


@pytest.mark.parametrize(
    ("words", "part", "suggestion"),
    [
        (["mirran58", "k7"], 'nothing is called "mirran58"', "miran58"),
        (["M24", "k7"], 'nothing is called "M24"', "M42"),
        (["m42-e", "k7"], "is an adapter", None),
        (["miran58", "brask135"], "both lenses", None),
        (["k7", "n2"], "both bodies", None),
        (["M42"], "alone", None),
        (["miran58", "k7", "n2"], "too many", None),
    ],
)
def test_wrong_words(words: list[str], part: str, suggestion: str | None) -> None:
    with pytest.raises(InputError) as caught:
        pick(words, whole_kit())
    (problem,) = caught.value.problems
    assert part in problem.text
    assert problem.suggestion == suggestion


def test_words_may_come_in_either_order() -> None:
    kit = whole_kit()
    assert pick(["k7", "MIRAN58"], kit) == pick(["miran58", "K7"], kit)
    assert pick(["k7"], kit).lenses == tuple(kit.lenses.values())
    assert pick(["k7"], kit).bodies == (kit.bodies["k7"],)


def test_a_mount_and_a_body() -> None:
    found = pick(["k7", "F"], whole_kit()).mounts
    assert found is not None
    assert [mount.name for mount in found] == ["F", "E"]


def test_no_such_body() -> None:
    with pytest.raises(InputError) as caught:
        body_named("k77", whole_kit())
    assert caught.value.problems[0].suggestion == "k7"
    with pytest.raises(InputError, match="is a lens"):
        body_named("miran58", whole_kit())


def test_a_mount_that_no_table_has_is_an_error_in_a_script_too() -> None:
    kit = whole_kit()
    with pytest.raises(ValueError, match="Nowhere"):
        fit(replace(kit.lenses["miran58"], mount="Nowhere"), kit.bodies["k7"], Kit())


# Where the kit is ------------------------------------------------------------------------------


def test_kit_file_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = tmp_path / "config" / "flangeback" / "kit.toml"
    monkeypatch.setattr("flangeback.kit.places.config_folder", lambda: own.parent)
    beside = tmp_path / "frames"
    beside.mkdir()
    assert kit_file(None, beside) == beside / "kit.toml"  # for the message that it isn't there
    own.parent.mkdir(parents=True)
    own.write_text("")
    assert kit_file(None, beside) == own
    (beside / "kit.toml").write_text("")
    assert kit_file(None, beside) == beside / "kit.toml"
    assert kit_file(beside) == beside / "kit.toml"
    assert kit_file(tmp_path / "other.toml", beside) == tmp_path / "other.toml"


@pytest.mark.skipif(sys.platform != "linux", reason="the XDG Base Directory Specification's")
def test_the_configuration_folder_where_no_variable_names_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    assert config_folder() == tmp_path / ".config" / "flangeback"


# On screen -------------------------------------------------------------------------------------

LONG_KIT = WHOLE + TUBE.replace("tube", "a-rather-long-key-for-a-tube") + F_MFT.replace(
    "f-mft", "another-long-key-of-an-adapter"
)  # fmt: skip


def run(tmp_path: Path, text: str, *words: str) -> tuple[int, str]:
    path = tmp_path / "kit.toml"
    path.write_text(text)
    result = CliRunner().invoke(app, ["kit", *words, "--kit", str(path)], env={"COLUMNS": "80"})
    return result.exit_code, result.output


@pytest.mark.parametrize(
    "words", [(), ("k7",), ("miran58",), ("miran58", "k7"), ("tolvan28", "k7"), ("zoom3570", "n2")]
)
def test_the_tables_fit_80_columns(tmp_path: Path, words: tuple[str, ...]) -> None:
    code, shown = run(tmp_path, LONG_KIT, "fit", *words)
    assert code == 0
    assert max(map(len, shown.splitlines())) <= 80


def test_fit_in_full_says_what_counts(tmp_path: Path) -> None:
    text = K7 + MIRAN58 + changed(M42_E, "thickness", "27.56")
    code, shown = run(tmp_path, text, "fit", "miran58", "k7")
    words = " ".join(shown.split())
    assert code == 0
    for part in (
        "27.46 mm thick: room for a plain one",
        "ring on the lens",
        "0.10 mm too thick",
        "the farthest sharp distance is 33.7 m",
        "from f/4 on it takes in infinity",
        "lens name, focal length, f-number",
        "f/2 to f/16",
        "40.8°",
        STANDING[0],
    ):
        assert part in words


def test_fit_names_what_is_missing(tmp_path: Path) -> None:
    kit = K7 + changed(MIRAN58, "mount", '"X"') + F_E_REDUCER
    code, shown = run(tmp_path, kit, "fit", "miran58", "k7")
    words = " ".join(shown.split())
    assert code == 0
    assert "No adapter of the kit does it" in words
    assert "f-e-reducer is for F lenses, not for X" in words


def test_a_drawer_full_of_tubes_does_not_flood_the_screen(tmp_path: Path) -> None:
    tubes = "".join(TUBE.replace("adapter.tube", f"adapter.tube{n}") for n in range(8))
    code, shown = run(tmp_path, K7 + MIRAN58 + M42_E + tubes, "fit", "miran58", "k7")
    assert code == 0
    # None, 8 single ones, 28 pairs: 37 ways, of which six are shown in full.
    assert "and 28 more" in " ".join(shown.split())
    assert len(shown.splitlines()) < 120
    code, shown = run(tmp_path, K7 + MIRAN58 + M42_E + tubes, "fit")
    assert "and 33 more" in " ".join(shown.split())


def test_a_stack_comes_with_how_the_log_can_name_it(tmp_path: Path) -> None:
    stack = '[adapter.x2]\nlens_mount = "F"\nbody_mount = "F"\nkind = "extender"\nfactor = 2.0\n'
    code, shown = run(tmp_path, K7 + TOLVAN28 + F_E_REDUCER + stack, "fit", "tolvan28", "k7")
    words = " ".join(shown.split())
    assert code == 0
    # 2.0 x 0.71 = 1.42: as one adapter it is an extender.
    entry = 'lens_mount = "F", body_mount = "E", kind = "extender", factor = 1.42'
    assert entry in words
    as_one = "[adapter.both]\n" + entry.replace(", ", "\n") + "\n"
    (way,) = fitted(K7 + TOLVAN28 + as_one, "tolvan28").ways
    assert way.views == fitted(K7 + TOLVAN28 + F_E_REDUCER + stack, "tolvan28").ways[1].views


@pytest.mark.parametrize(
    ("text", "missing"), [(K7, ["lens"]), (MIRAN58, ["body"]), ("", ["lens", "body"])]
)
@pytest.mark.parametrize("command", ["fit", "card"])
def test_a_kit_without_lenses_or_bodies(
    tmp_path: Path, command: str, text: str, missing: list[str]
) -> None:
    code, shown = run(tmp_path, text, command)
    assert code == 2
    for kind in ("lens", "body"):
        assert (f"there is no {kind} in it" in shown) == (kind in missing)


def test_mounts_need_no_kit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    result = CliRunner().invoke(app, ["kit", "fit", "k", "f"])
    assert result.exit_code == 0
    assert "no room for a plain adapter (-1.04 mm)" in result.output
    found = json.loads(CliRunner().invoke(app, ["kit", "fit", "M42", "E", "--json"]).stdout)
    assert found["schema"] == "flangeback/kit-spacing-1"
    assert found["thickness_needed"] == [27.46, 27.46]
    assert CliRunner().invoke(app, ["kit", "fit", "M42", "Q"]).exit_code == 2


def test_fit_as_a_document(tmp_path: Path) -> None:
    code, shown = run(tmp_path, LONG_KIT, "fit", "--json")
    found = json.loads(shown)
    assert code == 0
    assert found["schema"] == "flangeback/kit-fit-1"
    assert len(found["fits"]) == 8
    (reduced,) = [f for f in found["fits"] if (f["lens"], f["body"]) == ("tolvan28", "k7")]
    assert reduced["thickness_needed"] == [28.5, 28.5]
    assert reduced["ways"][0]["adapters"] == ["f-e-reducer"]
    assert reduced["ways"][0]["views"][0]["focal_length"] == pytest.approx(19.88)
    assert {way["aperture"] for f in found["fits"] for way in f["ways"]} == {"ring on the lens"}


@pytest.mark.parametrize("as_option", [False, True])
def test_check_takes_the_kit_either_way_and_a_folder(tmp_path: Path, as_option: bool) -> None:
    (tmp_path / "kit.toml").write_text(WHOLE)
    words = ["--kit"] if as_option else []
    for place in (tmp_path, tmp_path / "kit.toml"):
        result = CliRunner().invoke(app, ["kit", "check", *words, str(place)])
        assert result.exit_code == 0
        assert "miran58" in result.output


def test_other_commands_look_there_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flangeback.kit.places.config_folder", lambda: tmp_path)
    (tmp_path / "kit.toml").write_text(WHOLE)
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "K7_0001.JPG").write_bytes(picture())
    log = frames / "session.txt"
    log.write_text("date 2026-05-17\n09:12 k7 miran58 f/2.8\n")
    assert CliRunner().invoke(app, ["note", str(log), "k7", "f/4"]).exit_code == 0
    result = CliRunner().invoke(app, ["match", str(frames), "--json"])
    assert result.exit_code == 1, result.output  # a frame that no entry covers
    assert json.loads(result.stdout)["totals"] == {"unlogged": 1}
    # A kit beside the frames stands above it.
    (frames / "kit.toml").write_text(N2)
    assert CliRunner().invoke(app, ["match", str(frames)]).exit_code == 2
