"""A copy's bytes against its source's, digested as they pass."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from flangeback.copies.faults import ProofError, of_source
from flangeback.formats import Splice
from flangeback.system import CHUNK, pread


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


Part = tuple[int, int, Splice | None]
"""A stretch of the source, from one offset to another: kept (None) or spliced."""


def parts(size: int, splices: Sequence[Splice]) -> Iterator[Part]:
    """A source of `size` bytes as stretches that stay and stretches that are replaced."""
    at = 0
    for splice in splices:
        if splice.start > at:
            yield at, splice.start, None
        yield splice.start, splice.end, splice
        at = splice.end
    if size > at:
        yield at, size, None


def compare(source: int, copy: int, size: int, splices: Sequence[Splice]) -> Digests:
    """Reads both files back whole and digests them.

    Raises ProofError where the copy isn't the source with just these splices put in, SourceError
    where the source can't be read, OSError where the copy can't.
    """
    from xxhash import xxh3_128

    from_source, of_copy, of_payload = xxh3_128(), xxh3_128(), xxh3_128()
    shift = 0
    for start, end, splice in parts(size, splices):
        if splice is not None:
            from_source.update(_of_source(source, start, end))
            of_copy.update(_expected(copy, start + shift, splice.data))
            shift += splice.growth
            continue
        for chunk in _same(source, copy, start, end, shift):
            of_payload.update(chunk)
            if splices:
                from_source.update(chunk)
                of_copy.update(chunk)
    if os.fstat(copy).st_size != size + shift:
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
    for piece in _pieces(source, size, splices):
        found = pread(copy, len(piece), at)
        if found != piece:
            return len(found) < len(piece) and piece.startswith(found)
        at += len(piece)
    return False


def _pieces(source: int, size: int, splices: Sequence[Splice]) -> Iterator[bytes]:
    """What a copy has to be, piece by piece."""
    for start, end, splice in parts(size, splices):
        if splice is not None:
            yield splice.data
            continue
        for at in range(start, end, CHUNK):
            yield _of_source(source, at, min(at + CHUNK, end))


def _same(source: int, copy: int, start: int, end: int, shift: int) -> Iterator[bytes]:
    for at in range(start, end, CHUNK):
        count = min(CHUNK, end - at)
        chunk = _of_source(source, at, at + count)
        if len(chunk) != count or chunk != pread(copy, count, at + shift):
            raise ProofError(f"the payload differs between bytes {at} and {at + count}")
        yield chunk


def _of_source(source: int, start: int, end: int) -> bytes:
    with of_source():
        return pread(source, end - start, start)


def _expected(copy: int, at: int, data: bytes) -> bytes:
    found = pread(copy, len(data), at)
    if found != data:
        raise ProofError(f"the bytes written at {at} don't read back")
    return found


def digest(file: int) -> str:
    """The XXH3 digest, 128 bits, of an open file."""
    return digest_of_stretches(file, [(0, os.fstat(file).st_size)])


def digest_of_stretches(file: int, stretches: Iterable[tuple[int, int]]) -> str:
    """The XXH3 digest, 128 bits, of stretches of an open file, each from one offset to another."""
    from xxhash import xxh3_128

    found = xxh3_128()
    for start, end in stretches:
        while start < end and (chunk := pread(file, min(CHUNK, end - start), start)):
            found.update(chunk)
            start += len(chunk)
    return found.hexdigest()


def digest_of(data: bytes) -> str:
    """The XXH3 digest, 128 bits, of bytes at hand."""
    from xxhash import xxh3_128

    return xxh3_128(data).hexdigest()
