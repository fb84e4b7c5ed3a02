"""From what the database or a frame tells, and what the user says, to the fields of an entry."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit.adding import Field, body_key, lens_key
from flangeback.kit.lensdb import Entry
from flangeback.kit.mounts import designations, mount_named

_FIGURES = re.compile(r"(?:f/?)?(\d+(?:[.,]\d+)?)(?:\s*[-–]\s*(?:f/?)?(\d+(?:[.,]\d+)?))?", re.I)


@dataclass(frozen=True, slots=True)
class Said:
    """What the user says of a lens; it stands above what the database has."""

    mount: str | None = None
    widest: str | None = None
    narrowest: str | None = None
    aperture_ring: bool = True
    serial: str | None = None
    key: str | None = None


def chosen(entries: Sequence[Entry], words: Sequence[str], pick: int | None) -> Entry:
    """The one entry, or the one picked by its number. Raises InputError when there is none."""
    text = " ".join(words)
    if not entries:
        expected = "fewer or other words of its maker, name, mount, or its numbers"
        raise InputError(Problem("", f'no lens of the database has "{text}"', expected=expected))
    number = pick or 1
    if number > len(entries):
        told = f"there is no entry {number} for {text}"
        raise InputError(Problem("", told, expected=f"--pick from 1 to {len(entries)}"))
    return entries[number - 1]


def lens_fields(entry: Entry, said: Said) -> tuple[str, tuple[Field, ...]]:
    """The key and the fields of a lens. Raises InputError with everything that isn't known."""
    asked = _Asked()
    mount = asked.mount(said.mount, entry.mounts)
    widest = asked.figures("--widest", said.widest, entry.widest, "2, or 3.5-4.5 along a zoom")
    one = None if entry.narrowest is None else (entry.narrowest, entry.narrowest)
    narrowest = asked.figures("--narrowest", said.narrowest, one, "16")
    focal = entry.focal
    if focal is None:
        asked.problems.append(Problem("", f"the database has no focal length for {entry.name}"))
    key = asked.key(said.key, "" if focal is None else lens_key(entry.name, focal[0]))
    if asked.problems:
        raise InputError(asked.problems)
    return key, (
        ("maker", entry.maker or None, ""),
        ("name", entry.name, "as lens corrections have it"),
        ("focal", _single(focal), ""),
        ("widest", _single(widest), ""),
        ("narrowest", _single(narrowest), ""),
        ("mount", mount, ""),
        ("aperture_ring", said.aperture_ring, "false: can't be stopped down on a plain adapter"),
        ("serial", said.serial, ""),
    )


def body_fields(
    model: str,
    serial: str | None,
    sensor: tuple[float, float] | None,
    mount: str | None,
    key: str | None,
) -> tuple[str, tuple[Field, ...]]:
    """The key and the fields of a body; `sensor` is in mm, as a frame tells it.

    Raises InputError with everything that isn't known.
    """
    asked = _Asked()
    designation = asked.mount(mount, ())
    name = asked.key(key, body_key(model))
    if asked.problems:
        raise InputError(asked.problems)
    sides = None if sensor is None else (_tenths(sensor[0]), _tenths(sensor[1]))
    return name, (
        ("model", model, ""),
        ("serial", serial, ""),
        ("mount", designation, ""),
        ("sensor", sides, "mm, by the frame's focal-plane resolution"),
    )


class _Asked:
    """Collects what has to be asked for."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def mount(self, said: str | None, known: Sequence[str]) -> str | None:
        """A mount's designation: as said, else the only one known, if the trade has it so."""
        expected = "--mount with its designation, such as M42"
        if said is None:
            only = mount_named(known[0]) if len(known) == 1 else None
            if only is not None:
                return only.name
            told = f' (the database has "{", ".join(known)}")' if known else ""
            self.problems.append(Problem("", f"the mount has to be said{told}", expected=expected))
            return None
        found = mount_named(said)
        if found is None:
            near = nearest(said, designations())
            text = f'there is no mount "{said}"'
            self.problems.append(Problem("", text, expected=expected, suggestion=near))
            return None
        return found.name

    def figures(
        self,
        option: str,
        said: str | None,
        known: tuple[Decimal, Decimal] | None,
        example: str,
    ) -> tuple[Decimal, Decimal] | None:
        """One f-number or two, as said, else as known."""
        if said is None:
            if known is None:
                text = f"the {option.removeprefix('--')} f-number has to be said"
                self.problems.append(Problem("", text, expected=f"{option}, such as {example}"))
            return known
        found = _FIGURES.fullmatch(said.strip())
        if found is None:
            text = f'{option} is "{said}"'
            self.problems.append(Problem("", text, expected=f"an f-number, such as {example}"))
            return None
        first = Decimal(found[1].replace(",", "."))
        return first, Decimal(found[2].replace(",", ".")) if found[2] else first

    def key(self, said: str | None, made: str) -> str:
        if not (said or made):
            text = "the name gives no key"
            self.problems.append(Problem("", text, expected="--key with one word"))
        return said or made


def _single(ends: tuple[Decimal, Decimal] | None) -> Decimal | tuple[Decimal, Decimal] | None:
    """One figure where both ends are alike."""
    return ends[0] if ends is not None and ends[0] == ends[1] else ends


def _tenths(side: float) -> Decimal:
    return Decimal(f"{side:.1f}")
