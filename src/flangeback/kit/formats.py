"""Sensor formats by the trade's names; the figures stand in `profiles/formats.toml`."""

from __future__ import annotations

from flangeback import profiles

_ALIKE = 0.03
"""Relative: bodies of one format differ by a few tenths of a mm (common practice)."""


def format_named(sensor: tuple[float, float] | None) -> str | None:
    """The name of the format that a sensor (width and height in mm) is of, None where none is."""
    if sensor is None:
        return None
    for row in profiles.load("formats")["format"]:
        sides = zip(sensor, map(float, row["size"]), strict=True)
        if all(abs(side - standard) <= _ALIKE * standard for side, standard in sides):
            return str(row["name"])
    return None
