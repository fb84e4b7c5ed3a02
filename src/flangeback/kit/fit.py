"""What fits what: a lens on a body, with the adapters of the kit, and what it then comes to."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from itertools import product

from flangeback.kit import optics, stops
from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.mounts import Mount, adapter_thickness, mount_of
from flangeback.kit.stacks import GLASS, Stack, is_tube, stacks

THIN = 2.0
"""mm; with less room than about this only a thin special adapter fits, since two bayonets need
room (common practice)."""
STANDING = (
    "Never force a mount.",
    "Check that a lens's rear clears the shutter and the sensor before the first release.",
    "Hold a heavy lens by the lens, not by the body.",
    "Don't point a lens at the sun.",
    "Keep the originals until the copies are in the catalogue and backed up.",
)
"""What holds for every outing."""
LONG = 135
"""mm; from about here a lens outweighs the body's mount."""
COVERS = 0.99
"""An image circle this much of the sensor's diagonal still counts: both are rounded figures."""
TOLD = ("lens name", "focal length", "f-number")
"""What lens and body tell each other, and a frame lacks where they don't."""


class AdapterRoom(StrEnum):
    """Whether a plain adapter can stand between two mounts."""

    SAME_MOUNT = "same mount"
    NONE = "no room"
    THIN = "thin"
    ENOUGH = "enough"


class ApertureControl(StrEnum):
    """Where the aperture is set."""

    LENS_RING = "ring on the lens"
    ADAPTER_RING = "ring on the adapter"
    BODY = "set by the body"
    WIDE_OPEN = "stuck wide open"


@dataclass(frozen=True, slots=True)
class Spacing:
    """The room between two mounts.

    `thickness` is what an adapter has to measure to keep infinity focus, in mm, (least, greatest)
    where the tables differ; negative where there is no room. `tolerance` is how closely, either
    way, the registers are known.
    """

    thickness: tuple[float, float]
    tolerance: float
    room: AdapterRoom


@dataclass(frozen=True, slots=True)
class Infinity:
    """What an adapter's thickness does at the lens's infinity stop.

    `error` is in mm, above zero where the adapter is too thick. `distance` (mm, from the lens) is
    the farthest sharp one where it is too thick, and what the scale reads with infinity sharp
    where it is too thin. `blur` is what a star becomes on the sensor at the infinity stop, wide
    open; `far_limit` how far depth of field then reaches on an adapter too thick; `shows` whether
    the blur exceeds `circle`, the circle of confusion; `sharp_from` the first marked f-number of
    the full stops at which it doesn't.
    """

    error: float
    distance: float
    blur: float
    circle: float
    shows: bool
    far_limit: float
    sharp_from: Decimal | None


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A lens set to infinity on an extension of `extension` mm.

    `distance` is from the lens to what is sharp, in mm; `magnification` is extension by focal
    length; `f_number` what the exposure goes by, wide open: N (1 + m), for pupils that are alike
    (common practice). It is never written as FNumber, which goes by the focal length (CIPA DC-008).
    """

    extension: float
    magnification: float
    distance: float
    f_number: float


@dataclass(frozen=True, slots=True)
class View:
    """The lens at one end of its zoom range (a prime has one).

    `marked` is the focal length on the lens in mm; `focal`, `widest` and `narrowest` are what the
    sensor sees, behind reducers and extenders. `equivalent_35mm` (mm) and `angles` (degrees:
    width, height, diagonal) are None where the sensor isn't known.
    """

    marked: Decimal
    focal: Decimal
    widest: Decimal
    narrowest: Decimal | None
    equivalent_35mm: int | None
    angles: tuple[float, float, float] | None
    infinity: Infinity | None = None
    close_up: CloseUp | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """One way to bring the lens onto the body.

    `adapters` stand in their order from the lens on; there are none for the same mount. `lacks` is
    what the frames lack afterwards, None where that lies with lens and body. `as_thick` says
    whether the measured thickness is right as closely as the registers are known; None where it
    wasn't measured, or where glass decides. `image_circle` is in mm, behind the adapters.
    """

    adapters: tuple[Adapter, ...]
    factor: Decimal
    aperture: ApertureControl
    lacks: tuple[str, ...] | None
    views: tuple[View, ...]
    as_thick: bool | None
    thickness: float | None
    image_circle: float | None
    covers: bool | None
    cautions: tuple[str, ...]

    @property
    def name(self) -> str:
        """The adapters' keys, from the lens on."""
        return " + ".join(adapter.key for adapter in self.adapters)

    @property
    def equivalents(self) -> tuple[int, ...]:
        """35 mm equivalents in mm; empty where the sensor isn't known."""
        return tuple(v.equivalent_35mm for v in self.views if v.equivalent_35mm is not None)


