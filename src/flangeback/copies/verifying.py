"""The copies proved again, from the manifest."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import BinaryIO

from flangeback.copies import output, proof_xmp
from flangeback.copies.faults import ProofError, SourceError
from flangeback.copies.manifest import FILLED, NAME, Manifest, check_folder
from flangeback.copies.model import CheckedCopy, SourceNow, Verified
from flangeback.copies.plan import CopyMethod, sidecar_names
from flangeback.copies.prove import check_metadata, check_values, compare, digest
from flangeback.copies.records import FileState, Record
from flangeback.copies.stated import Stated
from flangeback.copies.touched import check_stands
from flangeback.errors import InputError
from flangeback.formats import Damaged, Splice
from flangeback.frames.scanning import COPIES, passed_over
from flangeback.system import open_file, pread

_WORKERS = max(2, min(4, os.cpu_count() or 2))
_AT_ONCE = 64 * _WORKERS


def verify(
    out: Path, progress: Callable[[int], None] | None = None, frames: Path | None = None
) -> Verified:
    """Proves every copy of the manifest in `out` again.

    Each copy's digest and the values written are checked; where the frame it was made from is
    still at hand, unchanged, the payload and every other tag are compared with it, too. `frames`
    is where the frames lie now.

    Raises InputError when there is no such folder, no manifest in it, or a run is under way there.
    """
    check_folder(out)
    with Manifest(out) as manifest:
        if not len(manifest) and not manifest.runs:
            raise InputError.at(out, f"there is no {NAME} in it, or nothing in that", FILLED)
        manifest.check_idle()
        places = _Places(out, manifest, frames)
        checked = list(_all_checked(manifest, places, progress))
        manifest.check_idle()
        culled = _culled(manifest, places, checked)
        kept = {name for run in manifest.runs for name in (*run.logs, run.kit) if name}
        known = {NAME, *manifest, *kept}
        run = manifest.runs[-1] if manifest.runs else None
        return Verified(
            tuple(one for one in checked if one.copy not in culled),
            tuple(sorted(output.others_in(out, known))),
            missing=0 if run is None else max(0, run.to_make - manifest.made_since),
            faults=tuple(_faults(manifest)),
            folders=tuple(name for name, what in passed_over(out) if what == COPIES),
            culled=tuple(sorted(culled)),
        )


def _faults(manifest: Manifest) -> Iterator[str]:
    yield from manifest.faults
    if manifest.runs and not manifest.is_sealed:
        run = manifest.runs[-1]
        if manifest.made_since >= run.to_make and not manifest.faults:
            yield "the end of the last run isn't in it: fill again notes it"


def _culled(manifest: Manifest, places: _Places, checked: Sequence[CheckedCopy]) -> set[str]:
    """The copies that were taken away together with their frames.

    Others of the same folder are still there as they were: it isn't another card's by now. New
    sidecars go with their pictures.
    """
    same = [one.copy for one in checked if one.source == SourceNow.SAME]
    there = {manifest[name].frames for name in same}
    lost = [one.copy for one in checked if not os.path.lexists(places.out / one.copy)]
    gone, sidecars = set[str](), list[str]()
    for name in lost:
        if manifest[name].is_new_sidecar:
            sidecars.append(name)
        elif manifest[name].frames in there and places.source(manifest[name]) is None:
            gone.add(name)
    beside = {sidecar for name in gone for sidecar in sidecar_names(name)}
    return gone | (beside & set(sidecars))


class _Places:
    """Where the copies lie, and where the frames that they were made from may."""

    def __init__(self, out: Path, manifest: Manifest, frames: Path | None) -> None:
        self.out, self.frames = out, frames
        self.moved = {run.frames: out / run.frames_relative for run in manifest.runs}

    def source(self, record: Record) -> Path | None:
        """The file that a copy was made from; None where it isn't at hand."""
        folders = [Path(record.frames), self.moved.get(record.frames)]
        if self.frames is not None:
            folders = [self.frames]
        found = (folder / record.file for folder in folders if folder is not None)
        return next((path for path in found if os.path.isfile(path)), None)  # noqa: PTH113


def _all_checked(
    manifest: Manifest, places: _Places, progress: Callable[[int], None] | None
) -> Iterator[CheckedCopy]:
    """Each copy, some at a time, so that a long manifest takes little memory."""
    names = sorted(manifest)
    with ThreadPoolExecutor(_WORKERS) as pool:
        for start in range(0, len(names), _AT_ONCE):
            records = [manifest[name] for name in names[start : start + _AT_ONCE]]
            for done, found in enumerate(pool.map(partial(_checked, places), records), start + 1):
                yield found
                if progress:
                    progress(done)


