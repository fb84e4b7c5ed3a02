"""The fields of a new entry: from a frame or the database, from what was said, else by asking."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from flangeback.errors import InputError, Problem
from flangeback.kit import fields as read
from flangeback.kit.adding import Field, adapter_key, body_key, lens_key
from flangeback.kit.fields import Fault
from flangeback.kit.formats import format_named
from flangeback.kit.lensdb import Entry, apertures_in
from flangeback.kit.model import AdapterKind
from flangeback.kit.mounts import likely_mounts, mount_named

Ask = Callable[[str], str | None]
"""Puts a question to a person; gives None where nobody answers."""
Said = Mapping[str, str | None]
"""What was said of the entry, by field; it stands above what anything else tells."""
Pair = tuple[Decimal, Decimal]

_FIGURES = re.compile(
    r"(?:f/?|1:)?(\d+(?:[.,]\d+)?)(?:mm)?(?:[-–](?:f/?)?(\d+(?:[.,]\d+)?))?(?:mm)?", re.I
)
_FOCAL = re.compile(r"(\d+(?:[.,]\d+)?)(?:[-–](\d+(?:[.,]\d+)?))?\s?mm\b", re.I)
_MANY = 6


@dataclass(slots=True)
class Asking:
    """Gets values one after the other, and collects what is wrong or wasn't answered."""

    said: Said
    ask: Ask | None = None
    problems: list[Problem] = field(default_factory=list)

    def value(
        self, name: str, question: str, reader: Callable[[str, str], Any], example: str
    ) -> Any:
        """A value that there has to be, as said, else as answered."""
        option, label = f"--{name.replace('_', '-')}", _LABELS.get(name, name)
        found = self._said(name, reader, example)
        if self.said.get(name) is not None:
            return found
        told = f"{question}, such as {example}"
        while (answer := self._ask(told)) is not None:
            found = reader(answer.strip(), example)
            if not isinstance(found, Fault):
                return found
            told = f"{found.text}; {question}, such as {example}"
        expected = f"{option}, such as {example}"
        text = f"the {label} has to be said{self._also(name)}"
        self.problems.append(Problem("", text, expected=expected))
        return None

    def option(self, name: str, reader: Callable[[str, str], Any], example: str) -> Any:
        """A value that may be left out: asked for by its option alone."""
        return self._said(name, reader, example) if self.said.get(name) is not None else None

    def key(self, made: str) -> str:
        """The entry's key, as said, else as made of its name."""
        said = self.said.get("key")
        if not (said or made):
            self.problems.append(
                Problem("", "the name gives no key", expected="--key with one word")
            )
        return said or made

    def done(self, key: str, fields: Sequence[Field]) -> tuple[str, tuple[Field, ...]]:
        """The entry. Raises InputError with everything that is wrong or wasn't answered."""
        if self.problems:
            raise InputError(self.problems)
        return key, tuple(fields)

    def _ask(self, question: str) -> str | None:
        return None if self.ask is None else self.ask(question)

    def _said(self, name: str, reader: Callable[[str, str], Any], example: str) -> Any:
        said = self.said.get(name)
        found = None if said is None else reader(said.strip(), example)
        if isinstance(found, Fault):
            text = f'--{name.replace("_", "-")} is "{said}": {found.text}'
            problem = Problem("", text, expected=found.expected, suggestion=found.suggestion)
            self.problems.append(problem)
            return None
        return found

    def _also(self, name: str) -> str:
        told = self.said.get(f"{name} told")
        return f' (the database has "{told}")' if told else ""


_LABELS = {"widest": "widest f-number", "focal": "focal length"}


