"""The colours of the pages: contrast in light and dark, and lenses told apart by the colour-blind.

Contrast is WCAG 2.2's (W3C): 4.5 for text, 3 for marks. How colours look to the colour-blind is
by the matrices of Machado, Oliveira and Fernandes (2009), severity 1; differences are CIE 1976
Delta E, of which about 2.3 is just noticeable (common practice).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path

import pytest

import flangeback

CSS = Path(flangeback.__file__).parent / "report" / "templates" / "style.css"
SCHEMES = ("light", "dark")
TEXT = ("ink", "quiet", "link", "good", "look", "bad", "aside")
Colour = tuple[float, float, float]
BLIND = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def tokens(scheme: str) -> Mapping[str, Colour]:
    """The colours of a scheme, in linear light."""
    light, dark = re.findall(r":root \{(.*?)\}", CSS.read_text(), re.DOTALL)[:2]
    found = dict(re.findall(r"--([\w-]+): #([0-9a-f]{3,6})", light if scheme == "light" else dark))
    return {name: linear(code) for name, code in found.items()}


def linear(code: str) -> Colour:
    red, green, blue = (int(code[n : n + 2], 16) / 255 for n in (0, 2, 4))
    return curve(red), curve(green), curve(blue)


def curve(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)


def luminance(colour: Colour) -> float:
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def contrast(one: Colour, other: Colour) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(colour: Colour) -> Sequence[float]:
    r, g, b = (min(1.0, max(0.0, part)) for part in colour)
    x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089
    fx, fy, fz = (v ** (1 / 3) if v > 0.008856 else 7.787 * v + 16 / 116 for v in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def seen(colour: Colour, blind: str) -> Colour:
    r, g, b = (sum(m * part for m, part in zip(row, colour, strict=True)) for row in BLIND[blind])
    return r, g, b


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_can_be_read(scheme: str) -> None:
    colours = tokens(scheme)
    for ground in ("paper", "card"):
        for name in TEXT:
            assert contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
    for n in range(6):
        assert contrast(colours["ink"], colours[f"lens-{n}"]) >= 4.5


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("blind", BLIND)
def test_neighbouring_lenses_differ_for_the_colour_blind(scheme: str, blind: str) -> None:
    colours = [seen(tokens(scheme)[f"lens-{n}"], blind) for n in range(3)]
    for one, other in combinations(map(lab, colours), 2):
        assert math.dist(one, other) > 5
