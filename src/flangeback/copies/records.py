"""The lines of a manifest: what each says, and how it is read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from pathlib import PurePosixPath
from typing import Any

from flangeback.copies.plan import CopyMethod
from flangeback.copies.stated import lens_data_of
from flangeback.raw_mode import RawMode, SidecarName

VERIFIED, WITHDRAWN = "verified", "withdrawn"
"""What a line says of a file: that it stands there proved, or that it was taken back."""


@dataclass(frozen=True, slots=True)
class FileState:
    """A file's size in bytes, its time of modification in ns, and its XXH3 digest."""

    size: int
    modified_ns: int
    digest: str

    def is_of(self, size: int, modified_ns: int) -> bool:
        """Whether a file of this size and time is taken for the one that was recorded."""
        return (self.size, self.modified_ns) == (size, modified_ns)


@dataclass(frozen=True, slots=True)
class Record:
    """One finished file.

    `frames` is the frames folder, `file` the source in it, `copy` the file in the output folder;
    `kind` is the code of the frame's format and `way` how the file was made. A new sidecar has no
    `source_state`. `payload` is the digest of every byte outside `edits`, `picture` that of the
    coded picture alone, where it is known; each edit is [start, end] in the source and [start, end]
    in the copy. `patched` says that they count in the copy as
    another program had left it. `body` and `adapter` are keys of the kit. `values` are the tags
    written, as text, and `whole` those that XMP has otherwise: transliterated ones as they were
    before, a date in one piece. `before` is the lens data that the frame had, None where an older
    version made the file. `asked` is the digest of what was asked for, whether the file
    could take it or not; `by` says where the values are from, `refusal` why the file didn't get
    them, `failure` in what the copy with them failed its proof, `remark` what a person should
    know of it.
    """

    frames: str
    file: str
    copy: str
    kind: str
    way: str
    outcome: str
    source_state: FileState | None
    copy_state: FileState
    payload: str
    picture: str = ""
    edits: tuple[tuple[int, int, int, int], ...] = ()
    values: Mapping[str, str] = field(default_factory=dict)
    whole: Mapping[str, str] = field(default_factory=dict)
    before: Mapping[str, str] | None = None
    patched: bool = False
    asked: str = ""
    body: str | None = None
    adapter: str | None = None
    log: str | None = None
    log_line: int | None = None
    by: str | None = None
    doubts: tuple[Mapping[str, str], ...] = ()
    refusal: str | None = None
    failure: str | None = None
    remark: str | None = None
    verdict: str = VERIFIED

    @property
    def is_sidecar(self) -> bool:
        """Whether the file is an XMP sidecar."""
        return self.copy.lower().endswith(".xmp")

    @property
    def is_new_sidecar(self) -> bool:
        """Whether it was made from no other."""
        return self.way == CopyMethod.SIDECAR and self.source_state is None


@dataclass(frozen=True, slots=True)
class RunStart:
    """A run as it begins.

    flangeback's version, the time in UTC, the frames folder, also as it lies from the output
    folder, the options; the names under which the logs and the kit are kept beside the copies; how
    many files the copies consist of, the digest of their names, and how many of them are to be
    made.
    """

    version: str
    when: str
    frames: str
    frames_relative: str
    options: Mapping[str, Any]
    logs: tuple[str, ...]
    kit: str | None
    files: int
    names: str
    to_make: int


_OLD_KINDS = {
    "JPEG": "jpeg",
    "TIFF": "tiff",
    "TIFF-structured raw": "raw-tiff",
    "BigTIFF": "big-tiff",
    "HEIF": "heif",
    "raw of a structure that isn't edited": "raw",
}
"""What the first manifests called the formats."""


def check_record(data: Mapping[str, Any]) -> None:
    """Raises ValueError, KeyError, AttributeError or TypeError where it isn't one."""
    for name, is_sound in _FIELDS.items():
        if (name in data or name in _NEEDED) and not is_sound(data[name]):
            raise ValueError(f"{name} isn't what it has to be")


