"""The proof of one file, from disk: its bytes against the source, its tags by other readers."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.edit import Edit, source_text
from flangeback.copies.faults import ProofError, of_source
from flangeback.copies.plan import CopyMethod, FilePlan
from flangeback.copies.proof_files import Located, locate, picture_stretches
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged, Splice
from flangeback.system import CHUNK, open_file, pread


@dataclass(frozen=True, slots=True)
class Digests:
    """XXH3 digests, 128 bits, as hexadecimal text.

    `payload` covers what no splice touches, `picture` the coded picture alone, which other programs
    leave as it is where they write into a file; empty where nobody knows where it lies.
    """

    source: str
    copy: str
    payload: str
    picture: str = ""


def prove(plan: FilePlan, edit: Edit, copy: Path) -> Digests:
    """The proof of a file that stands there, against what it was made from.

    Raises ProofError, SourceError, OSError, and Damaged where ExifRead can't read the source.
    """
    if edit.text is not None:
        return _prove_sidecar(plan, edit, copy)
    assert plan.source is not None
    stated = Stated.of(edit.values)
    with of_source():
        before = open_file(plan.source)
    with before, open_file(copy) as after:
        size = os.fstat(before.fileno()).st_size
        digests = compare(before.fileno(), after.fileno(), size, edit.splices)
        if stated.values:
            check_metadata(plan.code, before, after, edit.splices, stated)
        return replace(digests, picture=picture_digest(plan.code, after))


def _prove_sidecar(plan: FilePlan, edit: Edit, copy: Path) -> Digests:
    """Its bytes, its values, and all that the old one said besides."""
    from xxhash import xxh3_128_hexdigest

    stated, old = Stated.of(edit.values), source_text(plan)
    with open_file(copy) as file:
        new = file.read()
    if new != edit.text:
        raise ProofError("the sidecar doesn't read back as it was written")
    proof_xmp.check_packet(old, new, stated)
    if plan.method == CopyMethod.SIDECAR:
        proof_xmp.check_stated(new, stated)
    found = xxh3_128_hexdigest(new)
    return Digests(xxh3_128_hexdigest(old), found, found)


def check_metadata(
    code: str, source: BinaryIO, copy: BinaryIO, splices: Sequence[Splice], stated: Stated
) -> None:
    """Raises ProofError unless the edit kept to the metadata and only the values changed.

    All other tags of the copy have to be the source's; `code` is that of their format. Raises
    Damaged where ExifRead can't read the source: nothing could be proved then.
    """
    old = locate(code, source)
    for splice in splices:
        if not old.may_touch(splice.start, splice.end):
            raise ProofError(f"the edit at byte {splice.start} isn't within the metadata")
    was = read_exif(old)
    if was.order is None and old.block_size is not None:
        raise Damaged("ExifRead can't read the Exif block, so nothing could be proved")
    if was.tags and old.block_size is None:
        raise Damaged("ExifRead finds Exif data where there is no sound Exif segment")
    with _of_copy():
        new = locate(code, copy)
        proof_exif.check_tags(was, read_exif(new), stated)
    if old.packet != new.packet:
        proof_xmp.check_packet(old.packet, new.packet, stated)


def check_values(code: str, copy: BinaryIO, stated: Stated) -> None:
    """Raises ProofError unless the values written are in the copy."""
    with _of_copy():
        proof_exif.check_values(read_exif(locate(code, copy)), stated)


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


def parts(size: int, splices: Sequence[Splice]) -> Iterator[tuple[int, int, Splice | None]]:
    """A source of `size` bytes by stretches, from offset to offset: kept (None) or spliced."""
    at = 0
    for splice in splices:
        if splice.start > at:
            yield at, splice.start, None
        yield splice.start, splice.end, splice
        at = splice.end
    if size > at:
        yield at, size, None


def _pieces(
    source: int, size: int, splices: Sequence[Splice]
) -> Iterator[tuple[int, int, bytes, Splice | None]]:
    """What a copy has to be, piece by piece, in the place of which bytes of its source."""
    for start, end, splice in parts(size, splices):
        if splice is not None:
            yield start, end, splice.data, splice
            continue
        for at in range(start, end, CHUNK):
            last = min(at + CHUNK, end)
            yield at, last, _of_source(source, at, last), None


def _of_source(source: int, start: int, end: int) -> bytes:
    with of_source():
        return pread(source, end - start, start)


def compare(source: int, copy: int, size: int, splices: Sequence[Splice]) -> Digests:
    """Reads both files back whole and digests them.

    Raises ProofError where the copy isn't the source with just these splices put in, SourceError
    where the source can't be read, OSError where the copy can't.
    """
    from xxhash import xxh3_128

    from_source, of_copy, of_payload, at = xxh3_128(), xxh3_128(), xxh3_128(), 0
    for start, end, piece, splice in _pieces(source, size, splices):
        if pread(copy, len(piece), at) != piece:
            differs = f"the payload differs between bytes {start} and {end}"
            raise ProofError(f"the bytes written at {at} don't read back" if splice else differs)
        at += len(piece)
        if splice is None:
            of_payload.update(piece)
        if splices:
            from_source.update(piece if splice is None else _of_source(source, start, end))
            of_copy.update(piece)
    if os.fstat(copy).st_size != at:
        raise ProofError("the copy has bytes that nobody wrote")
    payload = of_payload.hexdigest()
    if not splices:
        return Digests(payload, payload, payload)
    return Digests(from_source.hexdigest(), of_copy.hexdigest(), payload)


def is_beginning(source: int, copy: int, size: int, splices: Sequence[Splice]) -> bool:
    """Whether a copy ends before it is the source with these splices, and is right so far.

    Raises SourceError where the source can't be read, OSError where the copy can't.
    """
    at = 0
    for _, _, piece, _ in _pieces(source, size, splices):
        found = pread(copy, len(piece), at)
        if found != piece:
            return len(found) < len(piece) and piece.startswith(found)
        at += len(piece)
    return False


def picture_digest(code: str, file: BinaryIO) -> str:
    """The digest of the coded picture alone; empty where nobody knows where it lies. OSError."""
    stretches = picture_stretches(code, file)
    return _digest(file.fileno(), stretches) if stretches else ""


def digest(file: int) -> str:
    """The XXH3 digest, 128 bits, of an open file."""
    return _digest(file, [(0, os.fstat(file).st_size)])


def _digest(file: int, stretches: Iterable[tuple[int, int]]) -> str:
    from xxhash import xxh3_128

    found = xxh3_128()
    for start, end in stretches:
        while start < end and (chunk := pread(file, min(CHUNK, end - start), start)):
            found.update(chunk)
            start += len(chunk)
    return found.hexdigest()
