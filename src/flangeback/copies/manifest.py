"""The manifest: what was made of which frame, line by line of JSON, as it was made.

A run begins with a record of itself and ends with a seal, the digest of all lines before it;
between them stands one line for each finished file.
"""

from __future__ import annotations

import errno
import json
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from flangeback import system
from flangeback.copies.records import (
    WITHDRAWN,
    Record,
    RunStart,
    check_record,
    read_run_start,
    record_of,
)
from flangeback.errors import InputError, Problem
from flangeback.frames.model import MANIFEST
from flangeback.locks import lock

NAME = MANIFEST
FILLED = "a folder that flangeback filled"
"""What is expected where a folder of copies is named."""


def filled_below(folder: Path) -> list[Path]:
    """The folders that `fill` made below one that it didn't; without any, the folder itself."""
    found = [] if (folder / NAME).exists() else sorted(folder.rglob(NAME))
    return [manifest.parent for manifest in found] or [folder]


SCHEMA = "flangeback/manifest-2"
_SCHEMAS = ("flangeback/manifest-1", SCHEMA)
_LONGEST_LINE, _LONGEST = 1 << 20, 1 << 30
"""Bytes: a thousand times what a line, and what a manifest of 100,000 frames, has."""
_EXPECTED = (
    "the manifest as flangeback wrote it, from a backup, say; where it is moved away, `fill` with"
    " the same log and kit writes a new one"
)
_LINE_START = b'{"schema": "flangeback/manifest-'
_BETWEEN_SYNCS = 1.0
"""Seconds."""


def check_folder(out: Path) -> None:
    """Raises InputError where there is no folder that may have been filled."""
    if not out.is_dir():
        raise InputError.at(out, "there is no such folder", FILLED)


def frames_of_copies(folder: Path) -> Iterator[Path]:
    """The frames folders of all runs into the folders that `fill` made in or below one.

    Where there is none, it has frames itself.
    """
    for out in filled_below(folder):
        if not (out / NAME).exists():
            yield out
            continue
        with Manifest(out) as manifest:
            for run in manifest.runs:
                yield from (Path(run.frames), out / run.frames_relative)


def noted_in(out: Path) -> Any:
    """What the last run into a folder noted of its match; None where the manifest isn't whole.

    It is whole where the run came to its end and no line before that was changed since.
    """
    from xxhash import xxh3_128

    path, digest = out / NAME, xxh3_128()
    if path.is_symlink():
        return None
    try:
        with system.open_file(path) as file:
            end = os.fstat(file.fileno()).st_size
            file.seek(max(0, end - _LONGEST_LINE))
            line = file.read().splitlines(keepends=True)[-1]
            file.seek(0)
            for at in range(0, end - len(line), system.CHUNK):
                digest.update(file.read(min(system.CHUNK, end - len(line) - at)))
        last = json.loads(line)
        is_whole = line.endswith(b"\n") and last["seal"] == digest.hexdigest()
        return last["match"] if is_whole else None
    except (OSError, LookupError, TypeError, ValueError, RecursionError):
        return None