def record_of(data: Mapping[str, Any]) -> Record:
    """The record that a checked line is."""
    given = {name: data[name] for name in _FIELDS if name in data}
    given["values"] = given.get("values") or {}
    given["kind"] = _OLD_KINDS.get(data["kind"], data["kind"])
    given["source_state"] = data["source_state"] and FileState(**data["source_state"])
    given["copy_state"] = FileState(**data["copy_state"])
    given["edits"] = tuple(tuple(edit) for edit in given.get("edits", ()))
    given["doubts"] = tuple(given.get("doubts", ()))
    return Record(**given)


def _is_state(value: Any) -> bool:
    return (
        value.keys() == set(FileState.__dataclass_fields__)
        and _is_count(value["size"])
        and isinstance(value["modified_ns"], int)
        and _is_text(value["digest"])
    )


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _may_be_text(value: Any) -> bool:
    return value is None or isinstance(value, str)


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and value >= 0


def _is_place(value: Any) -> bool:
    """Whether it is a path that stays below the folder it counts from."""
    if not isinstance(value, str) or not value or "\0" in value:
        return False
    path = PurePosixPath(value)
    return not path.is_absolute() and ".." not in path.parts and path.name != ""


def _is_texts(value: Any) -> bool:
    return isinstance(value, dict) and all(map(_is_text, value.values()))


def _are_edits(value: Any) -> bool:
    return isinstance(value, list) and all(
        isinstance(one, list) and len(one) == 4 and all(map(_is_count, one)) for one in value
    )


_FIELDS: Mapping[str, Callable[[Any], bool]] = {
    "frames": _is_text,
    "file": _is_place,
    "copy": _is_place,
    "kind": _is_text,
    "way": lambda value: value in set(CopyMethod),
    "outcome": _is_text,
    "source_state": lambda value: value is None or _is_state(value),
    "copy_state": _is_state,
    "payload": _is_text,
    "picture": _is_text,
    "edits": _are_edits,
    "values": lambda value: value is None or _is_texts(value),
    "whole": _is_texts,
    "before": lambda value: value is None or (_is_texts(value) and lens_data_of(value) is not None),
    "patched": lambda value: isinstance(value, bool),
    "asked": _is_text,
    "body": _may_be_text,
    "adapter": _may_be_text,
    "log": _may_be_text,
    "log_line": lambda value: value is None or _is_count(value),
    "by": _may_be_text,
    "doubts": lambda value: isinstance(value, list) and all(map(_is_texts, value)),
    "refusal": _may_be_text,
    "failure": _may_be_text,
    "remark": _may_be_text,
    "verdict": lambda value: value in (VERIFIED, WITHDRAWN),
}
"""What each field of a line has to be."""
_NEEDED = frozenset(one.name for one in fields(Record) if one.default is one.default_factory)
"""Fields that every line has: those without a default."""


_CHOICES: Mapping[str, type[StrEnum]] = {"raw": RawMode, "sidecar": SidecarName}
"""The options that are no switches."""


def _option(name: str, value: Any) -> StrEnum | bool:
    if name in _CHOICES:
        return _CHOICES[name](value)
    if not isinstance(value, bool):
        raise ValueError(f"{name} isn't what it has to be")
    return value


def read_run_start(data: dict[str, Any]) -> RunStart:
    """Raises ValueError, KeyError or TypeError where it isn't one."""
    names = [*data["logs"], *([data["kit"]] if data["kit"] is not None else [])]
    texts = [data[name] for name in ("version", "when", "frames", "frames_relative", "names")]
    if not all(map(_is_place, names)) or not all(map(_is_text, texts)) or not data["frames"]:
        raise ValueError("a name isn't what it has to be")
    if not (_is_count(data["files"]) and _is_count(data["to_make"])):
        raise ValueError("a count isn't a number")
    given = {name: data[name] for name in RunStart.__dataclass_fields__}
    options = {name: _option(name, one) for name, one in data["options"].items()}
    return RunStart(**given | {"logs": tuple(data["logs"]), "options": options})
