"""The copies proved again, from the manifest."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import BinaryIO

from flangeback.copies import manifest, output, proof_xmp
from flangeback.copies.compare import ProofError, compare, digest
from flangeback.copies.manifest import Record
from flangeback.copies.model import CheckedCopy, Verified
from flangeback.copies.plan import CopyMethod
from flangeback.copies.prove import Compared, check_metadata, check_values
from flangeback.copies.stated import Stated
from flangeback.errors import InputError, Problem
from flangeback.formats import Damaged, Splice
from flangeback.system import open_file, pread

_WORKERS = max(2, min(4, os.cpu_count() or 2))


def verify(out: Path, progress: Callable[[int], None] | None = None) -> Verified:
    """Proves every copy of the manifest in `out` again.

    Each copy's digest and the values written are checked; where the frame it was made from is
    still at hand, unchanged, the payload and every other tag are compared with it, too.

    Raises InputError when there is no such folder, or no manifest in it.
    """
    if not out.is_dir():
        raise InputError(
            Problem(str(out), "there is no such folder", expected="a folder that flangeback filled")
        )
    records = manifest.read_manifest(out)
    if not records:
        raise InputError(
            Problem(
                str(out),
                f"there is no {manifest.NAME} in it, or nothing in that",
                expected="a folder that flangeback filled",
            )
        )
    checked = []
    with ThreadPoolExecutor(_WORKERS) as pool:
        for found in pool.map(lambda record: _checked(out, record), records.values()):
            checked.append(found)
            if progress:
                progress(len(checked))
    strangers = sorted(set(output.files_in(out)) - records.keys() - {manifest.NAME})
    return Verified(tuple(checked), tuple(strangers))


def _checked(out: Path, record: Record) -> CheckedCopy:
    try:
        return CheckedCopy(record.copy, None, _prove(out / record.copy, record))
    except FileNotFoundError:
        return CheckedCopy(record.copy, "the copy is gone")
    except OSError as error:
        return CheckedCopy(record.copy, f"the copy can't be read: {error.strerror}")
    except (ProofError, Damaged) as failure:
        return CheckedCopy(record.copy, str(failure))


def _prove(path: Path, record: Record) -> bool:
    """Raises ProofError; else says whether the source was there to compare with."""
    stated = Stated(record.values or {}, record.whole)
    with open_file(path) as copy:
        if os.fstat(copy.fileno()).st_size != record.copy_state.size:
            raise ProofError("the copy's size changed since it was made")
        if digest(copy.fileno()) != record.copy_state.digest:
            raise ProofError("the copy's bytes changed since it was made")
        if record.way in (CopyMethod.SIDECAR, CopyMethod.AGREE):
            if record.way == CopyMethod.SIDECAR and stated.values:
                proof_xmp.check_stated(copy.read(), stated)
            return True
        if stated.values:
            check_values(record.kind, copy, stated, in_packet=record.in_packet)
        try:
            frame = open_file(Path(record.frames) / record.file)
        except OSError:
            return False
        with frame:
            return _prove_against(frame, copy, record, stated)


def _prove_against(source: BinaryIO, copy: BinaryIO, record: Record, stated: Stated) -> bool:
    """The whole proof against the source, if that is still the file the copy was made from."""
    state = record.source_state
    assert state is not None
    if os.fstat(source.fileno()).st_size != state.size:
        return False
    splices = [
        Splice(start, end, pread(copy.fileno(), last - first, first))
        for start, end, first, last in record.edits
    ]
    try:
        digests = compare(source.fileno(), copy.fileno(), state.size, splices)
    except ProofError:
        if digest(source.fileno()) != state.digest:
            return False
        raise
    if digests.source != state.digest:
        return False
    if digests.payload != record.payload:
        raise ProofError("the payload changed since the copy was made")
    if stated.values:
        files = Compared(record.kind, source, copy, record.in_packet)
        check_metadata(files, splices, stated)
    return True
