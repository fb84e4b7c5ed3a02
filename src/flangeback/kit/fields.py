"""The fields of a kit file: how each shape of value is read, and what is wrong with a bad one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from typing import Any, NamedTuple

from flangeback.errors import nearest
from flangeback.kit.model import CROP_FACTORS, FULL_FRAME_DIAGONAL, AdapterKind
from flangeback.kit.mounts import mount_named, near_designations
from flangeback.words import listed


@dataclass(eq=False)
class FieldFault(Exception):
    """What is wrong with a table or a field of it, what was expected, what was probably meant."""

    text: str
    expected: str | None = None
    suggestion: str | None = None


class FieldRule(NamedTuple):
    """How a field is read.

    `read` gives its value from what TOML has and `expected`, or raises FieldFault. One that must be
    there has an `example` of what stands behind its =.
    """

    read: Callable[[Any, str], Any]
    expected: str
    example: str | None = None


def text(value: object, expected: str) -> str:
    """One line of text, without the spaces around it."""
    if not isinstance(value, str) or not value.strip():
        raise FieldFault(f"is {shown(value)}", f"{expected}, in quotes")
    if any(ord(character) < 32 or ord(character) == 127 for character in value):
        raise FieldFault("holds a control character", f"{expected}, in one line")
    return value.strip()


def mount(value: object, expected: str) -> str:
    """A mount's first designation, whichever of them was written."""
    name = text(value, expected)
    found = mount_named(name)
    if found is not None:
        return found.name
    near = list(islice(near_designations(name), 3))
    nearby = f"; near it are {listed(near)}" if near else ""
    known = f"{expected}; kit mounts lists them all{nearby}"
    raise FieldFault(f'there is no mount "{name}"', known, near[0] if near else None)


def texts(value: object, expected: str) -> tuple[str, ...]:
    """A list of texts, none of them empty."""
    try:
        return tuple(text(item, expected) for item in _list(value, expected))
    except FieldFault:
        raise FieldFault(f"is {shown(value)}", expected) from None


def adapter_kind(value: object, expected: str) -> AdapterKind:
    """One of the kinds of adapters."""
    word = text(value, expected)
    try:
        return AdapterKind(word)
    except ValueError:
        raise FieldFault(f'is "{word}"', expected, nearest(word, AdapterKind)) from None


def number(value: object, expected: str) -> Decimal:
    """A number above zero, as it was written."""
    if not isinstance(value, bool) and isinstance(value, int | Decimal):
        found = Decimal(value)
        if found.is_finite() and Decimal("0.001") <= found <= 100_000:
            return found
    raise FieldFault(f"is {shown(value)}", expected)


def length(value: object, expected: str) -> float:
    """A measured length in mm."""
    return float(number(value, expected))


def ends(value: object, expected: str) -> tuple[Decimal, Decimal]:
    """A number, which counts for both ends of a zoom, or a list of the two."""
    first, last = _two(value if isinstance(value, list) else [value, value], value, expected)
    if first > last:
        raise FieldFault(f"is {shown(value)}, the greater first", expected)
    return first, last


def sides(value: object, expected: str) -> tuple[float, float]:
    """Width and height of a sensor in mm."""
    width, height = _two(_list(value, expected), value, expected)
    crop_factor = FULL_FRAME_DIAGONAL / math.hypot(width, height)
    if min(width, height) < 1 or not CROP_FACTORS[0] <= crop_factor <= CROP_FACTORS[1]:
        raise FieldFault(f"is {shown(value)}", expected)
    return float(width), float(height)


def _list(value: object, expected: str) -> list[object]:
    if not isinstance(value, list):
        raise FieldFault(f"is {shown(value)}", expected)
    return value


def _two(items: list[object], value: object, expected: str) -> tuple[Decimal, Decimal]:
    try:
        first, last = (number(item, expected) for item in items)
    except (FieldFault, ValueError):
        raise FieldFault(f"is {shown(value)}", expected) from None
    return first, last


def flag(value: object, expected: str) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise FieldFault(f"is {shown(value)}", expected)
    return value


def shown(value: object) -> str:
    """A value about as TOML writes it."""
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(shown, value)) + "]"
    try:
        return str(value)
    except ValueError:  # Python writes no whole number of more than 4300 digits.
        return "a number beyond all measure"
