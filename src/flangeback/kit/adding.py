"""New entries for a kit file: what is said of one, known or answered, then appended whole.

What stands in the file is kept as it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from flangeback.errors import InputError, Problem
from flangeback.kit import fields as read
from flangeback.kit.fields import FieldFault
from flangeback.kit.lensdb import Pair, RecordedLens, apertures_in
from flangeback.kit.model import Adapter, AdapterKind
from flangeback.kit.mounts import format_named, likely_mounts, mount_named
from flangeback.kit.reading import kit_text, parse_kit
from flangeback.locks import held
from flangeback.saving import save
from flangeback.system import read_text_file
from flangeback.words import exact

Value = str | bool | Decimal | tuple[Decimal, Decimal]
NewField = tuple[str, Value | None, str]
"""A field's name, its value (None leaves it out) and a comment, which may be empty."""
Kind = Literal["body", "lens", "adapter"]
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {code: f"\\u{code:04X}" for code in (*range(32), 127)}
_ESCAPES |= {ord('"'): '\\"', ord("\\"): "\\\\", ord("\t"): "\\t"}
Ask = Callable[[str], str | None]
"""Puts a question to a person; gives None where nobody answers."""
Said = Mapping[str, str | None]
"""What was said of the entry, by field; it stands above what anything else tells."""
NewEntry = tuple[str, tuple[NewField, ...]]
"""The key and the fields of an entry."""
_Reader = Callable[[str, str], Any]
_FIGURES = re.compile(
    r"(?:f/?|1:)?(\d+(?:[.,]\d+)?)(?:mm)?(?:[-–](?:f/?)?(\d+(?:[.,]\d+)?))?(?:mm)?", re.I
)
_FOCAL = re.compile(r"(\d+(?:[.,]\d+)?)(?:[-–](\d+(?:[.,]\d+)?))?\s?mm\b", re.I)
_MANY = 6
_LABELS = {"widest": "widest f-number", "focal": "focal length"}


def add_entry(path: Path, kind: Kind, key: str, fields: Sequence[NewField]) -> str:
    """Append an entry to a kit file (made when there is none) and give the text that was added.

    What stands in the file stays byte for byte. Raises InputError, with nothing written, when the
    key is taken, when the file has faults already, or when the entry would have one.
    """
    with held(path.resolve()):
        try:
            old = read_text_file(path)
        except FileNotFoundError:
            old = b""
        newline = "\r\n" if b"\r\n" in old else "\n"
        entry, text = _entry(kind, key, fields), kit_text(old, path)
        taken = parse_kit(text, str(path)).named(key)
        # An adapter that is understood stands in no line: it makes room for the one that is said.
        if taken is not None and not (isinstance(taken, Adapter) and taken.understood):
            told = f'the key "{taken.key}" is taken; nothing was written'
            raise InputError.at(path, told, "--key with a key of its own")
        gap = "" if not text.strip() else "\n" if text.endswith(("\n", "\r")) else "\n\n"
        parse_kit(text + gap + entry, str(path))
        save(path, old + (gap + entry).replace("\n", newline).encode())
    return entry


def _entry(kind: Kind, key: str, fields: Sequence[NewField]) -> str:
    lines = [f"[{kind}.{key if _BARE.fullmatch(key) else _quoted(key)}]"]
    for name, value, comment in fields:
        if value is not None:
            lines.append(f"{name} = {_written(value)}" + (f"  # {comment}" if comment else ""))
    return "\n".join(lines) + "\n"


def _written(value: Value) -> str:
    """A value in TOML 1.0."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, Decimal):
        return exact(value)
    return "[" + ", ".join(map(exact, value)) + "]"


def _quoted(text: str) -> str:
    return '"' + text.translate(_ESCAPES) + '"'


def lens_key(name: str, focal: Decimal) -> str:
    """A key such as "miran58", of the first word with three letters; empty where there is none."""
    words = [word for word in _words(name) if word.isalpha() and len(word) > 2]
    return f"{words[0]}{exact(focal)}".replace(".", "-") if words else ""


def body_key(model: str) -> str:
    """A key for a body, of the end of its model's name: "k7"; empty for an empty name."""
    words, key = _words(model), ""
    while words and (len(key) < 2 or key.isdigit()):
        key = words.pop() + key
    return key


def adapter_key(lens_mount: str, body_mount: str, kind: str) -> str:
    """A key such as "m42-e", or "f-e-reducer" where it isn't a plain adapter."""
    parts = (lens_mount, body_mount, "" if kind == "plain" else kind)
    return "-".join(word for part in parts for word in _words(part))


def _words(name: str) -> list[str]:
    return re.findall(r"[^\W_]+", name.casefold())


