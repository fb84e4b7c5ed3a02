"""Draws Lindholm harbour: one made-up place, seen through one lens or another.

The harbour is laid out once, in units of the width that a 50 mm lens sees on 36 mm of sensor; a
picture is a view of it. Everything is drawn at twice the size and reduced, which smooths edges.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Image as Picture
    from PIL.ImageDraw import ImageDraw as Pen

Colour = tuple[int, int, int]
Point = tuple[float, float]
_Placing = Callable[[float, float], Point]
"""From a place on a boat to pixels."""

LONG_SIDE = 1200
SHORT_SIDE = 800
_FINE = 2
"""Drawn this much larger than shown."""
_UNIT = LONG_SIDE * _FINE
_GREY = 0.31
"""Mean of the picture, in linear light, when the exposure is neither over nor under."""
_SHORE = 0.014
"""How far the far quay's waterline lies below the horizon."""
_NEAR = 0.27
"""How far the edge of the quay we stand on lies below the horizon."""

_FRONTS: tuple[Colour, ...] = (
    (152, 58, 44),
    (170, 72, 52),
    (214, 170, 92),
    (226, 204, 156),
    (190, 186, 176),
    (120, 138, 146),
    (232, 226, 210),
)
_HULLS: tuple[Colour, ...] = ((38, 66, 96), (236, 234, 226), (150, 46, 40), (52, 92, 84))


@dataclass(frozen=True, slots=True)
class Shot:
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


@dataclass(frozen=True, slots=True)
class _View:
    """Where a place of the harbour falls in the picture, in fine pixels."""

    width: int
    height: int
    scale: float
    pan: float
    horizon: int

    def x(self, place: float) -> float:
        return self.width / 2 + (place - self.pan) * self.scale

    def y(self, below: float) -> float:
        return self.horizon + below * self.scale

    def sees(self, left: float, right: float) -> bool:
        return self.x(right) > 0 and self.x(left) < self.width


def draw(shot: Shot) -> Picture:
    """The picture of a shot, upright as seen. The same shot gives the same picture."""
    view = _view(shot)
    picture = _clock_face(view, shot.clock) if shot.clock else _harbour(view, shot)
    picture = picture.reduce(_FINE)
    _grain(picture, shot.seed)
    return _exposed(picture, shot.stops)


def _view(shot: Shot) -> _View:
    width, height = LONG_SIDE * _FINE, SHORT_SIDE * _FINE
    if shot.upright:
        width, height = height, width
    tilt = Random(shot.seed).uniform(-0.02, 0.02)
    # A long lens looks at the far quay, a wide one takes in the sky: both put the horizon low.
    level = 0.62 if shot.focal > 90 or shot.focal < 35 else 0.5
    return _View(width, height, _UNIT * shot.focal / 50, shot.pan, int(height * (level + tilt)))


def _harbour(view: _View, shot: Shot) -> Picture:
    from PIL import ImageDraw

    picture = _sky(view, shot)
    pen = ImageDraw.Draw(picture)
    _hills(pen, view)
    _far_quay(pen, view)
    _reflect(picture, view, shot.seed)
    _glints(picture, view, shot.seed)
    for boat in _boats():
        _moor(picture, view, boat)
    _near_quay(ImageDraw.Draw(picture), view)
    _gulls(ImageDraw.Draw(picture), view, shot.seed)
    return picture


# --- sky -------------------------------------------------------------------------------------


