"""The gear, described once: bodies, lenses, adapters."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from itertools import chain

FULL_FRAME_DIAGONAL = 43.27
"""mm; the diagonal of 36 x 24 mm, to which crop factors refer (common practice)."""
CROP_FACTORS = (0.5, 8.0)
"""Between these lie the sensors of all bodies with a lens mount (common practice)."""
USUAL_NARROWEST = Decimal(32)
"""Where the rings of most lenses for small formats end (common practice)."""


class AdapterKind(StrEnum):
    """What an adapter is, besides a spacer."""

    PLAIN = "plain"
    APERTURE = "aperture"
    """Has an aperture ring of its own."""
    ELECTRONIC = "electronic"
    REDUCER = "reducer"
    EXTENDER = "extender"


@dataclass(frozen=True)
class Body:
    """A camera body. `model` and `serial` are what its frames' Exif says; `sensor` is mm x mm."""

    key: str
    mount: str
    model: str | None = None
    serial: str | None = None
    sensor: tuple[float, float] | None = None

    @property
    def crop_factor(self) -> float | None:
        """Full-frame diagonal over this sensor's; None when the kit doesn't say its size."""
        if self.sensor is None:
            return None
        return FULL_FRAME_DIAGONAL / math.hypot(*self.sensor)


@dataclass(frozen=True)
class Lens:
    """A lens.

    `focal` is (shortest, longest) in mm, equal for a prime; `widest` the f-number wide open at each
    of them; `narrowest` the greatest f-number of the ring, None where it isn't known; `known_as`
    names under which bodies have it registered; `image_circle` the diameter in mm of the picture
    it throws.
    """

    key: str
    name: str
    mount: str
    focal: tuple[Decimal, Decimal]
    widest: tuple[Decimal, Decimal]
    narrowest: Decimal | None = None
    maker: str | None = None
    serial: str | None = None
    aperture_ring: bool = True
    image_circle: float | None = None
    known_as: tuple[str, ...] = ()

    @property
    def is_zoom(self) -> bool:
        """Whether its focal length can be changed."""
        return self.focal[0] != self.focal[1]

    @property
    def limit(self) -> Decimal:
        """The greatest f-number to expect of it: the narrowest, f/32 where that isn't known."""
        return self.narrowest or USUAL_NARROWEST

    def widest_at(self, focal: Decimal | None) -> Decimal | None:
        """The f-number wide open at this focal length, in mm.

        None between the ends of a zoom whose maximum aperture changes: how it changes there isn't
        known.
        """
        if self.widest[0] == self.widest[1]:
            return self.widest[0]
        ends = zip(self.focal, self.widest, strict=True)
        return next((widest for end, widest in ends if end == focal), None)


@dataclass(frozen=True)
class Adapter:
    """An adapter between two mounts.

    `factor` multiplies focal length and f-number; `thickness` is in mm, as measured. `understood`
    marks a plain one that the kit file doesn't name, since lens and body leave room for it.
    """

    key: str
    lens_mount: str
    body_mount: str
    kind: AdapterKind = AdapterKind.PLAIN
    factor: Decimal = Decimal(1)
    thickness: float | None = None
    understood: bool = False

    @property
    def sets_aperture(self) -> bool:
        """Whether a lens without an aperture ring can be stopped down on it."""
        return self.kind in (AdapterKind.APERTURE, AdapterKind.ELECTRONIC)


@dataclass(frozen=True)
class Kit:
    """All the gear, by key. `file` is where it was read from."""

    bodies: Mapping[str, Body] = field(default_factory=dict)
    lenses: Mapping[str, Lens] = field(default_factory=dict)
    adapters: Mapping[str, Adapter] = field(default_factory=dict)
    file: str = ""

    def keys(self) -> Iterator[str]:
        """Every key of the kit: bodies, lenses, adapters."""
        return chain(self.bodies, self.lenses, self.adapters)

    def named(self, word: str) -> Body | Lens | Adapter | None:
        """The gear whose key is `word`, in any case of letters; None when there is none."""
        for shelf in (self.bodies, self.lenses, self.adapters):
            for key, gear in shelf.items():
                if key.casefold() == word.casefold():
                    return gear
        return None

    def adapters_for(self, lens: Lens, body: Body) -> tuple[Adapter, ...]:
        """The adapters that bring this lens onto this body, in the kit's order."""
        return tuple(
            adapter
            for adapter in self.adapters.values()
            if (adapter.lens_mount, adapter.body_mount) == (lens.mount, body.mount)
        )
