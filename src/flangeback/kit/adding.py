"""New entries for a kit file: appended whole, with everything that stands there kept as it is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Literal

from flangeback.errors import InputError
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
        if taken is not None:
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
