"""What stands and floats in Lindholm harbour, as shapes.

The unit is the width that a 50 mm lens sees on 36 mm of sensor; heights count from the horizon up,
so that what lies nearer to us lies lower.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache, partial
from random import Random
from typing import NamedTuple

Colour = tuple[int, int, int]
Point = tuple[float, float]
_STONE = -0.004
"""Where the far quay's stones begin."""
WATERLINE = -0.014
"""Where the far quay meets the water."""
EDGE = -0.27
"""The edge of the quay we stand on."""
_WATER = (74 * 0.65, 104 * 0.65, 122 * 0.65)
"""What the water adds to the colour of an image in it."""
_FRONTS: tuple[Colour, ...] = (
    *((152, 58, 44), (170, 72, 52), (214, 170, 92), (226, 204, 156)),
    *((190, 186, 176), (120, 138, 146), (232, 226, 210)),
)


class Shape(NamedTuple):
    """A line of some width, the "area" between points, or the "box" or "disc" of two corners."""

    kind: str
    colour: Colour
    points: tuple[Point, ...]
    width: float = 0.0


def _shape(kind: str, colour: Colour, *points: Point) -> Shape:
    return Shape(kind, colour, points)


_area, _box, _disc = (partial(_shape, kind) for kind in ("area", "box", "disc"))


def _line(colour: Colour, width: float, *points: Point) -> Shape:
    return Shape("line", colour, points, width)


def shade(colour: Colour, factor: float) -> Colour:
    """A colour made darker or lighter."""
    return _mixed(colour, factor, (0, 0, 0))


def _mixed(colour: Colour, factor: float, other: Sequence[float]) -> Colour:
    """So much of a colour with the whole of another."""
    pairs = zip(colour, other, strict=True)
    red, green, blue = (min(255, int(own * factor + more)) for own, more in pairs)
    return red, green, blue


def _placed(shapes: Sequence[Shape], foot: Point, size: float, flat: float = 1.0) -> list[Shape]:
    """Shapes drawn about their own foot, set down somewhere in some size."""
    return [
        shape._replace(
            points=tuple((foot[0] + x * size, foot[1] + y * size * flat) for x, y in shape.points),
            width=shape.width * size,
        )
        for shape in shapes
    ]


@cache
def far_shore() -> tuple[Shape, ...]:
    """Cranes, a church, the row of houses, the quay they stand on with its lamps."""
    grey, orange = (92, 104, 112), (148, 96, 62)
    shapes: list[Shape] = []
    for place, size in ((-1.55, 0.2), (-0.72, 0.25), (-0.5, 0.21), (0.98, 0.24), (1.9, 0.22)):
        shapes += _placed(_crane(grey if size < 0.23 else orange), (place, 0), size)
    shapes += _placed(_CHURCH, (0.31, 0), 0.016)
    shapes += _houses()
    shapes += [_box((116, 110, 104), (-9, _STONE), (9, WATERLINE))]
    shapes += [_box((176, 164, 148), (-9, _STONE), (9, _STONE - 0.002))]
    for n in range(-150, 151):
        x = n * 0.03
        shapes.append(_box((78, 72, 68), (x, _STONE), (x + 0.0035, WATERLINE)))
        if n % 5 == 0:
            shapes += _placed(_lamp(0.035), (x, _STONE), 0.055)
    return tuple(shapes)


def _crane(paint: Colour) -> Sequence[Shape]:
    """A portal crane: legs, cabin, jib with its ties, hook."""
    tip, heel, mast = (0.95, 1.08), (0.05, 0.62), (-0.03, 0.95)
    return (
        _line(paint, 0.03, (-0.16, 0), (-0.096, 0.5)),
        _line(paint, 0.03, (0.16, 0), (0.096, 0.5)),
        _line(paint, 0.01, (-0.16, 0), (0.1, 0.5)),
        _line(paint, 0.03, (-0.14, 0.3), (0.14, 0.3)),
        _box(shade(paint, 0.85), (-0.17, 0.63), (0.14, 0.5)),
        _box((196, 208, 210), (0.03, 0.6), (0.11, 0.54)),
        _line(paint, 0.03, tip, heel, mast),
        _line(paint, 0.03, (-0.16, 0.62), mast),
        _line(paint, 0.01, tip, mast, (0.5, 0.85)),
        _line(paint, 0.01, tip, (0.95, 0.5)),
        _box(paint, (0.93, 0.51), (0.97, 0.46)),
    )


