"""Mounts with their registers, and sensor formats.

Figures and their sources stand in `profiles/`; this module looks them up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any

from flangeback import profiles
from flangeback.errors import near_names
from flangeback.kit.model import Body, Lens

_ALIKE = 0.03
"""Relative: bodies of one format differ by a few tenths of a mm (common practice)."""


@dataclass(frozen=True, slots=True)
class Mount:
    """A lens mount.

    `designations` are the trade's names for it, the first being the one shown; `register` is the
    flange focal distance in mm as (least, greatest), equal where the published tables agree.
    `tolerance` is half a unit of the last digit that they give, in mm: the register isn't known
    more closely. `deep_rear` marks mounts whose lenses often reach far behind the flange. `lock`
    is how it holds, `years` when it was and is made, `lenses` the families that carry it, `sensors`
    the formats of the digital bodies that have it.
    """

    designations: tuple[str, ...]
    register: tuple[float, float]
    source: str
    note: str = ""
    tolerance: float = 0.005
    deep_rear: bool = False
    lock: str = ""
    years: str = ""
    lenses: tuple[str, ...] = ()
    sensors: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The designation that is shown."""
        return self.designations[0]


@cache
def mounts() -> tuple[Mount, ...]:
    """Every mount known, in the order of the profile."""
    data = profiles.load("mounts")
    return tuple(_mount(row, data["sources"]) for row in data["mount"])


def _mount(row: dict[str, Any], sources: dict[str, str]) -> Mount:
    figures = row["register"] if isinstance(row["register"], list) else [row["register"]]
    lists = ("designations", "lenses", "sensors")
    return Mount(
        **(row | {name: tuple(row.get(name, ())) for name in lists})
        | {"register": (float(figures[0]), float(figures[-1])), "source": sources[row["source"]]},
        tolerance=max(map(_half_digit, figures)),
    )


def _half_digit(figure: Decimal) -> float:
    exponent = figure.as_tuple().exponent
    assert isinstance(exponent, int)
    return float(Decimal(5).scaleb(exponent - 1))


@cache
def _by_designation() -> dict[str, Mount]:
    return {name.casefold(): mount for mount in mounts() for name in mount.designations}


def mount_named(designation: str) -> Mount | None:
    """The mount of this designation, in any case of letters; None when it isn't known."""
    return _by_designation().get(" ".join(designation.split()).casefold())


def mount_of(gear: Body | Lens) -> Mount:
    """The mount of a body or a lens. Raises ValueError for one that no table has."""
    mount = mount_named(gear.mount)
    if mount is None:
        raise ValueError(f'there is no mount "{gear.mount}"')
    return mount


def designations() -> tuple[str, ...]:
    """Every designation of every mount, for suggestions."""
    return tuple(name for mount in mounts() for name in mount.designations)


def format_named(sensor: tuple[float, float] | None) -> str | None:
    """The name of the format that a sensor (width and height in mm) is of, None where none is."""
    if sensor is None:
        return None
    for row in profiles.load("formats")["format"]:
        sides = zip(sensor, map(float, row["size"]), strict=True)
        if all(abs(side - standard) <= _ALIKE * standard for side, standard in sides):
            return str(row["name"])
    return None


def likely_mounts(sensor: str | None) -> tuple[Mount, ...]:
    """The mounts of digital bodies, those with a sensor of this format first.

    Among them come those with a short register first, which leave room for the most lenses.
    """
    digital = [mount for mount in mounts() if mount.sensors]
    return tuple(sorted(digital, key=lambda mount: (sensor not in mount.sensors, mount.register)))


def near_designations(name: str) -> Iterator[str]:
    """The designations most like a name, one for each mount, the likest first."""
    seen = set[str]()
    for each in near_names(name, designations()):
        mount = _by_designation()[each.casefold()]
        if mount.name not in seen:
            seen.add(mount.name)
            yield each


def adapter_thickness(lens_mount: Mount, body_mount: Mount) -> tuple[float, float]:
    """Thickness in mm, (least, greatest), of an adapter that keeps infinity focus.

    The difference of the registers; negative where a plain adapter has no room.
    """
    lens, body = lens_mount.register, body_mount.register
    return lens[0] - body[1], lens[1] - body[0]