@dataclass(slots=True)
class _Asking:
    """Gets values one after the other, and collects what is wrong or wasn't answered."""

    said: Said
    ask: Ask | None = None
    problems: list[Problem] = field(default_factory=list)

    def value(
        self, name: str, question: str, reader: _Reader, example: str, known: Any = None
    ) -> Any:
        """A value that there has to be: as said, else as known, else as answered."""
        if self.said.get(name) is not None or known is not None:
            return self.option(name, reader, example, known)
        asked = told = f"{question}, such as {example}"
        while self.ask is not None and (answer := self.ask(told)) is not None:
            try:
                return reader(answer.strip(), example)
            except FieldFault as fault:
                _, _, more = (fault.expected or "").partition(example)
                told = f"{fault.text}; {asked}{more}"
        also = self.said.get(f"{name} told")
        text = f"the {_LABELS.get(name, name)} has to be said"
        text += f' (the database has "{also}")' if also else ""
        self._refuse(text, f"{_option(name)}, such as {example}")
        return None

    def option(self, name: str, reader: _Reader, example: str, known: Any = None) -> Any:
        """A value that may be left out: as said, else as known."""
        said = self.said.get(name)
        if said is None:
            return known
        try:
            return reader(said.strip(), example)
        except FieldFault as fault:
            text = f'{_option(name)} is "{said}": {fault.text}'
            self._refuse(text, fault.expected, fault.suggestion)
        return None

    def entry(self, key: str, *fields: NewField) -> NewEntry:
        """The entry under its key, said or made. Raises InputError with all that is wrong."""
        key = self.said.get("key") or key
        if not key:
            self._refuse("the name gives no key", "--key with one word")
        if self.problems:
            raise InputError(self.problems)
        return key, fields

    def _refuse(self, text: str, expected: str | None, suggestion: str | None = None) -> None:
        self.problems.append(Problem("", text, expected=expected, suggestion=suggestion))


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def lens_entry(known: RecordedLens | None, said: Said, ask: Ask | None) -> NewEntry:
    """The key and the fields of a lens: as said, as the database has it, as its name has it.

    A name such as "Miran 58mm f/2" tells focal length and f-number. What none of these tells is
    asked for. Raises InputError with everything that isn't known.
    """
    mounts = known.mounts if known else ()
    only = mount_named(mounts[0]) if len(mounts) == 1 else None
    asking = _Asking({**said, "mount told": None if only else ", ".join(mounts)}, ask)
    name = asking.value("name", "its name", read.text, "Miran 58mm f/2", known and known.name)
    maker = said.get("maker")
    if maker is None:
        maker = known.maker if known else ask and ask("its maker (may stay empty)")
    length = known.focal if known else focal_in(name or "")
    example = "58, or 35-70 for a zoom"
    focal = asking.value("focal", "its focal length in mm", _figures, example, length)
    stop = known.widest if known else apertures_in(name or "", focal)
    widest = asking.value("widest", "its f-number wide open", _figures, "2, or 3.5-4.5", stop)
    narrowest = asking.option("narrowest", _figures, "16", known and known.narrowest)
    mount = asking.value("mount", "its mount", read.mount, "M42", only and only.name)
    return asking.entry(
        lens_key(name, focal[0]) if name and focal else "",
        ("maker", (maker or "").strip() or None, ""),
        ("name", name, "as lens corrections have it" if known else ""),
        ("focal", _single(focal), ""),
        ("widest", _single(widest), ""),
        ("narrowest", _single(narrowest), ""),
        ("mount", mount, ""),
        ("aperture_ring", said.get("no_ring") is None, "false: stays open on a plain adapter"),
        ("serial", said.get("serial"), ""),
    )


def body_entry(
    model: str, serial: str | None, sensor: tuple[float, float] | None, said: Said, ask: Ask | None
) -> NewEntry:
    """The key and the fields of a body; `sensor` is in mm, as a frame tells it.

    The mount is asked for, those first that bodies with this sensor have. Raises InputError with
    everything that isn't known.
    """
    asking = _Asking(said, ask)
    likely = ", ".join(mount.name for mount in likely_mounts(format_named(sensor))[:_MANY])
    mount = asking.value("mount", "its mount", read.mount, likely)
    sides = sensor and (Decimal(f"{sensor[0]:.1f}"), Decimal(f"{sensor[1]:.1f}"))
    return asking.entry(
        body_key(model),
        ("model", model, ""),
        ("serial", serial, ""),
        ("mount", mount, ""),
        ("sensor", sides, "mm, by the frame's focal-plane resolution"),
    )


def adapter_entry(said: Said, ask: Ask | None) -> NewEntry:
    """The key and the fields of an adapter. Raises InputError with what isn't known."""
    asking = _Asking(said, ask)
    lens = asking.value("lens_mount", "the mount of its lenses", read.mount, "M42")
    body = asking.value("body_mount", "the mount of its body", read.mount, "E")
    kind = asking.value("kind", "its kind", read.adapter_kind, ", ".join(AdapterKind))
    factor = None
    if kind in (AdapterKind.REDUCER, AdapterKind.EXTENDER):
        example = "0.71" if kind == AdapterKind.REDUCER else "1.4"
        factor = asking.value("factor", "its factor", _figures, example)
    thickness = asking.option("thickness", _figures, "27.46")
    return asking.entry(
        adapter_key(lens, body, kind) if lens and body and kind else "",
        ("lens_mount", lens, ""),
        ("body_mount", body, ""),
        ("kind", kind, ""),
        ("factor", _single(factor), ""),
        ("thickness", _single(thickness), "mm, as measured"),
    )


def focal_in(name: str) -> Pair | None:
    """The focal length in mm that a lens's name tells, at both ends of a zoom."""
    found = _FOCAL.search(name)
    return None if found is None else _pair(found)


def _figures(written: str, example: str) -> Pair:
    """One figure or the two of a zoom, with or without f/ or mm."""
    found = _FIGURES.fullmatch("".join(written.split()))
    if found is None:
        raise FieldFault(f'"{written}" is no figure', f"a figure, such as {example}")
    return _pair(found)


def _pair(found: re.Match[str]) -> Pair:
    first, last = (Decimal(figure.replace(",", ".")) for figure in (found[1], found[2] or found[1]))
    return first, last


def _single(ends: Pair | Decimal | None) -> Decimal | Pair | None:
    """One figure where both ends are alike."""
    return ends[0] if isinstance(ends, tuple) and ends[0] == ends[1] else ends
