"""Kit files for the tests, as text and read: small pieces that can be put together."""

from __future__ import annotations

import pytest

from flangeback.errors import InputError, Problem
from flangeback.kit import Kit, parse_kit

K7 = """
[body.k7]
model = "Kestrin K7"
serial = "0071133"
mount = "E"
sensor = [35.9, 23.9]
"""
N2 = """
[body.n2]
model = "Norrvik N2"
mount = "Micro Four Thirds"
sensor = [17.3, 13.0]
"""
MIRAN58 = """
[lens.miran58]
maker = "Ostrava Optik"
name = "Miran 58mm f/2"
focal = 58
widest = 2.0
narrowest = 16
mount = "M42"
aperture_ring = true
serial = "6612345"
"""
BRASK135 = """
[lens.brask135]
maker = "Brask"
name = "Brask Tele 135mm f/3.5"
focal = 135
widest = 3.5
narrowest = 22
mount = "M42"
"""
TOLVAN28 = """
[lens.tolvan28]
maker = "Ostrava Optik"
name = "Tolvan 28mm f/2.8"
focal = 28
widest = 2.8
narrowest = 22
mount = "F"
"""
ZOOM3570 = """
[lens.zoom3570]
maker = "Brask"
name = "Brask Zoom 35-70mm f/3.5-4.5"
focal = [35, 70]
widest = [3.5, 4.5]
narrowest = 22
mount = "M42"
"""
M42_E = """
[adapter.m42-e]
lens_mount = "M42"
body_mount = "E"
kind = "plain"
thickness = 27.46
"""
F_MFT = """
[adapter.f-mft]
lens_mount = "F"
body_mount = "Micro Four Thirds"
"""
F_E_REDUCER = """
[adapter.f-e-reducer]
lens_mount = "F"
body_mount = "E"
kind = "reducer"
factor = 0.71
"""
M42_MFT = """
[adapter.m42-mft]
lens_mount = "M42"
body_mount = "Micro Four Thirds"
"""
WHOLE = K7 + N2 + MIRAN58 + BRASK135 + TOLVAN28 + ZOOM3570 + M42_E + F_MFT + F_E_REDUCER + M42_MFT


def whole_kit() -> Kit:
    return parse_kit(WHOLE)


def problems_of(text: str) -> tuple[Problem, ...]:
    """The faults of a kit text, which must have some."""
    with pytest.raises(InputError) as caught:
        parse_kit(text, "mine/kit.toml")
    return caught.value.problems


def problem_of(text: str) -> Problem:
    """The one fault of a kit text."""
    found = problems_of(text)
    assert len(found) == 1, [str(problem) for problem in found]
    return found[0]


def changed(piece: str, field: str, value: str | None) -> str:
    """A piece with one field's value changed, added, or (None) left out."""
    lines = [line for line in piece.splitlines() if not line.startswith(f"{field} =")]
    return "\n".join(lines + ([] if value is None else [f"{field} = {value}"])) + "\n"