def lens_entry(entry: Entry | None, said: Said, ask: Ask | None) -> tuple[str, tuple[Field, ...]]:
    """The key and the fields of a lens: as said, as the database has it, as its name has it.

    A name such as "Miran 58mm f/2" tells focal length and f-number. What none of these tells is
    asked for. Raises InputError with everything that isn't known.
    """
    only = mount_named(entry.mounts[0]) if entry and len(entry.mounts) == 1 else None
    told = ", ".join(entry.mounts) if entry and not only else None
    asking = Asking(dict(said) | {"mount told": told}, ask)
    name = entry.name if entry and said.get("name") is None else None
    name = name or asking.value("name", "its name", read.text, "Miran 58mm f/2")
    maker = entry.maker if entry and said.get("maker") is None else _maker(asking)
    focal = entry.focal if entry else focal_in(name or "")
    if said.get("focal") is not None or focal is None:
        focal = asking.value("focal", "its focal length in mm", _figures, "58, or 35-70 for a zoom")
    widest = entry.widest if entry else apertures_in(name or "", focal)
    if said.get("widest") is not None or widest is None:
        widest = asking.value("widest", "its f-number wide open", _figures, "2, or 3.5-4.5")
    narrowest = asking.option("narrowest", _figures, "16") or _twice(
        entry.narrowest if entry else None
    )
    mount = only.name if only and said.get("mount") is None else None
    mount = mount or asking.value("mount", "its mount", read.mount, "M42")
    key = asking.key(lens_key(name, focal[0]) if name and focal else "")
    comment = "as lens corrections have it" if entry else ""
    return asking.done(
        key,
        (
            ("maker", maker or None, ""),
            ("name", name, comment),
            ("focal", _single(focal), ""),
            ("widest", _single(widest), ""),
            ("narrowest", _single(narrowest), ""),
            ("mount", mount, ""),
            ("aperture_ring", said.get("no_ring") is None, "false: stays open on a plain adapter"),
            ("serial", said.get("serial"), ""),
        ),
    )


def _maker(asking: Asking) -> str | None:
    maker = asking.said.get("maker")
    if maker is None and asking.ask is not None:
        maker = asking.ask("its maker (may stay empty)")
    return (maker or "").strip() or None


def body_entry(
    model: str, serial: str | None, sensor: tuple[float, float] | None, said: Said, ask: Ask | None
) -> tuple[str, tuple[Field, ...]]:
    """The key and the fields of a body; `sensor` is in mm, as a frame tells it.

    The mount is asked for, those first that bodies with this sensor have. Raises InputError with
    everything that isn't known.
    """
    asking = Asking(said, ask)
    likely = ", ".join(mount.name for mount in likely_mounts(format_named(sensor))[:_MANY])
    mount = asking.value("mount", "its mount", read.mount, likely)
    key = asking.key(body_key(model))
    sides = None if sensor is None else (_tenths(sensor[0]), _tenths(sensor[1]))
    return asking.done(
        key,
        (
            ("model", model, ""),
            ("serial", serial, ""),
            ("mount", mount, ""),
            ("sensor", sides, "mm, by the frame's focal-plane resolution"),
        ),
    )


def adapter_entry(said: Said, ask: Ask | None) -> tuple[str, tuple[Field, ...]]:
    """The key and the fields of an adapter. Raises InputError with what isn't known."""
    asking = Asking(said, ask)
    lens = asking.value("lens_mount", "the mount of its lenses", read.mount, "M42")
    body = asking.value("body_mount", "the mount of its body", read.mount, "E")
    kinds = read.one_of(AdapterKind)
    kind = asking.value("kind", "its kind", kinds, ", ".join(AdapterKind))
    factor = None
    if kind in (AdapterKind.REDUCER, AdapterKind.EXTENDER):
        example = "0.71" if kind == AdapterKind.REDUCER else "1.4"
        factor = asking.value("factor", "its factor", _figures, example)
    thickness = asking.option("thickness", _figures, "27.46")
    key = asking.key(adapter_key(lens, body, kind) if lens and body and kind else "")
    return asking.done(
        key,
        (
            ("lens_mount", lens, ""),
            ("body_mount", body, ""),
            ("kind", kind, ""),
            ("factor", _single(factor), ""),
            ("thickness", _single(thickness), "mm, as measured"),
        ),
    )


def focal_in(name: str) -> Pair | None:
    """The focal length in mm that a lens's name tells, at both ends of a zoom."""
    found = _FOCAL.search(name)
    return None if found is None else _pair(found)


def _figures(written: str, example: str) -> Pair | Fault:
    """One figure or the two of a zoom, with or without f/ or mm."""
    found = _FIGURES.fullmatch("".join(written.split()))
    if found is None:
        return Fault(f'"{written}" is no figure', f"a figure, such as {example}")
    return _pair(found)


def _pair(found: re.Match[str]) -> Pair:
    first = Decimal(found[1].replace(",", "."))
    return first, Decimal(found[2].replace(",", ".")) if found[2] else first


def _twice(value: Decimal | None) -> Pair | None:
    return None if value is None else (value, value)


def _single(ends: Pair | None) -> Decimal | Pair | None:
    """One figure where both ends are alike."""
    return ends[0] if ends is not None and ends[0] == ends[1] else ends


def _tenths(side: float) -> Decimal:
    return Decimal(f"{side:.1f}")
