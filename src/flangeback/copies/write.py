"""One file of a copy: written beside its name, proved from disk, then given its name."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from flangeback.copies.compare import Digests, parts
from flangeback.copies.edit import Edit
from flangeback.copies.output import unfinished_name
from flangeback.copies.plan import FilePlan
from flangeback.copies.prove import prove, prove_sidecar
from flangeback.formats import Splice
from flangeback.system import (
    copy_range,
    open_new,
    open_to_read,
    rename_new,
    set_times,
    start_writing_back,
    sync_file,
    write_all,
)


@dataclass(frozen=True, slots=True)
class Written:
    """A file that stands under its name: its digests, size, time of modification in ns."""

    digests: Digests
    size: int
    modified_ns: int


def write_file(plan: FilePlan, edit: Edit, target: Path, *, replaces: bool) -> Written:
    """Makes and proves one file; `replaces` says that an older one of flangeback's own stands
    there, whose place it takes.

    Raises ProofError when the file isn't what it has to be, FileExistsError when something stands
    under its name, OSError when it can't be made. Whatever is raised, nothing is left behind.
    """
    part = unfinished_name(target)
    part.unlink(missing_ok=True)
    try:
        digests = _written(part, plan, edit)
        status = part.stat()
        if replaces:
            part.replace(target)
        else:
            rename_new(part, target)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    return Written(digests, status.st_size, status.st_mtime_ns)


def _written(part: Path, plan: FilePlan, edit: Edit) -> Digests:
    """A new file, proved and brought to disk."""
    file = open_new(part)
    try:
        if edit.text is not None:
            write_all(file, edit.text)
        else:
            _write_copy(plan, edit.splices, file, part)
        start_writing_back(file)
        digests = prove_file(plan, edit, part)
        sync_file(file)
    finally:
        os.close(file)
    return digests


def _write_copy(plan: FilePlan, splices: Sequence[Splice], copy: int, path: Path) -> None:
    """The source with the splices put in, and with its times. Raises OSError."""
    assert plan.source is not None
    source = open_to_read(plan.source)
    try:
        status = os.fstat(source)
        write_spliced(source, copy, status.st_size, splices)
        set_times(path, status.st_atime_ns, status.st_mtime_ns)
    finally:
        os.close(source)


def write_spliced(source: int, copy: int, size: int, splices: Sequence[Splice]) -> None:
    """Writes one open file of `size` bytes to another with the splices put in. Raises OSError."""
    for start, end, splice in parts(size, splices):
        if splice is None:
            copy_range(source, copy, start, end - start)
        else:
            write_all(copy, splice.data)


def prove_file(plan: FilePlan, edit: Edit, copy: Path) -> Digests:
    """The proof of a file that stands there. Raises ProofError, Damaged, OSError."""
    if edit.text is None:
        return prove(plan, edit, copy)
    return prove_sidecar(plan, edit, copy)
