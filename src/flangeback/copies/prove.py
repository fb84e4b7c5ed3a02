"""The proof of one file, from disk: its bytes against the source, its tags by other readers."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.compare import Digests, compare, digest, digest_of, digest_of_stretches
from flangeback.copies.edit import Edit, source_text
from flangeback.copies.faults import ProofError, of_source
from flangeback.copies.plan import CopyMethod, FilePlan
from flangeback.copies.proof_files import Located, locate, picture_stretches
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged, Splice
from flangeback.system import open_file


def prove(plan: FilePlan, edit: Edit, copy: Path) -> Digests:
    """The proof of a picture's copy against its source.

    Raises ProofError, SourceError, OSError, and Damaged where ExifRead can't read the source.
    """
    assert plan.source is not None
    stated = Stated.of(edit.values)
    with of_source():
        before = open_file(plan.source)
    with before, open_file(copy) as after:
        size = os.fstat(before.fileno()).st_size
        digests = compare(before.fileno(), after.fileno(), size, edit.splices)
        if stated.values:
            files = Compared(plan.code, before, after)
            check_metadata(files, edit.splices, stated)
        return replace(digests, picture=picture_digest(plan.code, after))


def picture_digest(code: str, file: BinaryIO) -> str:
    """The digest of the coded picture alone; empty where nobody knows where it lies. OSError."""
    stretches = picture_stretches(code, file)
    return digest_of_stretches(file.fileno(), stretches) if stretches else ""


@dataclass(frozen=True, slots=True)
class Compared:
    """A source and its copy, both open, and the short code of their format."""

    code: str
    source: BinaryIO
    copy: BinaryIO


def check_metadata(files: Compared, splices: Sequence[Splice], stated: Stated) -> None:
    """Raises ProofError unless the edit kept to the metadata and only the values changed.

    All other tags of the copy have to be the source's. Raises Damaged where ExifRead can't read the
    source: nothing could be proved then.
    """
    old = locate(files.code, files.source)
    for splice in splices:
        if not old.may_touch(splice.start, splice.end):
            raise ProofError(f"the edit at byte {splice.start} isn't within the metadata")
    was = read_exif(old)
    if was.order is None and old.block_size is not None:
        raise Damaged("ExifRead can't read the Exif block, so nothing could be proved")
    if was.tags and old.block_size is None:
        raise Damaged("ExifRead finds Exif data where there is no sound Exif segment")
    with _of_copy():
        new = locate(files.code, files.copy)
        proof_exif.check_tags(was, read_exif(new), stated)
    if old.packet != new.packet:
        proof_xmp.check_packet(old.packet, new.packet, stated)


def check_values(code: str, copy: BinaryIO, stated: Stated) -> None:
    """Raises ProofError unless the values written are in the copy."""
    with _of_copy():
        proof_exif.check_values(read_exif(locate(code, copy)), stated)


def prove_sidecar(plan: FilePlan, edit: Edit, copy: Path) -> Digests:
    """The proof of a sidecar: its bytes, its values, and all that the old one said besides.

    Raises ProofError, SourceError, OSError, and Damaged where the old one can't be read.
    """
    stated = Stated.of(edit.values)
    old = source_text(plan)
    with open_file(copy) as file:
        new = file.read()
        found = digest(file.fileno())
    if new != edit.text:
        raise ProofError("the sidecar doesn't read back as it was written")
    proof_xmp.check_packet(old, new, stated)
    if plan.method == CopyMethod.SIDECAR:
        proof_xmp.check_stated(new, stated)
    return Digests(digest_of(old), found, found)


@contextmanager
def _of_copy() -> Iterator[None]:
    """Says of what can't be read that the copy isn't what it has to be."""
    try:
        yield
    except Damaged as damage:
        raise ProofError(str(damage)) from None


def read_exif(found: Located) -> proof_exif.Reading:
    """What ExifRead finds in a file, or in its block where it doesn't find that itself.

    Raises Damaged where it can't read it, OSError.
    """
    reading = proof_exif.read(found.exif, found.block_size)
    if reading.order is None and found.block:
        return proof_exif.read(io.BytesIO(found.block), len(found.block))
    return reading
