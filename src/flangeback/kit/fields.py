"""The fields of a kit file: how each shape of value is read, and what is wrong with a bad one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from typing import Any

from flangeback.errors import nearest
from flangeback.kit.mounts import mount_named, near_designations
from flangeback.words import listed


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a table or a field of it, what was expected, what was probably meant."""

    text: str
    expected: str | None = None
    suggestion: str | None = None


@dataclass(frozen=True, slots=True)
class Field:
    """A field: `read` gives its value, or the Fault in it, from what TOML has and `expected`.

    One that must be there has an `example` of what stands behind its =.
    """

    read: Callable[[Any, str], Any]
    expected: str
    example: str | None = None


def text(value: object, expected: str) -> str | Fault:
    """One line of text, without the spaces around it."""
    if not isinstance(value, str) or not value.strip():
        return Fault(f"is {shown(value)}", f"{expected}, in quotes")
    if any(ord(character) < 32 or ord(character) == 127 for character in value):
        return Fault("holds a control character", f"{expected}, in one line")
    return value.strip()


def mount(value: object, expected: str) -> str | Fault:
    """A mount's first designation, whichever of them was written."""
    name = text(value, expected)
    if isinstance(name, Fault):
        return name
    found = mount_named(name)
    return unknown_mount(name, expected) if found is None else found.name


def unknown_mount(name: str, expected: str) -> Fault:
    """The fault in a mount that no table has, with the nearest that are in one."""
    near = list(islice(near_designations(name), 3))
    nearby = f"; near it are {listed(near)}" if near else ""
    known = f"{expected}; kit mounts lists them all{nearby}"
    return Fault(f'there is no mount "{name}"', known, near[0] if near else None)


def texts(value: object, expected: str) -> tuple[str, ...] | Fault:
    """A list of texts, none of them empty."""
    items = [text(item, expected) for item in value] if isinstance(value, list) else [Fault("")]
    if any(isinstance(item, Fault) for item in items):
        return Fault(f"is {shown(value)}", expected)
    return tuple(map(str, items))


def one_of(names: Iterable[str]) -> Callable[[object, str], str | Fault]:
    """A reader of one of these words."""
    known = tuple(names)

    def read(value: object, expected: str) -> str | Fault:
        word = text(value, expected)
        if isinstance(word, Fault) or word in known:
            return word
        return Fault(f'is "{word}"', expected, nearest(word, known))

    return read


def number(value: object, expected: str) -> Decimal | Fault:
    """A number above zero, as it was written."""
    return _number(value) or Fault(f"is {shown(value)}", expected)


def length(value: object, expected: str) -> float | Fault:
    """A measured length in mm."""
    found = number(value, expected)
    return found if isinstance(found, Fault) else float(found)


def ends(value: object, expected: str) -> tuple[Decimal, Decimal] | Fault:
    """A number, which counts for both ends of a zoom, or a list of the two."""
    items = value if isinstance(value, list) else [value, value]
    first, last = map(_number, items) if len(items) == 2 else (None, None)
    if first is None or last is None:
        return Fault(f"is {shown(value)}", expected)
    return (
        (first, last) if first <= last else Fault(f"is {shown(value)}, the greater first", expected)
    )


def sides(value: object, expected: str) -> tuple[float, float] | Fault:
    """Width and height of a sensor in mm."""
    found = [_number(item) for item in value] if isinstance(value, list) else []
    lengths = [float(side) for side in found if side is not None and 1 <= side <= 100]
    if len(found) != 2 or len(lengths) != 2:
        return Fault(f"is {shown(value)}", expected)
    return lengths[0], lengths[1]


def flag(value: object, expected: str) -> bool | Fault:
    """True or false."""
    return value if isinstance(value, bool) else Fault(f"is {shown(value)}", expected)


def _number(value: object) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    found = Decimal(value)
    return found if found.is_finite() and Decimal("0.001") <= found <= 100_000 else None


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
