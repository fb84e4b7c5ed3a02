"""The card for the bag: per body, what to key into the stabiliser for each lens."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from flangeback.kit.fit import STANDING, ApertureControl, Fit, Way, fits
from flangeback.kit.model import Body, Kit, Lens
from flangeback.words import exact


@dataclass(frozen=True, slots=True)
class CardLine:
    """One lens on one way onto the body. `notes` say what the figures alone don't."""

    lens: Lens
    way: Way
    notes: tuple[str, ...] = ()

    @property
    def key_in(self) -> tuple[Decimal, ...]:
        """What the stabiliser is to be told, in mm, at each end of a zoom.

        It is the focal length itself, never the 35 mm equivalent; behind a reducer or extender, the
        one the sensor sees (common practice).
        """
        return tuple(view.focal for view in self.way.views)


@dataclass(frozen=True, slots=True)
class Card:
    """One body's card. `left_out` are lenses that no adapter of the kit brings onto it."""

    body: Body
    lines: tuple[CardLine, ...]
    left_out: tuple[Lens, ...]
    cautions: tuple[str, ...] = STANDING


def cards(kit: Kit, bodies: Iterable[Body] | None = None) -> tuple[Card, ...]:
    """A card for each of the bodies; for all of the kit's when none are given."""
    chosen = kit.bodies.values() if bodies is None else bodies
    return tuple(_card(body, kit) for body in chosen)


def _card(body: Body, kit: Kit) -> Card:
    found = fits(kit.lenses.values(), [body], kit)
    lines = (CardLine(f.lens, way, tuple(_notes(f.lens, way))) for f in found for way in _ways(f))
    in_order = tuple(sorted(lines, key=lambda line: line.key_in))
    return Card(body, in_order, tuple(fit.lens for fit in found if not fit.ways))


def _ways(fit: Fit) -> Iterator[Way]:
    """The ways with the fewest adapters. On extension tubes no one focal length is right."""
    fewest = max(1, len(fit.way.adapters)) if fit.way else 0
    yield from (way for way in fit.ways if len(way.adapters) <= fewest)


def _notes(lens: Lens, way: Way) -> Iterator[str]:
    if lens.is_zoom:
        times = "" if way.factor == 1 else f", times {exact(way.factor)}"
        yield f"key in the focal length you set on the ring{times}; again when you zoom"
    elif way.factor != 1:
        yield f"{exact(lens.focal[0])} on the lens, times {exact(way.factor)}"
    if way.aperture is ApertureControl.WIDE_OPEN:
        yield "no aperture ring: wide open at every frame"
    if way.lacks != () and way.aperture is ApertureControl.BODY:
        yield "only if the lens has no contacts; else it tells the body itself"
    elif way.lacks == ():
        yield "the adapter passes the focal length on, if the lens has contacts"
    if way.covers is False:
        yield "the corners stay dark"
    if any(view.infinity and view.infinity.error > 0 and view.infinity.shows for view in way.views):
        yield "falls short of infinity wide open; see kit fit"