_CHURCH = (
    _box((206, 190, 164), (-1, 8.1), (1, 0)),
    _box((164, 152, 131), (-1, 8.1), (-0.5, 0)),
    _area((96, 136, 122), (-1.15, 8.1), (0, 13.4), (1.15, 8.1)),
    _box((70, 66, 62), (-0.25, 7.4), (0.25, 6.2)),
)


def _lamp(girth: float) -> Sequence[Shape]:
    post = (58, 60, 62)
    return (
        _line(post, girth, (0, 0), (0, 1), (0.16, 1.03)),
        _disc((246, 232, 196), (0.13, 1.05), (0.22, 0.98)),
    )


def _houses() -> Iterator[Shape]:
    random, left = Random(517), -3.4
    while left < 3.4:
        wide, high = random.uniform(0.045, 0.105), random.uniform(0.038, 0.075)
        front = random.choice(_FRONTS)
        yield from _house(left, wide, high, front, gable=random.random() < 0.55)
        left += wide + random.choice((0.0, 0.004, 0.012, 0.05))


def _house(left: float, wide: float, high: float, front: Colour, *, gable: bool) -> Iterator[Shape]:
    """A front, its left edge in shade (the sun is low on the right), a roof, rows of windows."""
    right, middle = left + wide, left + wide / 2
    over, inset = wide * 0.04, wide * 0.1
    yield _box(front, (left, high), (right, _STONE))
    yield _box(shade(front, 0.82), (left, high), (left + wide * 0.12, _STONE))
    if gable:
        peak = high + wide * 0.42
        yield _area((112, 84, 76), (left - over, high), (middle, peak), (right + over, high))
        yield _area(front, (left + inset, high), (middle, peak - inset), (right - inset, high))
    else:
        ridge = high + 0.016
        corners = ((left - over, high), (left + inset, ridge), (right - inset, ridge))
        yield _area((84, 88, 94), *corners, (right + over, high))
    across, floors = max(2, round(wide / 0.022)), max(1, round(high / 0.026))
    for floor in range(floors):
        top = high - 0.009 - floor * (high - 0.004) / floors
        for n in range(across):
            x = left + wide * (n + 0.5) / across
            pane = (72, 88, 102) if (n + floor) % 3 else (214, 190, 140)
            yield _box((238, 232, 220), (x - 0.0051, top + 0.0012), (x + 0.0051, top - 0.013))
            yield _box(pane, (x - 0.0039, top), (x + 0.0039, top - 0.0118))
            yield _line((226, 220, 208), 0.0012, (x, top), (x, top - 0.0118))


_HULLS: tuple[Colour, ...] = ((38, 66, 96), (236, 234, 226), (150, 46, 40), (52, 92, 84))
_WOOD, _STAY, _IRON = (138, 108, 78), (96, 94, 92), (96, 88, 80)
_RIG = (
    _area((228, 222, 208), (-0.18, 0.13), (-0.14, 0.22), (0.14, 0.23), (0.22, 0.15)),
    *(_disc((70, 86, 98), (x - 0.018, 0.202), (x + 0.018, 0.172)) for x in (-0.08, 0.01, 0.1)),
    _line(_WOOD, 0.024, (0.06, 0.14), (0.06, 1.24)),
    _line(_WOOD, 0.024, (-0.4, 0.29), (0.06, 0.29)),
    _line((232, 226, 212), 0.048, (-0.38, 0.32), (0.04, 0.33)),
    *(_line(_STAY, 0.006, (0.06, 1.22), end) for end in ((-0.45, 0.14), (0.49, 0.17), (0.2, 0.15))),
    _line(_WOOD, 0.012, (-0.02, 0.9), (0.14, 0.9)),
)
"""Mast, boom with the sail lashed on it, stays, a low cabin."""
_WHEELHOUSE = (
    _line(_IRON, 0.024, (-0.08, 0.14), (-0.08, 0.72)),
    _line(_IRON, 0.012, (-0.08, 0.3), (-0.4, 0.62)),
    _line(_STAY, 0.006, (-0.08, 0.7), (-0.4, 0.62)),
    _box((234, 228, 214), (0.02, 0.42), (0.26, 0.13)),
    _box((150, 62, 48), (-0.01, 0.45), (0.29, 0.41)),
    *(_box((66, 84, 98), (x, 0.37), (x + 0.05, 0.28)) for x in (0.05, 0.13, 0.2)),
    _disc((214, 110, 52), (-0.34, 0.22), (-0.22, 0.1)),
)
"""What a small fishing boat carries: wheelhouse, mast, derrick."""