@dataclass(frozen=True, slots=True)
class Fit:
    """A lens and a body: the room between them and every way the kit has, the shortest first.

    `other_adapters` are those of the kit that go onto the body and take other lenses; they are
    named where there is no way.
    """

    lens: Lens
    body: Body
    spacing: Spacing
    ways: tuple[Way, ...]
    other_adapters: tuple[Adapter, ...] = ()

    @property
    def way(self) -> Way | None:
        """The shortest way, without extension tubes if there is one."""
        return self.ways[0] if self.ways else None


def fit(lens: Lens, body: Body, kit: Kit, extension: float = 0.0) -> Fit:
    """How a lens fits a body; `extension` is in mm, by tubes or bellows that aren't in the kit."""
    between = spacing(mount_of(lens), mount_of(body))
    ways = tuple(
        _way(lens, body, stack, between, extension)
        for stack in stacks(lens.mount, body.mount, kit.adapters.values())
    )
    others = () if ways else tuple(a for a in kit.adapters.values() if a.body_mount == body.mount)
    return Fit(lens, body, between, ways, others)


def fits(
    lenses: Iterable[Lens], bodies: Iterable[Body], kit: Kit, extension: float = 0.0
) -> tuple[Fit, ...]:
    """Each of the lenses on each of the bodies, body by body."""
    return tuple(fit(lens, body, kit, extension) for body, lens in product(bodies, lenses))


def spacing(lens_mount: Mount, body_mount: Mount) -> Spacing:
    """The room for an adapter between two mounts."""
    thickness = adapter_thickness(lens_mount, body_mount)
    tolerance = lens_mount.tolerance + body_mount.tolerance
    if lens_mount == body_mount:
        return Spacing((0.0, 0.0), 0.0, AdapterRoom.SAME_MOUNT)
    if thickness[0] < 0:
        return Spacing(thickness, tolerance, AdapterRoom.NONE)
    room = AdapterRoom.THIN if thickness[0] < THIN else AdapterRoom.ENOUGH
    return Spacing(thickness, tolerance, room)


def _way(lens: Lens, body: Body, stack: Stack, between: Spacing, extension: float) -> Way:
    factor = math.prod((adapter.factor for adapter in stack), start=Decimal(1))
    error, reach = _thickness_error(stack, between), _extension(stack, extension)
    views = tuple(
        _view(lens, body, end, factor, None if reach else error, reach)
        for end in range(2 if lens.is_zoom else 1)
    )
    circle = None if lens.image_circle is None else lens.image_circle * float(factor)
    diagonal = None if body.sensor is None else math.hypot(*body.sensor)
    return Way(
        stack,
        factor,
        _aperture(lens, stack),
        None if not stack else () if _passes_on(stack) else TOLD,
        views,
        None if error is None else error == 0,
        _thickness(stack),
        circle,
        None if circle is None or diagonal is None else circle >= COVERS * diagonal,
        tuple(_cautions(lens, stack, no_room=between.room is AdapterRoom.NONE)),
    )


def _thickness(stack: Stack) -> float | None:
    """The whole stack's, tubes left out; None where one wasn't measured."""
    known = [adapter.thickness for adapter in stack if not is_tube(adapter)]
    measured = [thickness for thickness in known if thickness is not None]
    return sum(measured) if measured and len(measured) == len(known) else None


