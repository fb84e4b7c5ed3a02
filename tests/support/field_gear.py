"""The gear of the outings in the field: bodies, lenses, and the kit file that describes them."""

from __future__ import annotations

import math
from dataclasses import dataclass

MARKS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
"""Full stops of the ring (ISO 517)."""


@dataclass(frozen=True)
class Lens:
    """Focal lengths in mm; `widest` at the shortest and at the longest of them. `loss` is how many
    stops less light comes through than the f-number says."""

    key: str
    maker: str
    name: str
    focal: tuple[float, float]
    widest: tuple[float, float]
    mount: str
    loss: float
    native: bool = False
    narrowest: float = 16

    @property
    def zoom(self) -> bool:
        return self.focal[0] != self.focal[1]

    def marks(self) -> tuple[float, ...]:
        """The f-numbers that hold at every focal length."""
        return tuple(mark for mark in MARKS if mark >= max(self.widest) - 0.01)

    def toml(self) -> str:
        focal = list(self.focal) if self.zoom else self.focal[0]
        widest = list(self.widest) if self.zoom else self.widest[0]
        return (
            f'[lens.{self.key}]\nmaker = "{self.maker}"\nname = "{self.name}"\nfocal = {focal}\n'
            f'widest = {widest}\nnarrowest = {self.narrowest:g}\nmount = "{self.mount}"\n'
            "aperture_ring = true\n"
        )


@dataclass(frozen=True)
class Body:
    """`thirds`: exposes in thirds of a stop and writes rounded figures; else without steps.
    `soft`: highlights clip by a shoulder. `letterbox`: the thumbnail has bars above and below.
    Limits of automatic exposure: time in s, ISO."""

    key: str
    maker: str
    model: str
    prefix: str
    thirds: bool
    soft: bool
    letterbox: bool
    longest_s: float
    highest_iso: int

    def toml(self) -> str:
        return f'[body.{self.key}]\nmodel = "{self.model}"\nmount = "E"\nsensor = [35.9, 23.9]\n'


MIRAN58 = Lens("miran58", "Ostrava Optik", "Miran 58mm f/2", (58, 58), (2.0, 2.0), "M42", 0.2)
BRASK135 = Lens("brask135", "Brask", "Brask 135mm f/2.8", (135, 135), (2.8, 2.8), "M42", 0.3)
TOLVAN28 = Lens("tolvan28", "Brask", "Tolvan 28mm f/2.8", (28, 28), (2.8, 2.8), "F", 0.15)
MIRAN85 = Lens("miran85", "Ostrava Optik", "Miran 85mm f/1.4", (85, 85), (1.4, 1.4), "F", 0.25)
ZOOM = Lens("sund3570", "Brask", "Sund 35-70mm f/3.5-4.5", (35, 70), (3.5, 4.5), "F", 0.4)
NATIVE = Lens("", "Kestrin", "Kestrin 24-70mm f/4", (24, 70), (4.0, 4.0), "E", 0.3, native=True)
PRIMES = (MIRAN58, BRASK135, TOLVAN28, MIRAN85)

K7 = Body("k7", "Kestrin", "Kestrin K7", "K7", True, False, False, 30.0, 6400)
N2 = Body("n2", "Norrvik", "Norrvik N2", "N2", False, True, True, 4.0, 12800)


def kit_text() -> str:
    adapters = "".join(
        f'\n[adapter.{mount.lower()}-e]\nlens_mount = "{mount}"\nbody_mount = "E"\nkind = "plain"\n'
        for mount in ("M42", "F")
    )
    return "\n".join(thing.toml() for thing in (K7, N2, *PRIMES, ZOOM)) + adapters


def stops_between(one: float, other: float) -> float:
    """How many stops the second f-number is narrower than the first."""
    return 2 * math.log2(other / one)