def now() -> str:
    """The time in UTC, to the second, as manifests have it (ISO 8601)."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Manifest(Mapping[str, Record]):
    """What a manifest says: the latest line of each copy, but for those that were taken back.

    Lines are read when they are asked for, so that a long one takes little memory. It has `size`
    bytes; its whole lines have `whole`, of which `digest` is the XXH3 digest. `runs` are the
    starts of runs, `made_since` counts the files finished since the last one, `is_sealed` says
    that it came to its end; `faults` are signs that lines were cut off or changed.

    Raises InputError where a line can't be read.
    """

    def __init__(self, out: Path) -> None:
        from xxhash import xxh3_128

        self.path = out / NAME
        self.digest = xxh3_128()
        self.exists = os.path.lexists(self.path)
        self.size = self.whole = 0
        self.runs: list[RunStart] = []
        self.made_since, self.is_sealed, self._run_at = 0, True, 0
        self.faults: list[str] = []
        self._places: dict[str, tuple[int, int]] = {}
        self._last: Record | None = None
        if self.exists:
            with self:
                self._read()

    def __enter__(self) -> Self:
        try:
            if self.path.is_symlink():
                raise OSError(errno.ELOOP, "is a link")
            self._file = system.open_to_read(self.path) if self.exists else -1
        except OSError as error:
            raise InputError.at(self.path, f"can't be read: {error.strerror}", _EXPECTED) from None
        return self

    def __exit__(self, *_: object) -> None:
        if self._file >= 0:
            os.close(self._file)

    def check_idle(self) -> None:
        """Raises InputError where a run is writing into the folder, or has since this was read."""
        if self._file < 0:
            return
        own = system.open_to_read(self.path)
        try:
            is_free = lock(own)
        finally:
            os.close(own)
        if not is_free or os.fstat(self._file).st_size != self.size:
            text = "another run is writing into this folder, or has just now"
            expected = "the same command once that run has ended"
            raise InputError.at(self.path.parent, text, expected)

    def __len__(self) -> int:
        return len(self._places)

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __contains__(self, copy: object) -> bool:
        return copy in self._places

    def __getitem__(self, copy: str) -> Record:
        """The record of a copy. The manifest is open inside `with`."""
        at, size = self._places[copy]
        if self._last is None or self._last.copy != copy:
            self._last = record_of(json.loads(system.pread(self._file, size, at)))
        return self._last

    def records(self) -> Iterator[Record]:
        """All records, in the order in which the copies were first made."""
        return iter(self.values())

    def _read(self) -> None:
        self.size = os.fstat(self._file).st_size
        if self.size > _LONGEST:
            raise InputError.at(self.path, f"has more than {_LONGEST >> 20} MiB", _EXPECTED)
        with system.reading(self._file) as file:
            for number, line in enumerate(iter(lambda: file.readline(_LONGEST_LINE), b""), 1):
                if not line.endswith(b"\n"):
                    if len(line) == _LONGEST_LINE:
                        raise self._unreadable("it is too long", number)
                    self.faults.append(f"line {number} is cut short")
                    break
                self._take(line, number)
                self.digest.update(line)
                self.whole += len(line)

    def _take(self, line: bytes, number: int) -> None:
        try:
            data = json.loads(line)
            if data["schema"] not in _SCHEMAS:
                raise ValueError("another schema")
            what = data.get("record", "file")
            if what == "start":
                self.runs.append(read_run_start(data))
                self.made_since, self.is_sealed, self._run_at = 0, False, self.whole
            elif what == "end":
                self.is_sealed = True
                # A later run found what the lost lines had spoken of, and noted it anew.
                self.faults.clear()
                if data["seal"] != self.digest.hexdigest():
                    self.faults.append(f"a line before line {number} was changed or taken out")
            else:
                check_record(data)
                self._note(data, len(line))
        except RecursionError:
            raise self._unreadable("it is nested too deeply", number) from None
        except json.JSONDecodeError:
            raise self._unreadable("it is no JSON", number) from None
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise self._unreadable(str(error), number) from None

    def _note(self, data: Mapping[str, Any], size: int) -> None:
        if data.get("verdict") == WITHDRAWN:
            self._places.pop(data["copy"], None)
        else:
            # A run that is interrupted may note a file twice.
            if self._places.get(data["copy"], (-1, 0))[0] < self._run_at:
                self.made_since += 1
            self._places[data["copy"]] = self.whole, size

    def _unreadable(self, why: str, number: int) -> InputError:
        text = f"this line can't be read ({why})"
        return InputError(Problem(str(self.path), text, number, expected=_EXPECTED))


class ManifestWriter:
    """Appends to a manifest that was read, which it locks against a second run.

    Raises InputError where another run has it, or has written to it since, or what stands there
    can't be appended to, as a link to somebody else's file can't.
    """

    def __init__(self, out: Path, manifest: Manifest) -> None:
        self._path = out / NAME
        try:
            self._file = system.open_to_append(self._path)
        except OSError as error:
            what = f"can't be written: {error.strerror}"
            expected = "a folder for the copies that may be written to"
            raise InputError.at(out / NAME, what, expected) from None
        self._digest, self._synced = manifest.digest.copy(), time.monotonic()
        try:
            if not lock(self._file):
                text = "another run is writing into this folder"
                raise InputError.at(out, text, "one run at a time")
            if os.fstat(self._file).st_size != manifest.size:
                text = "another run wrote into this folder meanwhile"
                raise InputError.at(out, text, "the same command again")
            self._drop_unfinished_line(manifest)
        except BaseException:
            os.close(self._file)
            raise

    def _drop_unfinished_line(self, manifest: Manifest) -> None:
        """Cuts off half a line of our own, and the zeros that a power cut leaves in its place."""
        line = system.pread(self._file, _LONGEST_LINE, manifest.whole).rstrip(b"\0")
        if line[: len(_LINE_START)] != _LINE_START[: len(line)]:
            text = "its last line isn't flangeback's"
            raise InputError.at(manifest.path, text, _EXPECTED)
        if manifest.whole < manifest.size:
            os.ftruncate(self._file, manifest.whole)

    def start(self, run: RunStart) -> None:
        """Notes that a run begins. Raises OSError."""
        self._append({"schema": SCHEMA, "record": "start"} | asdict(run))

    def append(self, record: Record) -> None:
        """Notes a finished file. Raises OSError."""
        self._append({"schema": SCHEMA, "record": "file"} | asdict(record))

    def seal(self, match: Mapping[str, Any] | None = None) -> None:
        """Notes that the run came to its end, and of its match what isn't too long.

        Raises OSError, also where the manifest was taken away meanwhile.
        """
        if not os.path.samestat(os.fstat(self._file), self._path.stat()):
            raise OSError(errno.ESTALE, "another program put another in its place", str(self._path))
        seal = self._digest.hexdigest()
        end = {"schema": SCHEMA, "record": "end", "when": now(), "seal": seal}
        is_short = match is not None and len(_encoded(match)) < _LONGEST_LINE // 2
        self._append(end | {"match": match} if is_short else end)

    def _append(self, data: Mapping[str, Any]) -> None:
        """Writes one line whole, or none of it and raises OSError."""
        line = _encoded(data)
        # Half a line with another behind it would make the manifest unreadable.
        system.append_whole(self._file, line)
        self._digest.update(line)
        if time.monotonic() - self._synced > _BETWEEN_SYNCS:
            system.sync_file(self._file)
            self._synced = time.monotonic()

    def close(self) -> None:
        """Makes the lines durable. Raises OSError where that fails."""
        try:
            system.sync_file(self._file)
        finally:
            os.close(self._file)


def _encoded(data: Mapping[str, Any]) -> bytes:
    """A line. A name that isn't UTF-8 is written by its escapes."""
    try:
        return (json.dumps(data, ensure_ascii=False) + "\n").encode()
    except UnicodeEncodeError:
        return (json.dumps(data) + "\n").encode()
