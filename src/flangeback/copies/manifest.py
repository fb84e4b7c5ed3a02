"""The manifest: one line of JSON per finished file, appended as it finishes."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from flangeback.copies.stated import value_text
from flangeback.errors import InputError, Problem
from flangeback.system import lock, open_to_append, pread, sync_file
from flangeback.tags.table import TagValue

NAME = "flangeback-manifest.jsonl"
SCHEMA = "flangeback/manifest-1"
VERIFIED, WITHDRAWN = "verified", "withdrawn"
"""What a line says of a file: that it stands there proved, or that it was taken back."""


@dataclass(frozen=True, slots=True)
class FileState:
    """A file's size in bytes, its time of modification in ns, and its XXH3 digest."""

    size: int
    modified_ns: int
    digest: str


@dataclass(frozen=True, slots=True)
class Record:
    """One finished file.

    `frames` is the frames folder, `file` the source in it, `copy` the file in the output folder;
    `kind` is the short code of its format and `way` how the file was made. A new sidecar has no
    `source_state`. `payload` is the digest of every byte outside `edits`; each edit is [start,
    end] in the source and [start, end] in the copy. `body` and `adapter` are keys of the kit.
    `values` are the tags written, as text, and `whole` those that XMP has otherwise: transliterated
    ones as they were before, a date in one piece. `in_packet` says that they stand in the XMP
    packet alone; `asked` is the digest of what was asked for, whether the file could take it or
    not; `refusal` is why it didn't get its values, `remark` what a person should know of it.
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
    edits: tuple[tuple[int, int, int, int], ...] = ()
    values: Mapping[str, str] | None = None
    whole: Mapping[str, str] = field(default_factory=dict)
    in_packet: bool = False
    asked: str = ""
    body: str | None = None
    adapter: str | None = None
    log: str | None = None
    log_line: int | None = None
    doubts: tuple[Mapping[str, str], ...] = ()
    refusal: str | None = None
    remark: str | None = None
    verdict: str = VERIFIED

    def line(self) -> str:
        return json.dumps({"schema": SCHEMA} | asdict(self), ensure_ascii=False) + "\n"


def asked(values: Sequence[TagValue], packet: bool) -> str:
    """The digest of what is asked for one file: its values, and whether a packet states them."""
    from xxhash import xxh3_64

    words = [[value.name, value_text(value), value.whole] for value in values]
    return str(xxh3_64(json.dumps([words, packet]).encode()).hexdigest())


def read_manifest(out: Path) -> dict[str, Record]:
    """The latest record of each copy, by its name in `out`, without those that were taken back;
    empty without a manifest.

    A last line that a killed run left unfinished is passed over. Raises InputError where a line
    can't be read.
    """
    path = out / NAME
    if not path.exists():
        return {}
    lines = path.read_bytes().split(b"\n")
    records = {}
    for number, line in enumerate(lines[:-1], 1):
        record = _record(path, number, line)
        records[record.copy] = record
    return {copy: record for copy, record in records.items() if record.verdict != WITHDRAWN}


def _record(path: Path, number: int, line: bytes) -> Record:
    try:
        data: dict[str, Any] = json.loads(line)
        if data.pop("schema") != SCHEMA:
            raise ValueError("another schema")
        if data["source_state"] is not None:
            data["source_state"] = FileState(**data["source_state"])
        data["copy_state"] = FileState(**data["copy_state"])
        data["edits"] = tuple(tuple(edit) for edit in data["edits"])
        data["doubts"] = tuple(data["doubts"])
        return Record(**data)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise InputError(
            Problem(
                str(path),
                f"this line can't be read ({error})",
                number,
                expected="the manifest as flangeback wrote it",
            )
        ) from None


class ManifestWriter:
    """Appends to a manifest, which it locks against a second run. Raises InputError if one runs."""

    def __init__(self, out: Path) -> None:
        path = out / NAME
        self._file = open_to_append(path)
        try:
            if not lock(self._file):
                raise InputError(
                    Problem(
                        str(out),
                        "another run is writing into this folder",
                        expected="one run at a time",
                    )
                )
            self._drop_unfinished_line()
        except BaseException:
            os.close(self._file)
            raise

    def _drop_unfinished_line(self) -> None:
        size = os.fstat(self._file).st_size
        tail = pread(self._file, min(size, 1 << 20), max(0, size - (1 << 20)))
        if tail and not tail.endswith(b"\n"):
            os.ftruncate(self._file, size - len(tail) + tail.rfind(b"\n") + 1)

    def append(self, record: Record) -> None:
        """Writes one line whole, or none of it and raises OSError."""
        # What isn't text in a file's name is escaped as JSON has it (RFC 8259, 7).
        line = record.line().encode("utf-8", "backslashreplace")
        size = os.fstat(self._file).st_size
        written = os.write(self._file, line)
        if written != len(line):
            # Half a line with another behind it would make the manifest unreadable.
            os.ftruncate(self._file, size)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def close(self) -> None:
        """Makes the lines durable. Raises OSError where that fails."""
        try:
            sync_file(self._file)
        finally:
            os.close(self._file)
