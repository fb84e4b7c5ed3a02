"""The values of a fill as tags: APEX, exact rationals, reducers, equivalents, 7-bit text."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.kit import Adapter, AdapterKind, Body, Lens
from flangeback.kit.optics import equivalent_35mm
from flangeback.tags.decide import (
    Fill,
    aperture_value,
    decide,
    effective,
    make_fill,
    rational,
    text_value,
)
from flangeback.tags.table import TIME_TAGS, Tag, TagValue
from support.kits import whole_kit

KIT = whole_kit()
MIRAN, TOLVAN, ZOOM = (KIT.lenses[key] for key in ("miran58", "tolvan28", "zoom3570"))
REDUCER = KIT.adapters["f-e-reducer"]
F_TO_E = Adapter("f-e-071", "M42", "E", AdapterKind.REDUCER, Decimal("0.71"))
EXTENDER = Adapter("m42-e-14", "M42", "E", AdapterKind.EXTENDER, Decimal("1.4"))
WIDE = Lens("w", "Brask 50mm f/0.95", "M", (Decimal(50),) * 2, (Decimal("0.95"),) * 2, Decimal(16))


def values(fill: Fill, *stale: Tag) -> dict[Tag, TagValue]:
    found = decide(fill, frozenset(stale))
    assert [value.tag for value in found] == sorted({value.tag for value in found})
    return {value.tag: value for value in found}


def number(found: dict[Tag, TagValue], tag: Tag) -> float:
    (value,) = found[tag].numbers
    assert value is not None
    return float(value)


# APEX ------------------------------------------------------------------------------------------

# Marks and their Av (CIPA DC-008, annex on APEX units; ANSI PH2.5-1960; full stops of ISO 517).
MARKS = [("1", 0), ("1.4", 1), ("2", 2), ("2.8", 3), ("4", 4), ("5.6", 5), ("8", 6)]
MARKS += [("11", 7), ("16", 8), ("22", 9), ("32", 10)]


@pytest.mark.parametrize("av", range(11))
def test_exact_marks_have_whole_apertures(av: int) -> None:
    exact = Decimal(2) ** (Decimal(av) / 2)
    assert float(aperture_value(exact)) == pytest.approx(av, abs=1e-4)


@pytest.mark.parametrize(("mark", "av"), MARKS)
def test_rounded_marks_are_within_a_tenth(mark: str, av: int) -> None:
    assert float(aperture_value(Decimal(mark))) == pytest.approx(av, abs=0.1)


@given(st.decimals("0.7", "100", places=2))
def test_aperture_value_turns_back_into_the_f_number(mark: Decimal) -> None:
    # Av = 2 log2 N, so N = 2^(Av/2); a tag is good to a thousandth of a stop.
    assert 2 ** (float(aperture_value(mark)) / 2) == pytest.approx(float(mark), rel=1e-4)


def test_aperture_tags_of_a_fill() -> None:
    found = values(make_fill(MIRAN, None, None, Decimal(8), Decimal(58)))
    assert number(found, Tag.F_NUMBER) == 8
    assert number(found, Tag.APERTURE_VALUE) == 6
    assert number(found, Tag.MAX_APERTURE_VALUE) == 2  # f/2


def test_maximum_aperture_of_a_zoom_is_that_of_its_focal_length() -> None:
    for focal, widest in ((35, 3.5), (70, 4.5)):
        found = values(make_fill(ZOOM, None, None, Decimal(8), Decimal(focal)))
        av = number(found, Tag.MAX_APERTURE_VALUE)
        assert av == pytest.approx(2 * math.log2(widest), abs=1e-4)


def test_below_f_1_the_apex_tags_are_left_out_since_they_have_no_sign() -> None:
    # ApertureValue and MaxApertureValue are RATIONAL, not SRATIONAL (CIPA DC-008, 4.6.5).
    found = values(make_fill(WIDE, None, None, Decimal("0.95"), Decimal(50)))
    assert found[Tag.F_NUMBER].value == ((95, 100),)
    assert Tag.APERTURE_VALUE not in found
    assert Tag.MAX_APERTURE_VALUE not in found
    stopped = values(make_fill(WIDE, None, None, Decimal("1.4"), Decimal(50)))
    assert number(stopped, Tag.APERTURE_VALUE) == pytest.approx(1, abs=0.1)


def test_f_1_has_an_aperture_value_of_nought() -> None:
    fill = make_fill(WIDE, None, None, Decimal(1), Decimal(50))
    assert number(values(fill), Tag.APERTURE_VALUE) == 0


# Rationals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "pair"),
    [
        ("2.8", (28, 10)),
        ("58", (58, 1)),
        ("1.42", (142, 100)),
        ("5.60", (56, 10)),
        ("200", (200, 1)),
    ],
)
def test_rationals_are_what_people_write(written: str, pair: tuple[int, int]) -> None:
    assert rational(Decimal(written)) == pair


@given(st.decimals("0.001", "100000", places=3))
def test_every_decimal_of_three_places_is_exact(value: Decimal) -> None:
    top, below = rational(value)
    assert Fraction(top, below) == Fraction(value)
    assert top < 2**32
    assert below < 2**32


@given(st.decimals("0.00001", "1000000", allow_nan=False))
def test_any_number_fits_and_is_near(value: Decimal) -> None:
    top, below = rational(value)
    assert 0 <= top < 2**32
    assert 0 < below < 2**32
    assert float(Fraction(top, below)) == pytest.approx(float(value), rel=1e-4, abs=1e-9)


def test_geometric_mean_of_two_marks_stays_within_32_bits() -> None:
    between = (Decimal(4) * Decimal("5.6")).sqrt()
    top, below = rational(between)
    assert max(top, below) < 2**32
    assert float(Fraction(top, below)) == pytest.approx(4.7329, abs=1e-4)


def test_types_are_the_standards() -> None:
    # CIPA DC-008: tag numbers and TIFF 6.0 types (2 ASCII, 3 SHORT, 5 RATIONAL).
    standard = {
        "FNumber": (0x829D, 5),
        "ApertureValue": (0x9202, 5),
        "MaxApertureValue": (0x9205, 5),
        "FocalLength": (0x920A, 5),
        "FocalLengthIn35mmFilm": (0xA405, 3),
        "LensSpecification": (0xA432, 5),
        "LensMake": (0xA433, 2),
        "LensModel": (0xA434, 2),
        "LensSerialNumber": (0xA435, 2),
        "DateTimeOriginal": (0x9003, 2),
        "SubSecTimeOriginal": (0x9291, 2),
        "OffsetTimeOriginal": (0x9011, 2),
        "DateTimeDigitized": (0x9004, 2),
        "SubSecTimeDigitized": (0x9292, 2),
        "OffsetTimeDigitized": (0x9012, 2),
        "DateTime": (0x0132, 2),
        "SubSecTime": (0x9290, 2),
        "OffsetTime": (0x9010, 2),
    }
    assert {tag.standard_name: (int(tag), tag.type) for tag in Tag} == standard


# Reducers and extenders ------------------------------------------------------------------------


def test_a_reducer_changes_focal_length_and_f_number() -> None:
    # Both times the factor (trade, common practice): 58 mm f/2 behind 0.71 is 41.2 mm f/1.42.
    fill = make_fill(MIRAN, F_TO_E, None, Decimal(2), Decimal(58))
    found = values(fill)
    assert number(found, Tag.FOCAL_LENGTH) == pytest.approx(41.2, abs=0.05)
    assert found[Tag.F_NUMBER].value == ((142, 100),)
    assert number(found, Tag.APERTURE_VALUE) == pytest.approx(2 * math.log2(1.42), abs=1e-4)
    assert number(found, Tag.MAX_APERTURE_VALUE) == pytest.approx(2 * math.log2(1.42), abs=1e-4)


def test_the_specification_stays_the_lenss_own() -> None:
    found = values(make_fill(MIRAN, F_TO_E, None, Decimal(2), Decimal(58)))
    assert found[Tag.LENS_SPECIFICATION].value == ((58, 1), (58, 1), (2, 1), (2, 1))
    assert found[Tag.LENS_MODEL].value == "Miran 58mm f/2"
    zoom = values(make_fill(ZOOM, F_TO_E, None, None, None))
    assert zoom[Tag.LENS_SPECIFICATION].value == ((35, 1), (70, 1), (35, 10), (45, 10))


def test_a_zoom_behind_a_reducer_knows_the_end_it_stood_at() -> None:
    found = values(make_fill(ZOOM, F_TO_E, None, Decimal(8), Decimal(70)))
    assert number(found, Tag.FOCAL_LENGTH) == pytest.approx(49.7)
    assert number(found, Tag.MAX_APERTURE_VALUE) == pytest.approx(
        2 * math.log2(4.5 * 0.71), abs=1e-4
    )


def test_an_extender_lengthens() -> None:
    fill = make_fill(MIRAN, EXTENDER, KIT.bodies["k7"], Decimal(4), Decimal(58))
    assert (fill.focal_length, fill.f_number) == (Decimal("81.2"), Decimal("5.6"))
    assert fill.focal_length_35mm == 81


def test_a_reducer_brings_the_wide_open_below_f_1() -> None:
    fill = make_fill(WIDE, F_TO_E, None, Decimal("1.4"), Decimal(50))
    found = values(fill)
    assert Tag.APERTURE_VALUE not in found  # f/0.994
    assert Tag.MAX_APERTURE_VALUE not in found


def test_effective_leaves_what_is_unknown_unknown() -> None:
    assert effective(None, REDUCER.factor) is None
    assert effective(Decimal("2.8"), Decimal(1)) == Decimal("2.8")
    assert effective(Decimal("2.8"), REDUCER.factor) == Decimal("1.988")
    assert effective(Decimal("2.8"), None) is None


# 35 mm equivalents -----------------------------------------------------------------------------

# Sensor sizes of the trade, their crop factors (43.27 mm over the diagonal, common practice).
SENSORS = [((36.0, 24.0), 1.0), ((23.5, 15.6), 1.53), ((22.3, 14.9), 1.61), ((17.3, 13.0), 2.0)]
SENSORS += [((13.2, 8.8), 2.73), ((43.8, 32.9), 0.79)]


@pytest.mark.parametrize(("sensor", "crop"), SENSORS)
@pytest.mark.parametrize("focal", [20, 28, 50, 58, 135, 300])
def test_equivalent_is_focal_length_times_crop_factor(
    sensor: tuple[float, float], crop: float, focal: int
) -> None:
    fill = make_fill(MIRAN, None, Body("b", "E", sensor=sensor), None, Decimal(focal))
    assert fill.focal_length_35mm is not None
    # Crop factors are given to two places: half a unit of the second, and rounding to a mm.
    assert abs(fill.focal_length_35mm - focal * crop) <= 0.5 + focal * 0.0055


def test_equivalents_agree_with_an_independent_lens_database() -> None:
    lensfunpy = pytest.importorskip("lensfunpy")
    crops = sorted({camera.crop_factor for camera in lensfunpy.Database().cameras})
    assert len(crops) > 20
    for crop in crops:
        # A 3:2 sensor whose diagonal is 1/crop of 36 x 24 mm's.
        body = Body("b", "E", sensor=(36 / crop, 24 / crop))
        for focal in (20, 58, 135):
            fill = make_fill(MIRAN, None, body, None, Decimal(focal))
            # Rounding, and the last digit of 43.27.
            near = pytest.approx(focal * crop, abs=0.5 + 2e-4 * focal * crop)
            assert fill.focal_length_35mm == near, crop


def test_equivalent_is_of_what_the_sensor_saw() -> None:
    fill = make_fill(TOLVAN, REDUCER, Body("b", "E", sensor=(23.5, 15.6)), None, Decimal(28))
    assert fill.focal_length == Decimal("19.88")
    assert fill.focal_length_35mm == round(19.88 * 1.534)


def test_no_equivalent_without_a_sensor_or_a_focal_length() -> None:
    body = Body("b", "E")
    for fill in (
        make_fill(MIRAN, None, body, None, Decimal(58)),
        make_fill(MIRAN, None, None, None, Decimal(58)),
        make_fill(ZOOM, None, KIT.bodies["k7"], Decimal(8), None),
    ):
        assert fill.focal_length_35mm is None
        assert Tag.FOCAL_LENGTH_35MM not in values(fill)


def test_equivalent_is_never_nought_which_means_unknown() -> None:
    # CIPA DC-008: FocalLengthIn35mmFilm 0 means unknown.
    assert equivalent_35mm(Decimal("0.3"), 1.0) == 1


def test_an_equivalent_beyond_its_16_bits_is_left_out() -> None:
    # FocalLengthIn35mmFilm is a SHORT (CIPA DC-008; TIFF 6.0).
    fill = make_fill(MIRAN, None, Body("b", "E", sensor=(1.0, 1.0)), None, Decimal(5000))
    assert fill.focal_length_35mm is None
    assert Tag.FOCAL_LENGTH_35MM not in values(fill)


# Text ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["Miran 58mm ƒ/2", "Ångström 50", "Ōsaka 大阪 35mm", "Солнце 44-2", "½ macro"]
)
def test_names_beyond_ascii_are_transliterated_and_kept_whole(name: str) -> None:
    # Exif's ASCII type is 7-bit (CIPA DC-008, 4.6.2); XMP has no such limit (ISO 16684-1).
    value = text_value(Tag.LENS_MODEL, name)
    assert isinstance(value.value, str)
    assert value.value.isascii()
    assert value.value.strip()
    assert value.whole == value.text == name


@given(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1))
def test_any_name_fits_exifs_ascii(name: str) -> None:
    value = text_value(Tag.LENS_MODEL, name)
    assert isinstance(value.value, str)
    assert all(ord(ch) < 128 for ch in value.value)
    assert "\0" not in value.value
    assert name.startswith(value.text)


def test_plain_names_are_as_they_are() -> None:
    value = text_value(Tag.LENS_MAKE, "Ostrava Optik")
    assert (value.value, value.whole, value.text) == ("Ostrava Optik", None, "Ostrava Optik")


# Which tags ------------------------------------------------------------------------------------


def test_a_whole_fill_states_every_tag() -> None:
    fill = make_fill(MIRAN, KIT.adapters["m42-e"], KIT.bodies["k7"], Decimal("2.8"), Decimal(58))
    assert fill.is_whole
    found = values(fill)
    assert found.keys() == set(Tag) - TIME_TAGS
    assert found[Tag.F_NUMBER].value == ((28, 10),)
    assert found[Tag.FOCAL_LENGTH].value == ((58, 1),)
    assert found[Tag.FOCAL_LENGTH_35MM].value == 58
    assert found[Tag.LENS_MAKE].value == "Ostrava Optik"
    assert found[Tag.LENS_SERIAL_NUMBER].value == "6612345"
    assert found[Tag.FOCAL_LENGTH].name == "FocalLength"
    assert found[Tag.LENS_MAKE].numbers == ()


def test_what_is_not_certain_is_not_stated() -> None:
    fill = make_fill(MIRAN, None, None, None, Decimal(58))
    assert not fill.is_whole
    assert not {Tag.F_NUMBER, Tag.APERTURE_VALUE} & values(fill).keys()
    unmade = make_fill(KIT.lenses["brask135"], None, None, None, None)
    assert Tag.LENS_SERIAL_NUMBER not in values(unmade)
    assert Tag.FOCAL_LENGTH not in values(unmade)


def test_stale_tags_are_blanked_unless_stated_anew() -> None:
    fill = make_fill(KIT.lenses["brask135"], None, None, None, Decimal(135))
    found = values(fill, *(set(Tag) - TIME_TAGS))
    # Unknown is 0/0 in a rational, 0 in FocalLengthIn35mmFilm (CIPA DC-008), else empty.
    assert found[Tag.F_NUMBER].value == found[Tag.APERTURE_VALUE].value == ((0, 0),)
    assert found[Tag.F_NUMBER].numbers == (None,)
    assert found[Tag.FOCAL_LENGTH_35MM].value == 0
    assert found[Tag.LENS_SERIAL_NUMBER].value == ""
    assert found[Tag.LENS_MAKE].value == "Brask"
    assert found[Tag.FOCAL_LENGTH].value == ((135, 1),)


def test_a_stale_maximum_aperture_is_blanked_below_f_1() -> None:
    fill = make_fill(WIDE, None, None, Decimal("0.95"), Decimal(50))
    found = values(fill, Tag.MAX_APERTURE_VALUE, Tag.APERTURE_VALUE)
    assert found[Tag.MAX_APERTURE_VALUE].value == ((0, 0),)
    assert found[Tag.APERTURE_VALUE].value == ((0, 0),)