def _hull(paint: Colour) -> Sequence[Shape]:
    return (
        _area(paint, (-0.46, 0.13), (0.5, 0.17), (0.38, -0.01), (-0.4, -0.01)),
        _area((112, 44, 38), (-0.41, 0.02), (0.4, 0.02), (0.38, -0.01), (-0.4, -0.01)),
        _line((206, 188, 150), 0.024, (-0.46, 0.13), (0.5, 0.17)),
        _line(shade(paint, 0.78), 0.012, (-0.45, 0.09), (0.46, 0.12)),
    )


@cache
def boats() -> tuple[Shape, ...]:
    """The boats at their moorings, the farthest first, each above its image in the water."""
    random = Random(40)
    moored = []
    for n in range(30):
        below = random.uniform(0.024, 0.135)
        place = -3 + n * 0.2 + random.uniform(-0.06, 0.06)
        hull = _hull(random.choice(_HULLS))
        moored.append((below, place, (*(_RIG if random.random() < 0.6 else _WHEELHOUSE), *hull)))
    shapes: list[Shape] = []
    for below, place, boat in sorted(moored, key=lambda one: one[0]):
        image = [shape._replace(colour=_mixed(shape.colour, 0.35, _WATER)) for shape in boat]
        shapes += _placed(image, (place, -below), 0.05 + below * 0.95, -0.62)
        shapes += _placed(boat, (place, -below), 0.05 + below * 0.95)
    return tuple(shapes)


_BOLLARD = (
    _disc((92, 82, 74), (-1.5, 0.3), (0.9, -0.3)),
    _box((44, 46, 50), (-0.55, 1.5), (0.55, 0)),
    _box((92, 92, 92), (0.25, 1.5), (0.42, 0)),
    _box((44, 46, 50), (-0.9, 2), (0.9, 1.4)),
    _line((92, 92, 92), 0.07, (-0.5, 1.93), (0.6, 1.93)),
)


@cache
def near_quay() -> tuple[Shape, ...]:
    """The stone edge we stand on, its bollards and lamps."""
    shapes = [
        _box((124, 112, 100), (-9, EDGE), (9, EDGE - 3)),
        _box((168, 152, 134), (-9, EDGE), (9, EDGE - 0.03)),
        _box((74, 64, 58), (-9, EDGE + 0.008), (9, EDGE)),
    ]
    joint, y, step = (98, 88, 78), EDGE - 0.03, 0.02
    while y > -1:
        shapes.append(_line(joint, 0.001, (-9, y), (9, y)))
        y -= step
        step *= 1.35
    for n in range(-9, 10):
        place = n * 0.37 + 0.11
        shapes += _placed(_BOLLARD, (place, EDGE - 0.022), 0.03)
        if n % 3 == 0:
            shapes += _placed(_lamp(0.022), (place + 0.16, EDGE - 0.02), 0.52)
    return tuple(shapes)


def gulls(seed: int, pan: float, width: float) -> Iterator[Shape]:
    """A few gulls in the sky of a view that is so wide."""
    random = Random(seed + 2)
    for _ in range(random.randint(2, 7)):
        span = random.uniform(0.008, 0.03) * width
        x = pan + random.uniform(-0.45, 0.45) * width
        y = random.uniform(0.05, 0.32) * width
        bend = random.uniform(0.15, 0.42)
        colour = random.choice(((244, 242, 238), (86, 92, 100), (70, 76, 84)))
        tips = [(x + way * span, y - bend * span * 0.25) for way in (-1, 1)]
        elbows = [(x + way * span * 0.5, y + bend * span) for way in (-1, 1)]
        yield _line(colour, span * 0.09, tips[0], elbows[0], (x, y), elbows[1], tips[1])
        body = span * 0.14
        yield _disc(colour, (x - body, y + body * 0.5), (x + body, y - body * 0.9))
