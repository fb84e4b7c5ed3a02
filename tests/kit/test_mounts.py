"""Mounts: registers against figures typed here from their published sources."""

from __future__ import annotations

import json
import re

import pytest
from typer.testing import CliRunner, Result

from flangeback import profiles
from flangeback.cli.app import app
from flangeback.kit import parse_kit
from flangeback.kit.mounts import adapter_thickness, likely_mounts, mount_named, mounts

# Flange focal distances in mm. Source: the public encyclopedia table "Flange focal distance",
# agreeing with published register tables for adapted lenses. C: ANSI/SMPTE, 0.690 in.
REGISTERS: dict[str, float | tuple[float, float]] = {
    "C": 0.690 * 25.4,
    "Z": 16.00,
    "X": 17.70,
    "E": 18.00,
    "EF-M": 18.00,
    "Micro Four Thirds": 19.25,
    "L": 20.00,
    "RF": 20.00,
    "NX": 25.50,
    "GFX": 26.70,
    "M": 27.80,
    "LTM": 28.80,
    "M39": 28.80,
    "M39 rangefinder screw": 28.80,
    "G": 29.00,
    "Four Thirds": 38.67,
    "AR": (40.5, 40.7),  # the tables differ
    "FD": 42.00,
    "FL": 42.00,
    "SR": 43.50,
    "MD": 43.50,
    "EF": 44.00,
    "A": 44.50,
    "Exakta": 44.7,
    "M42": 45.46,
    "K": 45.46,
    "C/Y": 45.50,
    "OM": 46.00,
    "F": 46.50,
    "R": 47.00,
    "T2": 55.00,
    "T-mount": 55.00,
    "645": 70.87,
    "Pentacon Six": 74.1,
    "V": 74.90,
}


@pytest.mark.parametrize("designation", REGISTERS)
def test_register(designation: str) -> None:
    mount = mount_named(designation)
    assert mount is not None
    expected = REGISTERS[designation]
    both = expected if isinstance(expected, tuple) else (expected, expected)
    assert mount.register == pytest.approx(both, abs=1e-9)
    assert mount.source


@pytest.mark.parametrize("designation", REGISTERS)
def test_designations_in_any_case_and_spacing(designation: str) -> None:
    mount = mount_named(designation)
    assert mount is not None
    for written in (designation.lower(), designation.upper(), f"  {designation}  "):
        assert mount_named(written) is mount
    assert mount_named(designation.replace(" ", "  ")) is mount


def test_no_mount_but_these() -> None:
    assert {name for mount in mounts() for name in mount.designations} == set(REGISTERS)
    assert mount_named("SR / MD") is None
    assert mount_named("") is None


def test_each_designation_means_one_mount() -> None:
    folded = [name.casefold() for mount in mounts() for name in mount.designations]
    assert len(folded) == len(set(folded))


# Differences of the published registers, worked by hand.
THICKNESSES = [
    ("M42", "E", 27.46),
    ("F", "Z", 30.50),
    ("LTM", "M", 1.00),
    ("M", "L", 7.80),
    ("EF", "Micro Four Thirds", 24.75),
    ("K", "F", -1.04),  # no room: no infinity focus
]


@pytest.mark.parametrize(("lens", "body", "thickness"), THICKNESSES)
def test_thickness_of_an_adapter(lens: str, body: str, thickness: float) -> None:
    lens_mount, body_mount = mount_named(lens), mount_named(body)
    assert lens_mount is not None
    assert body_mount is not None
    assert adapter_thickness(lens_mount, body_mount) == pytest.approx((thickness, thickness))


def test_thickness_where_the_tables_differ() -> None:
    lens_mount, body_mount = mount_named("AR"), mount_named("E")
    assert lens_mount is not None
    assert body_mount is not None
    assert adapter_thickness(lens_mount, body_mount) == pytest.approx((22.5, 22.7))
    assert adapter_thickness(body_mount, lens_mount) == pytest.approx((-22.7, -22.5))


@pytest.mark.parametrize(("one", "other"), [("SR", "md"), ("FD", "fl"), ("LTM", "m39")])
def test_alternatives_in_a_kit_are_one_mount(one: str, other: str) -> None:
    kit = parse_kit(
        '[body.b]\nmount = "E"\n'
        f'[lens.l]\nname = "L"\nfocal = 50\nwidest = 2\nnarrowest = 16\nmount = "{one}"\n'
        f'[adapter.a]\nlens_mount = "{other}"\nbody_mount = "e"\n'
    )
    assert kit.adapters_for(kit.lenses["l"], kit.bodies["b"]) == (kit.adapters["a"],)


# The list --------------------------------------------------------------------------------------


def listed(*words: str) -> Result:
    return CliRunner().invoke(app, ["kit", "mounts", *words], env={"COLUMNS": "80"})


def test_the_list_has_every_designation_and_fits_80_columns() -> None:
    result = listed()
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    for mount in mounts():
        assert mount.name in result.output
    assert " 17.526 mm " in result.output  # 0.690 in, of C.
    document = json.loads(listed("--json").stdout)
    assert document["schema"] == "flangeback/kit-mounts-1"
    assert [one["designations"] for one in document["mounts"]] == [
        list(mount.designations) for mount in mounts()
    ]


def test_every_mount_says_how_it_holds_and_since_when() -> None:
    for mount in mounts():
        assert mount.lock.split(",")[0] in ("bayonet", "breech lock", "thread")
        assert re.fullmatch(r"(19|20)\d\d-((19|20)\d\d)?", mount.years)


def test_sensors_of_mounts_are_formats_of_the_trade() -> None:
    formats = {row["name"] for row in profiles.load("formats")["format"]}
    assert {sensor for mount in mounts() for sensor in mount.sensors} <= formats


def test_a_bodys_likely_mounts_come_first() -> None:
    assert likely_mounts("Four Thirds")[0].name == "Micro Four Thirds"
    assert "M42" not in [mount.name for mount in likely_mounts(None)]