def _thickness_error(stack: Stack, between: Spacing) -> float | None:
    """How much too thick the stack is, in mm: 0 as closely as the registers are known.

    None where it wasn't measured, or has glass in it, which decides where infinity lies.
    """
    thickness = _thickness(stack)
    if thickness is None or any(adapter.kind in GLASS for adapter in stack):
        return None
    least, greatest = (thickness - end for end in reversed(between.thickness))
    # 1e-9 mm covers the rounding of floats.
    slack = between.tolerance + 1e-9
    return 0.0 if least - slack <= 0 <= greatest + slack else (least + greatest) / 2


def _extension(stack: Stack, extra: float) -> float | None:
    """What the tubes come to; None where one stands behind glass, which nothing simple covers."""
    total, behind_glass = extra, False
    for adapter in stack:
        behind_glass = behind_glass or adapter.kind in GLASS
        if is_tube(adapter):
            if behind_glass or adapter.thickness is None:
                return None
            total += adapter.thickness
    return total


def _aperture(lens: Lens, stack: Stack) -> ApertureControl:
    if lens.aperture_ring:
        return ApertureControl.LENS_RING
    # An adapter's ring moves the lens's own lever, so it has to face the lens.
    if any(a.kind is AdapterKind.APERTURE and a.lens_mount == lens.mount for a in stack):
        return ApertureControl.ADAPTER_RING
    return ApertureControl.BODY if _passes_on(stack) else ApertureControl.WIDE_OPEN


def _passes_on(stack: Stack) -> bool:
    """Whether lens and body can talk: nothing between them that has no contacts."""
    return all(adapter.kind is AdapterKind.ELECTRONIC for adapter in stack)


def _view(
    lens: Lens, body: Body, end: int, factor: Decimal, error: float | None, extension: float | None
) -> View:
    marked, widest = lens.focal[end], lens.widest[end]
    focal = scaled(marked, factor)
    crop = body.crop_factor
    return View(
        marked,
        focal,
        scaled(widest, factor),
        lens.narrowest and scaled(lens.narrowest, factor),
        None if crop is None else optics.equivalent_35mm(focal, crop),
        _angles(float(focal), body),
        _infinity(float(marked), float(widest), error, body) if error else None,
        _close_up(float(marked), float(widest), float(factor), extension) if extension else None,
    )


def scaled(marked: Decimal, factor: Decimal) -> Decimal:
    """A focal length or f-number as marked on the lens, behind glass of this factor."""
    return (marked * factor).normalize()


def _angles(focal: float, body: Body) -> tuple[float, float, float] | None:
    if body.sensor is None:
        return None
    sides = (*body.sensor, math.hypot(*body.sensor))
    width, height, diagonal = (optics.angle_of_view(focal, side) for side in sides)
    return width, height, diagonal


def _infinity(focal: float, widest: float, error: float, body: Body) -> Infinity:
    circle = optics.circle_of_confusion(math.hypot(*body.sensor) if body.sensor else None)
    distance = optics.extended_distance(focal, abs(error))
    far_limit = optics.far_limit(focal, widest, circle, distance) if error > 0 else math.inf
    # The cone of light is f/N wide at the lens and ends f behind it.
    blur = abs(error) / widest
    sharp_from = stops.first_from(max(widest, abs(error) / circle))
    return Infinity(error, distance, blur, circle, blur > circle, far_limit, sharp_from)


def _close_up(focal: float, widest: float, factor: float, extension: float) -> CloseUp:
    own = extension / focal
    distance = optics.extended_distance(focal, extension)
    # Glass behind the lens enlarges what the lens alone makes, and scales its f-number.
    return CloseUp(extension, own * factor, distance, widest * (1 + own) * factor)


def _cautions(lens: Lens, adapters: Stack, *, no_room: bool) -> Iterator[str]:
    """The cautions that this lens on these adapters gives rise to."""
    if mount_of(lens).deep_rear:
        reach = f"{lens.mount} lenses often reach far behind the flange"
        clears = "the rear clears the shutter and the sensor before the first release"
        yield f"{reach}: check that {clears}."
    if any(adapter.kind in GLASS for adapter in adapters):
        yield "The adapter has glass in it: check that the lens's rear doesn't touch it."
    if no_room and adapters:
        yield "There is no room for infinity focus; don't screw or press to gain it."
    if lens.focal[1] >= LONG:
        yield "Hold it by the lens, not by the body, and don't point it at the sun."
