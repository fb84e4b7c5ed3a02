"""The marked f-numbers: full, half and third stops (`profiles/stops.toml`, ISO 517)."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from typing import NamedTuple

from flangeback import profiles


class Stop(NamedTuple):
    """A mark on an aperture ring, and the exact f-number it stands for (APEX, CIPA DC-008)."""

    mark: Decimal
    exact: float


@cache
def series(name: str) -> tuple[Stop, ...]:
    """The marks of a series: "full", "half" or "third". Raises KeyError for another name."""
    row = {each["name"]: each for each in profiles.load("stops")["series"]}[name]
    return tuple(
        Stop(Decimal(mark), 2 ** ((row["from"] + n / row["stops"]) / 2))
        for n, mark in enumerate(row["marks"])
    )


def first_from(f_number: float) -> Decimal | None:
    """The widest full stop that is at least this f-number; None beyond the end of the series.

    Compares exact values: f/5.6 is 5.657, and serves where 5.65 is asked for.
    """
    return next((stop.mark for stop in series("full") if stop.exact >= f_number * (1 - 1e-9)), None)
