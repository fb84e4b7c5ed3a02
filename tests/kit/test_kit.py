"""The kit file: what is read, and every fault told by table and field, all in one go."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import zipfile
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from flangeback import profiles
from flangeback.errors import InputError
from flangeback.kit import Adapter, AdapterKind, Body, Kit, Lens, parse_kit, read_kit
from flangeback.kit.names import same_lens
from support.kits import (
    F_E_REDUCER,
    F_MFT,
    K7,
    M42_E,
    MIRAN58,
    N2,
    TOLVAN28,
    WHOLE,
    ZOOM3570,
    changed,
    problem_of,
    problems_of,
    whole_kit,
)

ROOT = Path(__file__).resolve().parents[2]


# What is read ----------------------------------------------------------------------------------


def test_body_lens_and_adapter_are_read_as_written() -> None:
    kit = parse_kit(K7 + MIRAN58 + M42_E)
    assert kit.bodies == {"k7": Body("k7", "E", "Kestrin K7", "0071133", (35.9, 23.9))}
    assert kit.adapters == {
        "m42-e": Adapter("m42-e", "M42", "E", AdapterKind.PLAIN, Decimal(1), 27.46)
    }
    assert kit.lenses == {
        "miran58": Lens(
            "miran58",
            "Miran 58mm f/2",
            "M42",
            (Decimal(58), Decimal(58)),
            (Decimal("2.0"), Decimal("2.0")),
            Decimal(16),
            "Ostrava Optik",
            "6612345",
            True,
        )
    }


def test_what_is_optional_may_be_left_out() -> None:
    kit = parse_kit(
        '[body.any]\nmount = "E"\n'
        '[lens.a50]\nname = "A"\nfocal = 50\nwidest = 1.4\nnarrowest = 16\nmount = "K"\n'
        '[adapter.k-e]\nlens_mount = "K"\nbody_mount = "E"\n'
    )
    assert kit.bodies["any"] == Body("any", "E")
    assert kit.bodies["any"].crop_factor is None
    assert kit.lenses["a50"].aperture_ring
    assert kit.lenses["a50"].maker is None
    assert kit.adapters["k-e"] == Adapter("k-e", "K", "E")
    assert kit.adapters_for(kit.lenses["a50"], kit.bodies["any"]) == (kit.adapters["k-e"],)


def test_names_that_bodies_have_it_registered_by() -> None:
    lens = parse_kit(changed(MIRAN58, "known_as", '["MF 58", "Lens 1"]')).lenses["miran58"]
    assert lens.known_as == ("MF 58", "Lens 1")
    assert same_lens(lens, "mf58", ())
    assert not same_lens(lens, "MF 50", ())


def test_the_narrowest_may_be_unknown() -> None:
    assert parse_kit(changed(MIRAN58, "narrowest", None)).lenses["miran58"].narrowest is None


def test_a_zoom_has_a_widest_at_its_ends_alone_where_it_changes() -> None:
    zoom = parse_kit(ZOOM3570).lenses["zoom3570"]
    assert zoom.is_zoom
    assert zoom.widest_at(Decimal(35)) == Decimal("3.5")
    assert zoom.widest_at(Decimal(70)) == Decimal("4.5")
    assert zoom.widest_at(Decimal(50)) is None
    assert zoom.widest_at(None) is None
    steady = parse_kit(changed(ZOOM3570, "widest", "4")).lenses["zoom3570"]
    assert steady.widest_at(Decimal(50)) == steady.widest_at(None) == 4


@pytest.mark.parametrize("kind", ["plain", "aperture", "electronic"])
def test_kinds_of_adapter_without_a_factor(kind: str) -> None:
    adapter = parse_kit(changed(M42_E, "kind", f'"{kind}"') + "factor = 1.0").adapters["m42-e"]
    assert adapter.kind == kind
    assert adapter.factor == 1
    assert adapter.sets_aperture == (kind != "plain")


def test_figures_are_exactly_the_ones_written() -> None:
    kit = parse_kit(TOLVAN28 + F_E_REDUCER)
    assert kit.lenses["tolvan28"].widest[0] == Decimal("2.8")
    assert kit.adapters["f-e-reducer"].factor == Decimal("0.71")


def test_a_key_is_found_in_any_case() -> None:
    kit = whole_kit()
    assert kit.named("MIRAN58") is kit.lenses["miran58"]
    assert kit.named("K7") is kit.bodies["k7"]
    assert kit.named("k8") is None
    assert len(list(kit.keys())) == 10


def test_crop_factor() -> None:
    # Full-frame diagonal 43.27 mm over the sensor's (common practice): Four Thirds is 2.00.
    kit = whole_kit()
    assert kit.bodies["n2"].crop_factor == pytest.approx(2.00, abs=0.005)
    assert kit.bodies["k7"].crop_factor == pytest.approx(1.00, abs=0.005)


# Faults ----------------------------------------------------------------------------------------

FAULTS = [
    # text, table and field, what is wrong, part of what was expected, suggestion
    ('[boddy.k7]\nmount = "E"', "[boddy]", "unknown table", "body, lens, adapter", "body"),
    (changed(K7, "modell", '"x"'), "[body.k7] modell", "unknown field", "model, serial", "model"),
    (changed(K7, "mount", '"M24"'), "[body.k7] mount", 'no mount "M24"', "designation", "M42"),
    (changed(K7, "mount", None), "[body.k7] mount", "is missing", "designation", None),
    (changed(K7, "mount", "42"), "[body.k7] mount", "is 42", "in quotes", None),
    (changed(K7, "model", "7"), "[body.k7] model", "is 7", "in quotes", None),
    (changed(K7, "model", '""'), "[body.k7] model", 'is ""', "Exif", None),
    (changed(K7, "model", '"a\\nb"'), "[body.k7] model", "control character", "one line", None),
    (changed(K7, "serial", "71133"), "[body.k7] serial", "is 71133", "in quotes", None),
    (changed(K7, "sensor", "35.9"), "[body.k7] sensor", "is 35.9", "width and height", None),
    (changed(K7, "sensor", "[36]"), "[body.k7] sensor", "is [36]", "width and height", None),
    (changed(K7, "sensor", "[36, 0]"), "[body.k7] sensor", "is [36, 0]", "width and", None),
    (changed(K7, "sensor", "[true, 24]"), "[body.k7] sensor", "[true, 24]", "width and", None),
    (changed(MIRAN58, "name", None), "[lens.miran58] name", "is missing", "name", None),
    (changed(MIRAN58, "focal", None), "[lens.miran58] focal", "is missing", "mm", None),
    (changed(MIRAN58, "focal", "0"), "[lens.miran58] focal", "is 0", "mm above 0", None),
    (changed(MIRAN58, "focal", "-58"), "[lens.miran58] focal", "is -58", "mm above 0", None),
    (changed(MIRAN58, "focal", "true"), "[lens.miran58] focal", "is true", "mm above 0", None),
    (changed(MIRAN58, "focal", '"58"'), "[lens.miran58] focal", 'is "58"', "mm above 0", None),
    (changed(MIRAN58, "focal", "nan"), "[lens.miran58] focal", "is NaN", "mm above 0", None),
    (changed(MIRAN58, "focal", "inf"), "[lens.miran58] focal", "is Infinity", "mm above", None),
    (changed(MIRAN58, "focal", "99999"), "[lens.miran58] focal", "99999", "10000", None),
    (changed(ZOOM3570, "focal", "[70, 35]"), "[lens.zoom3570] focal", "greater first", "mm", None),
    (changed(ZOOM3570, "focal", "[1, 2, 3]"), "[lens.zoom3570] focal", "[1, 2, 3]", "mm", None),
    (changed(ZOOM3570, "focal", "[]"), "[lens.zoom3570] focal", "is []", "mm", None),
    (
        changed(ZOOM3570, "widest", "[4.5, 3.5]"),
        "[lens.zoom3570] widest",
        "greater first",
        "f-number",
        None,
    ),
    (
        changed(MIRAN58, "widest", "[2.0, 2.8]"),
        "[lens.miran58] widest",
        "two values on a lens of one focal length",
        "one f-number",
        None,
    ),
    (changed(MIRAN58, "widest", "0.2"), "[lens.miran58] widest", "is f/0.2", "0.5 or more", None),
    (changed(MIRAN58, "widest", "true"), "[lens.miran58] widest", "is true", "f-number", None),
    (changed(MIRAN58, "known_as", '"MF 58"'), "[lens.miran58] known_as", "MF 58", "list", None),
    (changed(MIRAN58, "known_as", '[""]'), "[lens.miran58] known_as", '[""]', "list", None),
    (
        changed(MIRAN58, "narrowest", "1.4"),
        "[lens.miran58] narrowest",
        "f/1.4 is wider than widest f/2.0",
        "not below widest",
        None,
    ),
    (changed(MIRAN58, "narrowest", "[16]"), "[lens.miran58] narrowest", "[16]", "f-number", None),
    (changed(MIRAN58, "mount", '"m43"'), "[lens.miran58] mount", 'no mount "m43"', "", "M42"),
    (
        changed(MIRAN58, "aperture_ring", '"yes"'),
        "[lens.miran58] aperture_ring",
        '"yes"',
        "tr",
        None,
    ),
    (changed(MIRAN58, "aperture_ring", "1"), "[lens.miran58] aperture_ring", "is 1", "true", None),
    (changed(MIRAN58, "narowest", "16"), "[lens.miran58] narowest", "unknown", "", "narrowest"),
    (changed(M42_E, "lens_mount", None), "[adapter.m42-e] lens_mount", "is missing", "mount", None),
    (changed(M42_E, "body_mount", '"EE"'), "[adapter.m42-e] body_mount", '"EE"', "mount", "E"),
    (changed(M42_E, "kind", '"planar"'), "[adapter.m42-e] kind", '"planar"', "reducer", "plain"),
    (changed(M42_E, "kind", "1"), "[adapter.m42-e] kind", "is 1", "one of plain", None),
    (changed(M42_E, "factor", "0.71"), "[adapter.m42-e] factor", "0.71 on kind plain", "1.0", None),
    (changed(M42_E, "thickness", "0"), "[adapter.m42-e] thickness", "is 0", "mm above 0", None),
    (changed(M42_E, "thickness", "false"), "[adapter.m42-e] thickness", "false", "mm above", None),
    (changed(F_E_REDUCER, "factor", None), "[adapter.f-e-reducer] factor", "missing", "0.71", None),
    (changed(F_E_REDUCER, "factor", "1.4"), "[adapter.f-e-reducer] factor", "1.4", "below 1", None),
    (changed(F_E_REDUCER, "factor", "1.0"), "[adapter.f-e-reducer] factor", "1.0", "below 1", None),
    (
        changed(F_E_REDUCER, "kind", '"extender"'),
        "[adapter.f-e-reducer] factor",
        "is 0.71",
        "above 1",
        None,
    ),
    ("body = 7", "[body]", "needs a key", "[body.KEY]", None),
    ('[body]\nmodel = "Kestrin K7"', "[body]", "needs a key", "[body.KEY]", None),
    ("[[lens]]\nfocal = 58", "[lens]", "needs a key", "[lens.KEY]", None),
]


@pytest.mark.parametrize(("text", "place", "wrong", "expected", "suggestion"), FAULTS)
def test_a_fault_names_file_table_field_and_what_was_expected(
    text: str, place: str, wrong: str, expected: str, suggestion: str | None
) -> None:
    problem = problem_of(text)
    assert problem.file == "mine/kit.toml"
    assert problem.text.startswith(f"{place}: ")
    assert wrong in problem.text
    assert problem.expected is not None
    assert expected in problem.expected
    assert problem.suggestion == suggestion


KEYS = [
    ("'9:12'", "reads as a time"),
    ("'09.12'", "reads as a time"),
    ("9h12", "reads as a time"),
    ("'f/2.8'", "reads as an f-number"),
    ("f28", "reads as an f-number"),
    ("'5.6'", "reads as an f-number"),
    ("'1:2.8'", "reads as an f-number"),
    ("85mm", "reads as a focal length"),
    ("t2", "reads as a T-stop"),
    ("'a..b'", "reads as a range of frames"),
    ("off", "reads as a word of the session log"),
    ("Open", "reads as a word of the session log"),
    ("via", "reads as a word of the session log"),
    ("not-slate", "reads as a word of the session log"),
    ("'two words'", "isn't one word"),
    ("'a,b'", "isn't one word"),
    ("'a#b'", "isn't one word"),
    ("''", "isn't one word"),
]


@pytest.mark.parametrize(("key", "wrong"), KEYS)
def test_keys_that_the_session_log_would_read_otherwise(key: str, wrong: str) -> None:
    problem = problem_of(f'[body.{key}]\nmount = "E"')
    assert problem.text.startswith(f"[body.{key.strip(chr(39))}]: ")
    assert wrong in problem.text
    assert problem.expected


@pytest.mark.parametrize("key", ["k7", "f-mft", "fd-e", "m42-e", "50", "häll-50", "first1"])
def test_keys_that_are_fine(key: str) -> None:
    assert list(parse_kit(f'[body."{key}"]\nmount = "E"').bodies) == [key]


@pytest.mark.parametrize("key", ["k7", "K7"])
def test_a_key_is_taken_once_on_any_shelf(key: str) -> None:
    problem = problem_of(K7 + MIRAN58.replace("lens.miran58", f"lens.{key}"))
    assert problem.text == f"[lens.{key}]: the key is already taken by [body.k7]"
    assert problem.expected


def test_two_bodies_that_would_claim_the_same_frames() -> None:
    twin = K7.replace("body.k7", "body.twin")
    problem = problem_of(K7 + twin)
    assert problem.text == "[body.twin] serial: [body.k7] has the same model and serial"
    assert "serial on each" in str(problem.expected)
    assert parse_kit(K7 + changed(twin, "serial", '"0071134"')).bodies.keys() == {"k7", "twin"}
    bare = '[body.a]\nmount = "E"\n[body.b]\nmount = "E"\n'
    assert "no model either" in problem_of(bare).text


@pytest.mark.parametrize("sensor", ["[3.6, 2.4]", "[100, 60]", "[35.9, 0.5]"])
def test_a_sensor_of_no_body_is_refused(sensor: str) -> None:
    """Crop factors lie between 0.5 and 8, of film backs and of the smallest interchangeable-lens
    bodies (common practice); 3.6 is a side in cm."""
    problem = problem_of(changed(K7, "sensor", sensor))
    assert problem.text.startswith("[body.k7] sensor: is [")
    assert problem.expected == "width and height in mm, such as [35.9, 23.9]"


EIGHT = """
[boddy.x]
mount = "E"
[body.k7]
modell = "Kestrin K7"
mount = "E"
sensor = [35.9]
[lens.off]
name = "Miran 58mm f/2"
focal = 0
widest = 2.0
narrowest = 16
mount = "M24"
[lens.brask135]
name = "Brask Tele 135mm f/3.5"
focal = 135
widest = 3.5
narrowest = 2
mount = "M42"
[adapter.m42-e]
lens_mount = "M42"
body_mount = "E"
kind = "reducer"
"""


def test_eight_faults_come_in_one_go_each_with_its_line() -> None:
    found = problems_of(EIGHT)
    places = sorted((problem.line or 0, problem.text.split(":")[0]) for problem in found)
    assert places == [
        (2, "[boddy]"),
        (5, "[body.k7] modell"),
        (7, "[body.k7] sensor"),
        (8, "[lens.off]"),
        (10, "[lens.off] focal"),
        (13, "[lens.off] mount"),
        (18, "[lens.brask135] narrowest"),
        (20, "[adapter.m42-e] factor"),
    ]


def test_broken_toml_names_line_and_column() -> None:
    problem = problem_of('[body.k7]\nmount = "E"\nmodel = Kestrin\n')
    assert (problem.line, problem.column) == (3, 9)
    assert problem.source == "model = Kestrin"
    assert problem.expected == 'the line to read model = "Kestrin"'
    assert problem_of("[body.k7]\n[body.k7]\n").line == 2


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    def told(path: Path) -> str:
        with pytest.raises(InputError) as caught:
            read_kit(path)
        (problem,) = caught.value.problems
        assert problem.file == str(path)
        return problem.text

    assert "no such kit file" in told(tmp_path / "kit.toml")
    assert "can't be read" in told(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'[lens.a]\nname = "H\xe4ll"')
    assert "isn't UTF-8" in told(tmp_path / "latin.toml")
    (tmp_path / "marked.toml").write_text(WHOLE.replace("\n", "\r\n"), "utf-8-sig", newline="")
    assert read_kit(tmp_path / "marked.toml").lenses == whole_kit().lenses


# Any text at all -------------------------------------------------------------------------------

WORDS = st.sampled_from(
    [
        *("[", "]", "[[", "body", "lens", "adapter", ".", "k7", "=", "\n", '"', "'", ",", "{", "}"),
        *("mount", "focal", "widest", "narrowest", "name", "kind", "factor", "sensor", "model"),
        *('"E"', '"M42"', "58", "2.0", "-1", "true", "nan", "inf", "1e9", "0x7f", "2026-05-17"),
        *("\n[body.k7]\n", "\n[lens.a]\n", "\n[adapter.b]\n", "[35, 70]", "09:12:00", "#"),
    ]
)
ASSIGNMENTS = st.lists(
    st.tuples(
        st.sampled_from(["mount", "focal", "widest", "narrowest", "name", "sensor", "factor"]),
        st.sampled_from(
            ["0", "58", "[35, 70]", "[]", "[[1]]", "{}", "{a = 1}", "true", '"M42"', '""', "nan"]
        ),
    ),
    unique_by=lambda pair: pair[0],
)


def is_kit_or_told(text: str) -> None:
    told = ""
    try:
        found: Kit | None = parse_kit(text)
    except InputError as error:
        found, told = None, "\n".join(map(str, error.problems))
    assert isinstance(found, Kit) or told


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.one_of(st.text(), st.lists(WORDS).map(" ".join), st.lists(WORDS).map("".join)))
@example("x = 1e99999999999999999999")
@example("x = " + "9" * 5000)
@example("[lens.a]\nfocal = 0x" + "f" * 5000)
@example("x = " + "[" * 5000)
@example("[lens.a]\nfocal = {b = 0x" + "f" * 5000 + "}")
def test_any_text_is_a_kit_or_told_what_is_wrong(text: str) -> None:
    is_kit_or_told(text)


@settings(deadline=None)
@given(st.sampled_from(["body", "lens", "adapter"]), ASSIGNMENTS)
def test_any_fields_are_a_kit_or_told_what_is_wrong(
    kind: str, fields: list[tuple[str, str]]
) -> None:
    is_kit_or_told(f"[{kind}.a]\n" + "\n".join(f"{name} = {value}" for name, value in fields))


# What ships ------------------------------------------------------------------------------------


def test_the_example_kit_reads_and_has_every_pair_it_needs() -> None:
    kit = read_kit(profiles.folder() / "kit.toml")
    assert set(kit.keys()) == {
        *("k7", "n2", "miran58", "brask135", "tolvan28", "m42-e", "f-mft", "f-e-reducer"),
        "m42-mft",  # goes without saying
    }
    # M42 45.46 mm less E 18.00 mm (published table "Flange focal distance").
    assert kit.adapters["m42-e"].thickness == 27.46


def test_sensor_formats_that_ship_are_the_trades() -> None:
    # Sizes and crop factors of the trade (common practice), typed here anew.
    crops = {"full frame": 1.00, "APS-C (1.5x)": 1.53, "APS-C (1.6x)": 1.61}
    crops |= {"Four Thirds": 2.00, "1 inch": 2.73, "44 x 33": 0.79}
    formats = {row["name"]: row["size"] for row in profiles.load("formats")["format"]}
    assert formats.keys() == crops.keys()
    for name, (width, height) in formats.items():
        body = Body("b", "E", sensor=(float(width), float(height)))
        assert body.crop_factor == pytest.approx(crops[name], abs=0.0055), name


def test_profiles_are_those_of_the_checkout() -> None:
    assert profiles.folder() == ROOT / "profiles"


@pytest.mark.skipif(
    importlib.util.find_spec("hatchling") is None,
    reason="hatchling, which builds wheels, is absent",
)
def test_an_installed_package_carries_its_profiles(tmp_path: Path) -> None:
    build = "import sys, hatchling.build; print(hatchling.build.build_wheel(sys.argv[1]))"
    made = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    wheel = tmp_path / made.stdout.split()[-1]
    place = tmp_path / "site"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(place)
    look = (
        "import flangeback, flangeback.profiles as p\n"
        "from flangeback.kit import read_kit\n"
        "from flangeback.kit.mounts import mount_named\n"
        "print(flangeback.__file__, p.folder(), mount_named('M42').register[0],"
        " len(list(read_kit(p.folder() / 'kit.toml').keys())), sep='|')\n"
    )
    seen = subprocess.run(
        [sys.executable, "-c", look],
        env={"PYTHONPATH": str(place)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    file, folder, register, keys = seen.stdout.strip().split("|")
    assert Path(file) == place / "flangeback" / "__init__.py"
    assert Path(folder) == place / "flangeback" / "profiles"
    assert (register, keys) == ("45.46", "9")
    assert (place / "flangeback" / "py.typed").is_file()


def test_adapters_for_a_lens_on_a_body() -> None:
    kit = parse_kit(K7 + N2 + TOLVAN28 + F_MFT + F_E_REDUCER)
    lens = kit.lenses["tolvan28"]
    assert [found.key for found in kit.adapters_for(lens, kit.bodies["k7"])] == ["f-e-reducer"]
    assert [found.key for found in kit.adapters_for(lens, kit.bodies["n2"])] == ["f-mft"]