def _sky(view: _View, shot: Shot) -> Picture:
    """A morning sky over the whole picture: gradient, glow of a low sun, clouds."""
    from PIL import Image

    # An eighth of the size is plenty for what is soft anyway.
    small = (view.width // 8, view.height // 8)
    sky = _ramp([(84, 132, 184), (140, 178, 208), (204, 212, 206), (246, 214, 176)], small)
    level = view.horizon // 8
    sky = sky.resize(small, Image.Resampling.BILINEAR, box=(0, 0, small[0], small[1]))
    ramp = sky.resize((small[0], level + 4))
    sky.paste((246, 214, 176), (0, level, *small))
    sky.paste(ramp, (0, 0))
    reach = int(max(small) * 0.9 * max(1.0, shot.focal / 70))
    glow = (
        Image.radial_gradient("L").resize((reach, reach)).point([max(0, 150 - v) for v in _BYTES])
    )
    sun = (int(view.x(0.55)) // 8 - reach // 2, level - int(reach * 0.62))
    sky.paste((255, 236, 196), (*sun, sun[0] + reach, sun[1] + reach), glow)
    sky.paste((252, 244, 234), (0, 0), _clouds(small, shot))
    return sky.resize((view.width, view.height), Image.Resampling.BILINEAR)


_BYTES = tuple(range(256))


def _ramp(colours: list[Colour], size: tuple[int, int]) -> Picture:
    """A vertical gradient through these colours."""
    from PIL import Image

    strip = Image.new("RGB", (1, len(colours)))
    strip.putdata(colours)
    return strip.resize(size, Image.Resampling.BICUBIC)


def _clouds(size: tuple[int, int], shot: Shot) -> Picture:
    """A mask of drawn-out clouds: three octaves of smoothed noise, cut off below."""
    from PIL import Image, ImageChops

    random = Random(7000 + shot.sky)
    heap = Image.new("L", size, 0)
    for columns, share in ((5, 0.55), (13, 0.3), (34, 0.15)):
        rows = columns * 2
        noise = Image.frombytes("L", (columns, rows), random.randbytes(columns * rows))
        smooth = noise.resize(size, Image.Resampling.BICUBIC)
        heap = ImageChops.add(heap, smooth.point([int(v * share) for v in _BYTES]))
    floor = 150 - 90 * shot.cloud
    return heap.point([int(min(205, max(0.0, (v - floor) * 3.2))) for v in _BYTES])


# --- far shore -------------------------------------------------------------------------------


def _hills(pen: Pen, view: _View) -> None:
    """Two wooded ridges, the farther one paler."""
    for colour, height, phase in (((158, 174, 182), 0.075, 0.4), ((112, 134, 132), 0.045, 2.1)):
        line: list[Point] = []
        for x in range(0, view.width + 24, 24):
            place = view.pan + (x - view.width / 2) / view.scale
            ridge = math.sin(place * 2.3 + phase) * 0.4 + math.sin(place * 7.1 + phase * 3) * 0.16
            trees = math.sin(place * 61) * 0.03 + math.sin(place * 143 + phase) * 0.02
            line.append((x, view.y(-height * (0.62 + ridge + trees))))
        bottom = view.y(_SHORE)
        pen.polygon([(0, bottom), *line, (view.width, bottom)], fill=colour)


@dataclass(frozen=True, slots=True)
class _House:
    left: float
    width: float
    height: float
    front: Colour
    gable: bool


@cache
def _houses() -> tuple[_House, ...]:
    random = Random(517)
    houses = []
    place = -3.4
    while place < 3.4:
        width = random.uniform(0.045, 0.105)
        height = random.uniform(0.038, 0.075)
        houses.append(_House(place, width, height, random.choice(_FRONTS), random.random() < 0.55))
        place += width + random.choice((0.0, 0.004, 0.012, 0.05))
    return tuple(houses)


def _far_quay(pen: Pen, view: _View) -> None:
    """Cranes behind, the row of houses, a church, the quay they stand on."""
    for place, size in ((-1.55, 0.2), (-0.72, 0.25), (-0.5, 0.21), (0.98, 0.24), (1.9, 0.22)):
        if view.sees(place - size, place + size):
            _crane(pen, view, place, size)
    _church(pen, view, 0.31)
    for house in _houses():
        if view.sees(house.left, house.left + house.width):
            _house(pen, view, house)
    top, bottom = view.y(0.004), view.y(_SHORE)
    pen.rectangle((0, top, view.width, bottom), fill=(116, 110, 104))
    pen.rectangle((0, top, view.width, top + 0.002 * view.scale), fill=(176, 164, 148))
    step = 0.03
    first = math.floor((view.pan - view.width / 2 / view.scale) / step)
    for n in range(first, first + int(view.width / view.scale / step) + 3):
        x = view.x(n * step)
        pen.rectangle((x, top, x + 0.0035 * view.scale, bottom), fill=(78, 72, 68))
        if n % 5 == 0:
            _lamp(pen, view, n * step, 0.055, 0.004)


def _house(pen: Pen, view: _View, house: _House) -> None:
    left, right = view.x(house.left), view.x(house.left + house.width)
    ground, eaves = view.y(0.004), view.y(-house.height)
    pen.rectangle((left, eaves, right, ground), fill=house.front)
    # Morning sun from the right: that edge is lit, the left one in shade.
    edge = (right - left) * 0.12
    pen.rectangle((left, eaves, left + edge, ground), fill=_shade(house.front, 0.82))
    roof = _shade((112, 84, 76) if house.gable else (84, 88, 94), 1.0)
    over = (right - left) * 0.04
    if house.gable:
        peak = eaves - (right - left) * 0.42
        pen.polygon([(left - over, eaves), ((left + right) / 2, peak), (right + over, eaves)], roof)
        inset = (right - left) * 0.1
        pen.polygon(
            [(left + inset, eaves), ((left + right) / 2, peak + inset), (right - inset, eaves)],
            house.front,
        )
    else:
        high = eaves - 0.016 * view.scale
        slant = (right - left) * 0.1
        pen.polygon(
            [
                (left - over, eaves),
                (left + slant, high),
                (right - slant, high),
                (right + over, eaves),
            ],
            roof,
        )
    _windows(pen, view, house)


def _windows(pen: Pen, view: _View, house: _House) -> None:
    """Rows of windows, white-framed; the pane shows the sky."""
    across = max(2, round(house.width / 0.022))
    floors = max(1, round(house.height / 0.026))
    wide, tall = 0.0078 * view.scale, 0.0118 * view.scale
    frame = 0.0012 * view.scale
    for floor in range(floors):
        y = view.y(-house.height + 0.009 + floor * (house.height - 0.004) / floors)
        for n in range(across):
            x = view.x(house.left + house.width * (n + 0.5) / across) - wide / 2
            pen.rectangle(
                (x - frame, y - frame, x + wide + frame, y + tall + frame), (238, 232, 220)
            )
            pane = (72, 88, 102) if (n + floor) % 3 else (214, 190, 140)
            pen.rectangle((x, y, x + wide, y + tall), pane)
            pen.line((x + wide / 2, y, x + wide / 2, y + tall), (226, 220, 208), max(1, int(frame)))


def _church(pen: Pen, view: _View, place: float) -> None:
    if not view.sees(place - 0.06, place + 0.06):
        return
    tower, stone, copper = 0.016, (206, 190, 164), (96, 136, 122)
    pen.rectangle(_box(view, place - tower, 0.13, place + tower, 0.0), stone)
    pen.rectangle(_box(view, place - tower, 0.13, place - tower * 0.5, 0.0), _shade(stone, 0.8))
    eaves, tip = view.y(-0.13), view.y(-0.215)
    left, right = view.x(place - tower * 1.15), view.x(place + tower * 1.15)
    pen.polygon([(left, eaves), (view.x(place), tip), (right, eaves)], copper)
    pen.rectangle(_box(view, place - 0.004, 0.118, place + 0.004, 0.1), (70, 66, 62))


def _box(
    view: _View, left: float, top: float, right: float, bottom: float
) -> tuple[float, float, float, float]:
    """A rectangle between two heights above the horizon."""
    return view.x(left), view.y(-top), view.x(right), view.y(-bottom)


def _crane(pen: Pen, view: _View, place: float, size: float) -> None:
    """A portal crane: legs, cabin, jib with its ties, hook."""
    colour = (92, 104, 112) if size < 0.23 else (148, 96, 62)
    thick = max(2, int(size * 0.03 * view.scale))
    thin = max(1, thick // 3)

    def at(x: float, y: float) -> Point:
        return view.x(place + x * size), view.y(-y * size)

    for x in (-0.16, 0.16):
        pen.line((*at(x, 0), *at(x * 0.6, 0.5)), colour, thick)
    pen.line((*at(-0.16, 0.0), *at(0.1, 0.5)), colour, thin)
    pen.line((*at(-0.14, 0.3), *at(0.14, 0.3)), colour, thick)
    pen.rectangle((*at(-0.17, 0.63), *at(0.14, 0.5)), _shade(colour, 0.85))
    pen.rectangle((*at(0.03, 0.6), *at(0.11, 0.54)), (196, 208, 210))
    tip, heel, mast = at(0.95, 1.08), at(0.05, 0.62), at(-0.03, 0.95)
    pen.line((*heel, *tip), colour, thick)
    pen.line((*heel, *mast), colour, thick)
    pen.line((*at(-0.16, 0.62), *mast), colour, thick)
    pen.line((*mast, *tip), colour, thin)
    pen.line((*mast, *at(0.5, 0.85)), colour, thin)
    pen.line((*tip, *at(0.95, 0.5)), colour, thin)
    pen.rectangle((*at(0.93, 0.51), *at(0.97, 0.46)), colour)


def _lamp(
    pen: Pen, view: _View, place: float, height: float, below: float, girth: float = 0.035
) -> None:
    x, foot, top = view.x(place), view.y(below), view.y(below - height)
    thick = max(2, int(height * girth * view.scale))
    arm = height * 0.16 * view.scale
    pen.line((x, foot, x, top), (58, 60, 62), thick)
    pen.line((x, top, x + arm, top - arm * 0.2), (58, 60, 62), thick)
    pen.ellipse((x + arm * 0.8, top - arm * 0.3, x + arm * 1.4, top + arm * 0.1), (246, 232, 196))


def _shade(colour: Colour, factor: float) -> Colour:
    red, green, blue = (min(255, int(part * factor)) for part in colour)
    return red, green, blue


# --- water -----------------------------------------------------------------------------------


def _reflect(picture: Picture, view: _View, seed: int) -> None:
    """The far shore upside down in the water, each strip of it pushed aside by a ripple."""
    from PIL import Image

    shore = int(view.y(_SHORE))
    depth = view.height - shore
    if depth <= 0:
        return
    size = (view.width // 4, depth // 4 + 1)
    above = max(0, shore - int(depth * 1.15))
    land = picture.resize(size, Image.Resampling.BOX, box=(0, above, view.width, shore))
    mirror = land.transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    water = _ramp([(172, 176, 170), (88, 120, 138), (42, 76, 98)], size)
    water = Image.blend(mirror, water, 0.42)
    rippled = water.copy()
    random = Random(seed)
    y = 0.0
    while y < size[1]:
        high = 1 + y / 28
        shift = int(random.gauss(0, 1) * (1.2 + y / 22))
        strip = water.crop((0, int(y), size[0], int(y + high) + 1))
        rippled.paste(strip, (shift, int(y)))
        y += high
    picture.paste(rippled.resize((view.width, depth), Image.Resampling.BILINEAR), (0, shore))


def _glints(picture: Picture, view: _View, seed: int) -> None:
    """Light and dark streaks, longer and higher towards us."""
    from PIL import Image

    shore = int(view.y(_SHORE))
    random = Random(seed + 1)
    top, reach = shore, max(6.0, 0.03 * view.scale)
    for _ in range(5):
        bottom = min(view.height, int(top + reach))
        if bottom <= top:
            return
        grid = (44, 22)
        noise = Image.frombytes("L", grid, random.randbytes(grid[0] * grid[1]))
        size = (view.width, bottom - top)
        streaks = noise.resize((size[0] // 4, size[1] // 2 + 1), Image.Resampling.BICUBIC)
        streaks = streaks.resize(size, Image.Resampling.BILINEAR)
        for colour, table in (
            ((236, 228, 208), [max(0, v - 150) for v in _BYTES]),
            ((34, 62, 80), [max(0, 96 - v) for v in _BYTES]),
        ):
            picture.paste(colour, (0, top), streaks.point(table))
        top, reach = bottom, reach * 1.9


# --- boats -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Boat:
    place: float
    below: float
    length: float
    hull: Colour
    sails: bool


@cache
def _boats() -> tuple[_Boat, ...]:
    """The boats at their moorings, the farthest first."""
    random = Random(40)
    boats = []
    for n in range(30):
        below = random.uniform(0.024, 0.135)
        boats.append(
            _Boat(
                place=-3 + n * 0.2 + random.uniform(-0.06, 0.06),
                below=below,
                length=0.05 + below * 0.95,
                hull=random.choice(_HULLS),
                sails=random.random() < 0.6,
            )
        )
    return tuple(sorted(boats, key=lambda boat: boat.below))


def _moor(picture: Picture, view: _View, boat: _Boat) -> None:
    """Paste a boat and, below it, its image in the water."""
    from PIL import Image

    if not view.sees(boat.place - boat.length, boat.place + boat.length):
        return
    length = boat.length * view.scale
    side = int(length * 1.3)
    tile = _boat(side, length, boat)
    x, y = int(view.x(boat.place) - side / 2), int(view.y(boat.below))
    squat = tile.resize((side, int(side * 0.62))).transpose(Image.Transpose.FLIP_TOP_BOTTOM)
    mask = squat.getchannel("A").point([v * 120 // 255 for v in _BYTES])
    picture.paste(squat.convert("RGB"), (x, y - 1), mask)
    picture.paste(tile.convert("RGB"), (x, y - side), tile)


def _boat(side: int, length: float, boat: _Boat) -> Picture:
    """A boat on a clear ground, its waterline at the lower edge."""
    from PIL import Image, ImageDraw

    tile = Image.new("RGBA", (side, side), (60, 70, 80, 0))
    pen = ImageDraw.Draw(tile)
    middle = side / 2

    def at(x: float, y: float) -> Point:
        return middle + x * length, side - y * length

    thin = max(2, int(length * 0.012))
    if boat.sails:
        _rig(pen, at, thin)
    else:
        _wheelhouse(pen, at, thin)
    pen.polygon([at(-0.46, 0.13), at(0.5, 0.17), at(0.38, -0.01), at(-0.4, -0.01)], boat.hull)
    pen.polygon([at(-0.41, 0.02), at(0.4, 0.02), at(0.38, -0.01), at(-0.4, -0.01)], (112, 44, 38))
    pen.line((*at(-0.46, 0.13), *at(0.5, 0.17)), (206, 188, 150), thin * 2)
    pen.line((*at(-0.45, 0.09), *at(0.46, 0.12)), _shade(boat.hull, 0.78), thin)
    return tile


def _rig(pen: Pen, at: _Placing, thin: int) -> None:
    """Mast, boom with the sail lashed on it, stays, a low cabin."""
    wood = (138, 108, 78)
    pen.polygon([at(-0.18, 0.13), at(-0.14, 0.22), at(0.14, 0.23), at(0.22, 0.15)], (228, 222, 208))
    for x in (-0.08, 0.01, 0.1):
        pen.ellipse((*at(x - 0.018, 0.202), *at(x + 0.018, 0.172)), (70, 86, 98))
    pen.line((*at(0.06, 0.14), *at(0.06, 1.24)), wood, thin * 2)
    pen.line((*at(-0.4, 0.29), *at(0.06, 0.29)), wood, thin * 2)
    pen.line((*at(-0.38, 0.32), *at(0.04, 0.33)), (232, 226, 212), thin * 4)
    for x, y in ((-0.45, 0.14), (0.49, 0.17), (0.2, 0.15)):
        pen.line((*at(0.06, 1.22), *at(x, y)), (96, 94, 92), max(1, thin // 2))
    pen.line((*at(-0.02, 0.9), *at(0.14, 0.9)), wood, thin)


def _wheelhouse(pen: Pen, at: _Placing, thin: int) -> None:
    """What a small fishing boat carries: wheelhouse, mast, derrick."""
    pen.line((*at(-0.08, 0.14), *at(-0.08, 0.72)), (96, 88, 80), thin * 2)
    pen.line((*at(-0.08, 0.3), *at(-0.4, 0.62)), (96, 88, 80), thin)
    pen.line((*at(-0.08, 0.7), *at(-0.4, 0.62)), (96, 94, 92), max(1, thin // 2))
    pen.rectangle((*at(0.02, 0.42), *at(0.26, 0.13)), (234, 228, 214))
    pen.rectangle((*at(-0.01, 0.45), *at(0.29, 0.41)), (150, 62, 48))
    for x in (0.05, 0.13, 0.2):
        pen.rectangle((*at(x, 0.37), *at(x + 0.05, 0.28)), (66, 84, 98))
    pen.ellipse((*at(-0.34, 0.22), *at(-0.22, 0.1)), (214, 110, 52))


# --- near quay, gulls ------------------------------------------------------------------------


def _near_quay(pen: Pen, view: _View) -> None:
    """The stone edge we stand on, its bollards and lamps."""
    edge = view.y(_NEAR)
    if edge >= view.height:
        return
    pen.rectangle((0, edge, view.width, view.height), fill=(124, 112, 100))
    pen.rectangle((0, edge, view.width, edge + 0.03 * view.scale), fill=(168, 152, 134))
    pen.rectangle((0, edge - 0.008 * view.scale, view.width, edge), fill=(74, 64, 58))
    _paving(pen, view, edge)
    for n in range(-9, 10):
        place = n * 0.37 + 0.11
        if view.sees(place - 0.1, place + 0.1):
            _bollard(pen, view, place)
        if n % 3 == 0 and view.sees(place - 0.2, place + 0.3):
            _lamp(pen, view, place + 0.16, 0.52, _NEAR + 0.02, 0.022)


def _paving(pen: Pen, view: _View, edge: float) -> None:
    """Joints between the stones, running to the vanishing point."""
    random = Random(9)
    joint = (98, 88, 78)
    y, step = edge + 0.03 * view.scale, 0.02 * view.scale
    while y < view.height:
        pen.line((0, y, view.width, y), joint, 3)
        drop = (y - view.horizon) / (edge - view.horizon)
        offset = random.uniform(0, 0.12)
        for n in range(-30, 31):
            x = view.x(view.pan + (n * 0.12 + offset) * drop)
            slant = step * (x - view.width / 2) / max(1.0, y - view.horizon)
            pen.line((x, y, x + slant, y + step), joint, 3)
        y += step
        step *= 1.35


def _bollard(pen: Pen, view: _View, place: float) -> None:
    iron, lit = (44, 46, 50), (92, 92, 92)
    x, foot, unit = view.x(place), view.y(_NEAR + 0.022), view.scale * 0.03
    pen.ellipse(
        (x - unit * 1.5, foot - unit * 0.3, x + unit * 0.9, foot + unit * 0.3), (92, 82, 74)
    )
    pen.rectangle((x - unit * 0.55, foot - unit * 1.5, x + unit * 0.55, foot), iron)
    pen.rectangle((x + unit * 0.25, foot - unit * 1.5, x + unit * 0.42, foot), lit)
    pen.rounded_rectangle(
        (x - unit * 0.9, foot - unit * 2.0, x + unit * 0.9, foot - unit * 1.4), unit * 0.3, iron
    )
    pen.line((x - unit * 0.5, foot - unit * 1.93, x + unit * 0.6, foot - unit * 1.93), lit, 4)


def _gulls(pen: Pen, view: _View, seed: int) -> None:
    random = Random(seed + 2)
    for _ in range(random.randint(2, 7)):
        span = random.uniform(0.008, 0.03) * view.width
        x = random.uniform(0.05, 0.95) * view.width
        y = random.uniform(0.08, 0.85) * view.horizon
        bend = random.uniform(0.15, 0.42)
        colour = random.choice(((244, 242, 238), (86, 92, 100), (70, 76, 84)))
        for way in (-1, 1):
            tip = (x + way * span, y + bend * span * 0.25)
            elbow = (x + way * span * 0.5, y - bend * span)
            pen.line((x, y, *elbow, *tip), colour, max(2, int(span * 0.09)), joint="curve")
        body = span * 0.14
        pen.ellipse((x - body, y - body * 0.5, x + body, y + body * 0.9), colour)


# --- the harbour clock -----------------------------------------------------------------------


def _clock_face(view: _View, shows: tuple[int, int, int]) -> Picture:
    """The clock on the harbour office's wall, in brick."""
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (view.width, view.height), (138, 82, 66))
    pen = ImageDraw.Draw(picture)
    _bricks(pen, view)
    x, y, radius = view.width * 0.5, view.height * 0.5, view.height * 0.4
    pen.ellipse(_round(x + 26, y + 34, radius * 1.08), (88, 54, 46))
    pen.ellipse(_round(x, y, radius * 1.09), (52, 58, 60))
    pen.ellipse(_round(x, y, radius * 1.04), (104, 112, 112))
    pen.ellipse(_round(x, y, radius), (240, 234, 218))
    for minute in range(60):
        long = minute % 5 == 0
        start = radius * (0.8 if long else 0.9)
        tick = 22 if long else 7
        pen.line(
            (*_hand(x, y, start, minute / 60), *_hand(x, y, radius * 0.95, minute / 60)),
            (44, 44, 46),
            tick if minute % 15 else tick + 10,
        )
    hour, minute, second = shows
    turns = (hour % 12 / 12 + minute / 720, minute / 60 + second / 3600, second / 60)
    hands = zip(turns, (0.52, 0.8, 0.88), (44, 28, 8), strict=True)
    for number, (turn, reach, width) in enumerate(hands):
        colour = (176, 44, 36) if number == 2 else (34, 34, 38)
        tail = _hand(x, y, radius * -0.14, turn)
        pen.line((*tail, *_hand(x, y, radius * reach, turn)), colour, width)
    pen.ellipse(_round(x, y, radius * 0.05), (176, 44, 36))
    return picture


def _bricks(pen: Pen, view: _View) -> None:
    random = Random(3)
    high, wide = view.height // 20, view.width // 12
    for row in range(21):
        for column in range(-1, 13):
            x, y = column * wide + (row % 2) * wide // 2, row * high
            tone = _shade((150, 86, 68), random.uniform(0.86, 1.1))
            pen.rectangle((x + 5, y + 5, x + wide - 5, y + high - 5), tone)


def _round(x: float, y: float, radius: float) -> tuple[float, float, float, float]:
    return x - radius, y - radius, x + radius, y + radius


def _hand(x: float, y: float, reach: float, turn: float) -> Point:
    """Where a hand of this length ends, `turn` of the way round from twelve."""
    return x + reach * math.sin(math.tau * turn), y - reach * math.cos(math.tau * turn)


# --- exposure --------------------------------------------------------------------------------


def _grain(picture: Picture, seed: int) -> None:
    """A little noise in the light and the dark, as any sensor has."""
    from PIL import Image

    edge = 256
    tile = Image.frombytes("L", (edge, edge), Random(seed + 4).randbytes(edge * edge))
    for tone, table in (
        ((255, 255, 255), [max(0, v - 128) // 11 for v in _BYTES]),
        ((0, 0, 0), [max(0, 128 - v) // 11 for v in _BYTES]),
    ):
        mask = tile.point(table)
        for x in range(0, picture.width, edge):
            for y in range(0, picture.height, edge):
                picture.paste(tone, (x, y, x + edge, y + edge), mask)


def _exposed(picture: Picture, stops: float) -> Picture:
    """The picture with its mean, in linear light, `stops` above or below an even exposure."""
    wanted = _GREY * 2**stops
    sample = picture.reduce(4)
    low, high = 0.05, 20.0
    for _ in range(22):
        gain = math.sqrt(low * high)
        if _mean_light(sample.point(_gain_table(gain) * 3)) < wanted:
            low = gain
        else:
            high = gain
    return picture.point(_gain_table(math.sqrt(low * high)) * 3)


def _mean_light(picture: Picture) -> float:
    counts = picture.convert("L").histogram()
    return sum(n * _to_linear(v) for v, n in enumerate(counts)) / sum(counts)


@cache
def _to_linear(value: int) -> float:
    """The sRGB curve (IEC 61966-2-1), from 0..255 to linear light."""
    part = value / 255
    return part / 12.92 if part <= 0.04045 else float(((part + 0.055) / 1.055) ** 2.4)


def _gain_table(gain: float) -> list[int]:
    """What each value becomes under `gain`, its highlights rolled off as film and sensors do."""
    return [_to_value(_to_linear(v) * gain) for v in _BYTES]


def _to_value(light: float) -> int:
    light = min(1.0, light)
    part = light * 12.92 if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return round(part * 255)
