"""One file of a copy: written beside its name, proved from disk, then given its name."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path, PurePath

from flangeback import system
from flangeback.copies.edit import Edit
from flangeback.copies.faults import ProofError, SourceError, TouchedError, of_source
from flangeback.copies.plan import FilePlan
from flangeback.copies.prove import Digests, parts, prove
from flangeback.formats import Splice
from flangeback.frames.scanning import frames_of
from flangeback.pinning import pinned


def write_file(
    plan: FilePlan, edit: Edit, out: Path, *, replaces: system.Identity | None = None
) -> tuple[Digests, os.stat_result, bool]:
    """Makes and proves one file in `out`; `replaces` is the one whose place it takes.

    Its digests, its status, and whether it has its source's mode, times and extended attributes.

    Raises ProofError when the file isn't what it has to be, SourceError when its source can't be
    read or isn't what was matched, FileExistsError when something stands under its name,
    TouchedError when that isn't what was to be replaced, OSError when it can't be made. Whatever
    is raised, nothing is left behind.
    """
    below = PurePath(plan.copy)
    with pinned(out, below.parent) as folder:
        part, target = system.part_name(folder), folder / below.name
        try:
            digests, is_whole = _make(plan, edit, part)
            status = part.stat()
            if replaces is None:
                system.rename_new(part, target)
            elif system.identity(target.lstat()) != replaces:
                raise TouchedError("another program changed it while flangeback ran")
            else:
                system.rename(part, target)
        except BaseException:
            with suppress(OSError):
                system.remove(part)
            raise
    return digests, status, is_whole


def _make(plan: FilePlan, edit: Edit, part: Path) -> tuple[Digests, bool]:
    """The digests of a new file that is proved and on disk.

    With them, whether its attributes are the source's.
    """
    if edit.text is not None:
        return _written(plan, edit, part, None), True
    assert plan.source is not None
    with of_source():
        source = system.open_to_read(plan.source)
    try:
        _check_same(plan, os.fstat(source))
        try:
            digests = _written(plan, edit, part, source)
        except ProofError:
            _check_unchanged(plan, source)
            raise
        is_whole = system.copy_attributes(source, part)
        _check_unchanged(plan, source)
    finally:
        os.close(source)
    return digests, is_whole


def _written(plan: FilePlan, edit: Edit, part: Path, source: int | None) -> Digests:
    file = system.open_new(part)
    try:
        if source is None:
            assert edit.text is not None
            system.write_all(file, edit.text)
        else:
            write_spliced(source, file, plan.size, edit.splices)
        system.start_writing_back(file)
        digests = prove(plan, edit, part)
        system.sync_file(file)
    finally:
        os.close(file)
    return digests


def _check_same(plan: FilePlan, status: os.stat_result) -> None:
    """Raises SourceError unless the file is the one that was matched.

    Where another file of its size and time has taken its place it is read once more: cards may
    number their files anew at any time.
    """
    if (status.st_size, status.st_mtime_ns) != (plan.size, plan.modified_ns):
        raise SourceError(_CHANGED)
    frame = plan.frame
    if not plan.is_picture or frame.identity in (None, system.identity(status)):
        return
    with of_source():
        now = frames_of(frame.folder, [frame.file, *frame.sidecars])
    if now != (replace(frame, companions=()),):
        raise SourceError(_CHANGED)


_CHANGED = "it changed since it was matched: run the same command again"


def _check_unchanged(plan: FilePlan, source: int) -> None:
    """Raises SourceError where the file changed, or another took its name, as it was copied."""
    assert plan.source is not None
    with of_source():
        is_named = os.path.samestat(os.fstat(source), plan.source.stat())
    status = os.fstat(source)
    if not is_named or (status.st_size, status.st_mtime_ns) != (plan.size, plan.modified_ns):
        raise SourceError(_CHANGED)


def write_spliced(source: int, copy: int, size: int, splices: Sequence[Splice]) -> None:
    """Writes one open file of `size` bytes to another with the splices put in.

    Raises SourceError where the one can't be read, OSError where the other can't be written.
    """
    for start, end, splice in parts(size, splices):
        if splice is not None:
            system.write_all(copy, splice.data)
            continue
        try:
            system.copy_range(source, copy, start, end - start)
        except OSError:
            _check_readable(source, start, end)
            raise


def _check_readable(source: int, start: int, end: int) -> None:
    """Raises SourceError where it was reading that failed."""
    for at in range(start, end, system.CHUNK):
        with of_source():
            if not system.pread(source, min(system.CHUNK, end - at), at):
                raise SourceError("it became shorter while it was copied")
