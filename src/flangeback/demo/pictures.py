"""Draws Lindholm harbour: one made-up place, seen through one lens or another.

The harbour is laid out once, as shapes; a picture is a view of it. The unit is the width that a
50 mm lens sees on 36 mm of sensor; heights count from the horizon up. Shapes are drawn at twice
the size and reduced, which smooths their edges; sky and water, soft anyway, are made small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from PIL import Image, ImageChops, ImageDraw
from PIL.Image import Image as Picture
from PIL.ImageDraw import ImageDraw as Pen

from flangeback.demo import harbour
from flangeback.demo.harbour import Colour, Point, Shape
from flangeback.match.brightness import to_linear

LONG_SIDE = 960
SHORT_SIDE = 640
_FINE = 2
_UNIT = LONG_SIDE * _FINE
_GREY = 0.31
"""Mean of the picture, in linear light, when the exposure is neither over nor under."""
_BYTES = tuple(range(256))
_LINEAR = tuple(to_linear(v / 255) for v in _BYTES)
"""Linear light, by stored value."""


class Composition(NamedTuple):
    """How a picture is framed and exposed.

    `focal` is the 35 mm equivalent in mm, `pan` the place of the harbour in the middle of the
    view, `stops` by how much the picture is over (or, negative, under) an even exposure. `sky`
    picks the clouds, `seed` all that moves. `clock` is the (hour, minute, second) on a clock face
    that fills the view, instead of the harbour.
    """

    seed: int
    focal: float
    pan: float
    stops: float = 0.0
    sky: int = 0
    cloud: float = 0.35
    upright: bool = False
    clock: tuple[int, int, int] | None = None


class _View(NamedTuple):
    """Where a place of the harbour falls in the picture, in fine pixels."""

    width: int
    height: int
    scale: float
    pan: float
    horizon: int

    def at(self, place: Point) -> Point:
        return self.width / 2 + (place[0] - self.pan) * self.scale, self.y(place[1])

    def y(self, height: float) -> float:
        return self.horizon - height * self.scale

    def sees(self, shape: Shape) -> bool:
        reach = self.width / 2 / self.scale + shape.width
        places = [x - self.pan for x, _ in shape.points]
        return min(places) < reach and max(places) > -reach


def draw(composition: Composition) -> Picture:
    """The picture, upright as seen. The same composition gives the same picture."""
    sides = LONG_SIDE * _FINE, SHORT_SIDE * _FINE
    width, height = reversed(sides) if composition.upright else sides
    tilt = Random(composition.seed).uniform(-0.02, 0.02)
    # A long lens looks at the far quay, a wide one takes in the sky: both put the horizon low.
    level = 0.62 if composition.focal > 90 or composition.focal < 35 else 0.5
    horizon = int(height * (level + tilt))
    view = _View(width, height, _UNIT * composition.focal / 50, composition.pan, horizon)
    clock = composition.clock
    picture = _clock_face(view, clock) if clock else _harbour(view, composition)
    return _exposed(picture.reduce(_FINE), composition.stops)


def _harbour(view: _View, composition: Composition) -> Picture:
    picture = _sky(view, composition)
    pen = ImageDraw.Draw(picture)
    _hills(pen, view)
    _sketch(pen, view, harbour.far_shore())
    _water(picture, view, composition.seed)
    _sketch(pen, view, harbour.boats())
    if view.y(harbour.EDGE) < view.height:
        _sketch(pen, view, harbour.near_quay())
    _sketch(pen, view, tuple(harbour.gulls(composition.seed, view.pan, 50 / composition.focal)))
    return picture


def _sketch(pen: Pen, view: _View, shapes: Sequence[Shape]) -> None:
    for shape in filter(view.sees, shapes):
        points = [view.at(point) for point in shape.points]
        if shape.kind == "line":
            pen.line(points, shape.colour, max(2, int(shape.width * view.scale)), joint="curve")
        elif shape.kind == "area":
            pen.polygon(points, shape.colour)
        else:
            (left, right), (top, bottom) = (sorted(ends) for ends in zip(*points, strict=True))
            paint = pen.rectangle if shape.kind == "box" else pen.ellipse
            paint((left, top, right, bottom), shape.colour)


def _sky(view: _View, composition: Composition) -> Picture:
    """A morning sky over the whole picture: gradient, glow of a low sun, clouds."""
    part = 16
    size = (view.width // part, view.height // part)
    level = view.horizon // part
    sky = Image.new("RGB", size, (246, 214, 176))
    blue = ((84, 132, 184), (140, 178, 208), (204, 212, 206), (246, 214, 176))
    sky.paste(_ramp(blue, (size[0], level + 2)), (0, 0))
    reach = int(max(size) * 0.9 * max(1.0, composition.focal / 70))
    glow = Image.radial_gradient("L").resize((reach, reach))
    glow = glow.point([max(0, 150 - v) for v in _BYTES])
    sun = (int(view.at((0.55, 0))[0]) // part - reach // 2, level - int(reach * 0.62))
    sky.paste((255, 236, 196), (*sun, sun[0] + reach, sun[1] + reach), glow)
    sky.paste((252, 244, 234), (0, 0), _clouds(size, composition))
    return _doubled(sky, (view.width, view.height))


def _ramp(colours: Sequence[Colour], size: tuple[int, int]) -> Picture:
    """A vertical gradient through these colours."""
    strip = Image.new("RGB", (1, len(colours)))
    strip.putdata(colours)
    return strip.resize(size, Image.Resampling.BICUBIC)


def _doubled(picture: Picture, size: tuple[int, int]) -> Picture:
    """A soft picture in this size: smooth at half of it, and each pixel of that doubled."""
    half = picture.resize((size[0] // 2, -(-size[1] // 2)), Image.Resampling.BILINEAR)
    return half.resize(size, Image.Resampling.NEAREST)


def _clouds(size: tuple[int, int], composition: Composition) -> Picture:
    """A mask of drawn-out clouds: three octaves of smoothed noise, cut off below."""
    random = Random(7000 + composition.sky)
    heap = Image.new("L", size, 0)
    for columns, share in ((5, 0.55), (13, 0.3), (34, 0.15)):
        smooth = _noise(random, (columns, columns * 2), size)
        heap = ImageChops.add(heap, smooth.point([int(v * share) for v in _BYTES]))
    floor = 150 - 90 * composition.cloud
    return heap.point([int(min(205, max(0.0, (v - floor) * 3.2))) for v in _BYTES])


def _noise(random: Random, grid: tuple[int, int], size: tuple[int, int]) -> Picture:
    """Smooth noise, as coarse as the grid."""
    noise = Image.frombytes("L", grid, random.randbytes(grid[0] * grid[1]))
    return noise.resize(size, Image.Resampling.BICUBIC)


def _hills(pen: Pen, view: _View) -> None:
    """Two wooded ridges, the farther one paler."""
    for colour, height, phase in (((158, 174, 182), 0.075, 0.4), ((112, 134, 132), 0.045, 2.1)):
        line: list[Point] = []
        for x in range(0, view.width + 24, 24):
            place = view.pan + (x - view.width / 2) / view.scale
            ridge = math.sin(place * 2.3 + phase) * 0.4 + math.sin(place * 7.1 + phase * 3) * 0.16
            trees = math.sin(place * 61) * 0.03 + math.sin(place * 143 + phase) * 0.02
            line.append((x, view.y(height * (0.62 + ridge + trees))))
        bottom = view.y(harbour.WATERLINE)
        pen.polygon([(0, bottom), *line, (view.width, bottom)], fill=colour)


def _water(picture: Picture, view: _View, seed: int) -> None:
    """The far shore upside down in the water, each strip pushed aside by a ripple; glints."""
    shore = int(view.y(harbour.WATERLINE))
    depth = view.height - shore
    if depth <= 0:
        return
    size = (view.width // 4, depth // 4 + 1)
    above = max(0, shore - int(depth * 1.15))
    land = picture.resize(size, Image.Resampling.BOX, (0, above, view.width, shore), 2.0)
    mirror = land.transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    blue = _ramp([(172, 176, 170), (88, 120, 138), (42, 76, 98)], size)
    water = Image.blend(mirror, blue, 0.42)
    rippled, random, y = water.copy(), Random(seed), 0.0
    while y < size[1]:
        high = 1 + y / 28
        shift = int(random.gauss(0, 1) * (1.2 + y / 22))
        rippled.paste(water.crop((0, int(y), size[0], int(y + high) + 1)), (shift, int(y)))
        y += high
    _glints(rippled, max(1.5, 0.0075 * view.scale), random)
    picture.paste(_doubled(rippled, (view.width, depth)), (0, shore))


def _glints(water: Picture, reach: float, random: Random) -> None:
    """Light and dark streaks, longer and higher towards us."""
    top = 0
    while top < water.height:
        bottom = min(water.height, int(top + reach) + 1)
        streaks = _noise(random, (44, 22), (water.width, bottom - top))
        for colour, table in (
            ((236, 228, 208), [max(0, v - 150) for v in _BYTES]),
            ((34, 62, 80), [max(0, 96 - v) for v in _BYTES]),
        ):
            water.paste(colour, (0, top), streaks.point(table))
        top, reach = bottom, reach * 1.9


def _clock_face(view: _View, shows: tuple[int, int, int]) -> Picture:
    """The clock on the harbour office's wall, in brick."""
    picture = Image.new("RGB", (view.width, view.height), (138, 82, 66))
    pen = ImageDraw.Draw(picture)
    random, high, wide = Random(3), view.height // 20, view.width // 12
    for row in range(21):
        for column in range(-1, 13):
            left, top = column * wide + (row % 2) * wide // 2, row * high
            tone = harbour.shade((150, 86, 68), random.uniform(0.86, 1.1))
            pen.rectangle((left + 4, top + 4, left + wide - 4, top + high - 4), tone)
    x, y, radius = view.width / 2, view.height / 2, view.height * 0.4
    rings = ((1.09, (52, 58, 60)), (1.04, (104, 112, 112)), (1.0, (240, 234, 218)))
    pen.circle((x + 21, y + 27), radius * 1.08, (88, 54, 46))
    for size, colour in rings:
        pen.circle((x, y), radius * size, colour)
    for minute in range(60):
        tick = 6 if minute % 5 else 18 if minute % 15 else 26
        ends = (radius * (0.9 if minute % 5 else 0.8), radius * 0.95)
        pen.line([_hand(x, y, end, minute / 60) for end in ends], (44, 44, 46), tick)
    hour, minute, second = shows
    dark, red = (34, 34, 38), (176, 44, 36)
    for turn, reach, width, colour in (
        (hour % 12 / 12 + minute / 720, 0.52, 35, dark),
        (minute / 60 + second / 3600, 0.8, 22, dark),
        (second / 60, 0.88, 6, red),
    ):
        ends = (radius * -0.14, radius * reach)
        pen.line([_hand(x, y, end, turn) for end in ends], colour, width)
    pen.circle((x, y), radius * 0.05, red)
    return picture


def _hand(x: float, y: float, reach: float, turn: float) -> Point:
    """Where a hand of this length ends, `turn` of the way round from twelve."""
    return x + reach * math.sin(math.tau * turn), y - reach * math.cos(math.tau * turn)


def _exposed(picture: Picture, stops: float) -> Picture:
    """The picture with its mean, in linear light, `stops` above or below an even exposure."""
    wanted, gain = _GREY * 2**stops, 1.0
    sample = picture.reduce(4)
    for _ in range(8):
        counts = sample.point(_gain_table(gain) * 3).convert("L").histogram()
        gain *= wanted / (sum(n * v for n, v in zip(counts, _LINEAR, strict=True)) / sum(counts))
    return picture.point(_gain_table(gain) * 3)


def _gain_table(gain: float) -> list[int]:
    """What each value becomes under `gain`, by the sRGB curve (IEC 61966-2-1); white is cut off."""
    lights = (min(1.0, light * gain) for light in _LINEAR)
    parts = (x * 12.92 if x <= 0.0031308 else 1.055 * x ** (1 / 2.4) - 0.055 for x in lights)
    return [round(part * 255) for part in parts]