def _checked(places: _Places, record: Record) -> CheckedCopy:
    found = CheckedCopy(record.copy)
    try:
        _check_place(places.out, record.copy)
        is_touched = _is_touched(places, record)
        source = _prove_against(places, record, is_touched=is_touched)
        return replace(found, source=source, is_touched=is_touched)
    except FileNotFoundError:
        failure = "the copy is gone"
    except OSError as error:
        failure = f"the copy can't be read: {error.strerror}"
    except (ProofError, Damaged) as error:
        failure = str(error)
    source = _source_now(places, record)
    if source is SourceNow.AWAY:
        failure += ", and what it was made from isn't at hand (--frames says where it is)"
    return replace(found, failure=failure, source=source)


def _source_now(places: _Places, record: Record) -> SourceNow:
    """What became of the file that a copy was made from which isn't what it was."""
    state, at = record.source_state, places.source(record)
    if state is None:
        return SourceNow.NONE
    try:
        if at is None:
            return SourceNow.AWAY
        with open_file(at) as source:
            return _held(source, state)
    except OSError:
        return SourceNow.AWAY


def _held(source: BinaryIO, state: FileState) -> SourceNow:
    """Whether a file is still what it was, by its digest."""
    return SourceNow.SAME if digest(source.fileno()) == state.digest else SourceNow.CHANGED


def _check_place(out: Path, copy: str) -> None:
    """Raises ProofError where something else stands in a copy's place, OSError."""
    path = out / copy
    for folder in path.relative_to(out).parents:
        if folder.name and (out / folder).is_symlink():
            raise ProofError(f"a link stands in the place of {folder}: move it away")
    mode = path.lstat().st_mode
    if not stat.S_ISREG(mode):
        what = "a link" if stat.S_ISLNK(mode) else "a folder" if stat.S_ISDIR(mode) else "no file"
        raise ProofError(f"{what} stands in the place of the copy: move it away")


def _is_touched(places: _Places, record: Record) -> bool:
    """Whether another program changed a copy in which all that was written still stands.

    Raises ProofError where the copy isn't what it was otherwise, Damaged, OSError.
    """
    stated, was = Stated(record.values, record.whole), record.copy_state
    with open_file(places.out / record.copy) as copy:
        status = os.fstat(copy.fileno())
        if status.st_size != was.size or digest(copy.fileno()) != was.digest:
            if status.st_mtime_ns == was.modified_ns:
                raise ProofError("its bytes changed since it was made, at the time that it had")
            check_stands(places.out, record, places.source(record))
            return True
        if record.is_sidecar:
            if record.way == CopyMethod.SIDECAR and stated.values:
                proof_xmp.check_stated(copy.read(), stated)
        elif stated.values:
            check_values(record.kind, copy, stated)
    return False


def _prove_against(places: _Places, record: Record, *, is_touched: bool) -> SourceNow:
    """The whole proof against the source, if that is still the file the copy was made from."""
    state, at = record.source_state, places.source(record)
    if state is None:
        return SourceNow.NONE
    if at is None:
        return SourceNow.AWAY
    try:
        if at.stat().st_size != state.size:
            return SourceNow.CHANGED
        is_sidecars = record.way in (CopyMethod.SIDECAR, CopyMethod.AGREE)
        with open_file(at) as source:
            if is_touched or record.patched or is_sidecars:
                return _held(source, state)
            with open_file(places.out / record.copy) as copy:
                return _compared(record, state, source, copy)
    except (SourceError, OSError):
        return SourceNow.AWAY


def _compared(record: Record, state: FileState, source: BinaryIO, copy: BinaryIO) -> SourceNow:
    stated, file = Stated(record.values, record.whole), copy.fileno()
    edits = record.edits
    splices = [Splice(a, b, pread(file, last - first, first)) for a, b, first, last in edits]
    try:
        digests = compare(source.fileno(), file, state.size, splices)
    except ProofError:
        if digest(source.fileno()) != state.digest:
            return SourceNow.CHANGED
        raise
    if digests.source != state.digest:
        return SourceNow.CHANGED
    if digests.payload != record.payload:
        raise ProofError("the payload changed since the copy was made")
    if stated.values:
        check_metadata(record.kind, source, copy, splices, stated)
    return SourceNow.SAME
