"""The kit that the session log's tests read with: the example kit and some awkward gear."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from flangeback.errors import InputError, Problem
from flangeback.kit import Kit, parse_kit
from flangeback.log import SessionLog, parse_log
from flangeback.log.model import Span

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE_KIT = parse_kit((ROOT / "profiles" / "kit.toml").read_text("utf-8"))
AWKWARD_KIT = parse_kit(
    (ROOT / "profiles" / "kit.toml").read_text("utf-8")
    + """
[lens.zoom3570]
name = "Brask Zoom 35-70mm f/3.5-4.5"
focal = [35, 70]
widest = [3.5, 4.5]
narrowest = 22
mount = "M42"

[lens.ringless50]
name = "Ostrava 50mm f/1.8"
focal = 50
widest = 1.8
narrowest = 16
mount = "F"
aperture_ring = false

[lens.ringlesszoom]
name = "Ostrava Zoom 35-70mm f/3.5-4.5"
focal = [35, 70]
widest = [3.5, 4.5]
narrowest = 22
mount = "F"
aperture_ring = false

[lens.native35]
name = "Kestrin 35mm f/2"
focal = 35
widest = 2
narrowest = 16
mount = "E"

[lens.lonely90]
name = "Brask 90mm f/4"
focal = 90
widest = 4
narrowest = 32
mount = "X"

[lens.exa50]
name = "Brask 50mm f/1"
focal = 50
widest = 1.0
narrowest = 32
mount = "Exakta"

[adapter.f-e-ring]
lens_mount = "F"
body_mount = "E"
kind = "aperture"

[adapter.exa-e-thin]
lens_mount = "Exakta"
body_mount = "E"

[adapter.exa-e-thick]
lens_mount = "Exakta"
body_mount = "E"
"""
)
ONE_BODY_KIT = Kit(
    {"k7": EXAMPLE_KIT.bodies["k7"]}, AWKWARD_KIT.lenses, AWKWARD_KIT.adapters, "kit.toml"
)
DAY = "date 2026-05-17\n"


def read(text: str, kit: Kit = AWKWARD_KIT) -> SessionLog:
    """The log of this text, under a date."""
    return parse_log(DAY + text, kit)


def spans(text: str, kit: Kit = AWKWARD_KIT) -> tuple[Span, ...]:
    return read(text, kit).spans


def faults(text: str, kit: Kit = AWKWARD_KIT) -> tuple[Problem, ...]:
    """The problems of this text, under a date; it must have some."""
    with pytest.raises(InputError) as caught:
        read(text, kit)
    return caught.value.problems


def fault(text: str, kit: Kit = AWKWARD_KIT) -> Problem:
    """The one problem of this text, under a date."""
    found = faults(text, kit)
    assert len(found) == 1, [str(problem) for problem in found]
    return found[0]


def under_caret(problem: Problem) -> str:
    """What the marker of a problem points at."""
    assert problem.source is not None
    assert problem.column is not None
    return problem.source[problem.column - 1 : problem.column - 1 + problem.width]


def settings(text: str, kit: Kit = AWKWARD_KIT) -> Iterator[str]:
    """Each span's setting in short: `k7 miran58 m42-e f/2.8 58mm`."""
    for span in spans(text, kit):
        held = span.setting
        yield (
            f"{span.body} {held.lens} {held.adapter} f/{held.f_number and format(held.f_number)} "
            f"{held.focal_length}mm"
        )
