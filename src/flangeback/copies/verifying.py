"""The copies proved again, from the manifest."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from flangeback.containers.tiff import Damaged
from flangeback.copies import manifest, output, proof
from flangeback.copies.making import block_size
from flangeback.copies.manifest import Record
from flangeback.copies.model import CheckedCopy, Verified
from flangeback.copies.transfer import ProofError, compare, digest
from flangeback.embed.model import Splice
from flangeback.errors import InputError, Problem
from flangeback.tags.table import ASCII, SHORT, TAGS, Tag, TagValue

_WORKERS = max(2, min(4, os.cpu_count() or 2))
_BY_NAME = {kind.name: tag for tag, kind in TAGS.items()}


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
    values = [value_from_text(name, text) for name, text in (record.values or {}).items()]
    with path.open("rb") as copy:
        if os.fstat(copy.fileno()).st_size != record.copy_state.size:
            raise ProofError("the copy's size changed since it was made")
        source = Path(record.frames) / record.file
        try:
            frame = source.open("rb")
        except OSError:
            _prove_alone(copy.fileno(), record)
            if values:
                _prove_values(proof.look(copy, None), values)
            return False
        with frame:
            return _prove_against(frame.fileno(), copy.fileno(), record, values, source, path)


def _prove_alone(copy: int, record: Record) -> None:
    if digest(copy) != record.copy_state.digest:
        raise ProofError("the copy's bytes changed since it was made")


def _prove_values(seen: proof.Seen, values: list[TagValue]) -> None:
    for value in values:
        proof.check_value(seen, value)


def _prove_against(
    source: int, copy: int, record: Record, values: list[TagValue], frame: Path, path: Path
) -> bool:
    """The whole proof against the source, if that is still the file the copy was made from."""
    _prove_alone(copy, record)
    if os.fstat(source).st_size != record.source_state.size:
        return False
    splices = [
        Splice(start, end, os.pread(copy, last - first, first))
        for start, end, first, last in record.edits
    ]
    try:
        digests = compare(source, copy, record.source_state.size, splices)
    except ProofError:
        if digest(source) != record.source_state.digest:
            return False
        raise
    if digests.source != record.source_state.digest:
        return False
    if digests.payload != record.payload:
        raise ProofError("the payload changed since the copy was made")
    if values:
        size = block_size(source)
        with frame.open("rb") as before, path.open("rb") as after:
            proof.check_tags(proof.look(before, size), proof.look(after, size), values)
    return True


def value_from_text(name: str, text: str) -> TagValue:
    """A tag value as the manifest has it."""
    tag = _BY_NAME[name]
    kind = TAGS[Tag(tag)].type
    if kind == ASCII:
        return TagValue(tag, text)
    if kind == SHORT:
        return TagValue(tag, int(text))
    pairs = (part.split("/") for part in text.split())
    return TagValue(tag, tuple((int(top), int(below)) for top, below in pairs))
