"""Bytes from file to file: copied by the kernel, compared as memory, digested as they pass."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

from flangeback.embed.model import Splice

CHUNK = 1 << 17
"""Bytes read at a time when comparing: what a core's cache holds."""

_CANNOT = frozenset(
    {errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP}
    | {errno.EPERM, errno.EBADF, errno.ENOTSOCK}
)
"""How a kernel says that it won't copy between these two files itself."""


class ProofError(Exception):
    """A copy isn't what it has to be; the message says in what."""


@dataclass(frozen=True, slots=True)
class Digests:
    """XXH3 digests, 128 bits, as hexadecimal text. `payload` covers what no splice touches."""

    source: str
    copy: str
    payload: str


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


def write_copy(source: int, copy: int, size: int, splices: Sequence[Splice]) -> None:
    """Writes the source (file descriptors both) with the splices put in. Raises OSError."""
    for start, end, splice in parts(size, splices):
        if splice is None:
            _copy_range(source, copy, start, end - start)
        else:
            write_all(copy, splice.data)


def start_writing_back(copy: int) -> None:
    """Has the kernel begin to write a file to disk while it is being proved, so that the fsync
    afterwards has less to wait for. What isn't written yet stays in memory."""
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            os.posix_fadvise(copy, 0, 0, os.POSIX_FADV_DONTNEED)


def _copy_range(source: int, copy: int, at: int, count: int) -> None:
    """By copy_file_range, else sendfile, else through memory; raises OSError when cut short."""
    end = at + count
    for step in (_by_copy_file_range, _by_sendfile, _through_memory):
        try:
            while at < end:
                done = step(source, copy, at, end - at)
                if done == 0:
                    break
                at += done
        except OSError as error:
            if error.errno not in _CANNOT or step is _through_memory:
                raise
        if at == end:
            return
    raise OSError(errno.EIO, "the file ended while it was copied")


def _by_copy_file_range(source: int, copy: int, at: int, count: int) -> int:
    if not hasattr(os, "copy_file_range"):
        return 0
    return os.copy_file_range(source, copy, count, offset_src=at)


def _by_sendfile(source: int, copy: int, at: int, count: int) -> int:
    if not hasattr(os, "sendfile"):
        return 0
    return os.sendfile(copy, source, at, count)


def _through_memory(source: int, copy: int, at: int, count: int) -> int:
    data = os.pread(source, min(count, CHUNK), at)
    write_all(copy, data)
    return len(data)


def write_all(copy: int, data: bytes) -> None:
    """Writes all of `data` to an open file. Raises OSError."""
    view = memoryview(data)
    while view:
        view = view[os.write(copy, view) :]


def compare(source: int, copy: int, size: int, splices: Sequence[Splice]) -> Digests:
    """Reads both files back whole and digests them.

    Raises ProofError where the copy isn't the source with just these splices put in.
    """
    from xxhash import xxh3_128

    of_source, of_copy, of_payload = xxh3_128(), xxh3_128(), xxh3_128()
    shift = 0
    for start, end, splice in parts(size, splices):
        if splice is not None:
            of_source.update(os.pread(source, end - start, start))
            of_copy.update(_expected(copy, start + shift, splice.data))
            shift += splice.growth
            continue
        for chunk in _same(source, copy, start, end, shift):
            of_payload.update(chunk)
            if splices:
                of_source.update(chunk)
                of_copy.update(chunk)
    if os.fstat(copy).st_size != size + shift:
        raise ProofError("the copy has bytes that nobody wrote")
    payload = of_payload.hexdigest()
    if not splices:
        return Digests(payload, payload, payload)
    return Digests(of_source.hexdigest(), of_copy.hexdigest(), payload)


def _same(source: int, copy: int, start: int, end: int, shift: int) -> Iterator[bytes]:
    for at in range(start, end, CHUNK):
        count = min(CHUNK, end - at)
        chunk = os.pread(source, count, at)
        if len(chunk) != count or chunk != os.pread(copy, count, at + shift):
            raise ProofError(f"the payload differs between bytes {at} and {at + count}")
        yield chunk


def _expected(copy: int, at: int, data: bytes) -> bytes:
    found = os.pread(copy, len(data), at)
    if found != data:
        raise ProofError(f"the bytes written at {at} don't read back")
    return found


def digest(file: int) -> str:
    """The XXH3 digest, 128 bits, of an open file."""
    from xxhash import xxh3_128

    found = xxh3_128()
    at = 0
    while chunk := os.pread(file, CHUNK, at):
        found.update(chunk)
        at += len(chunk)
    return found.hexdigest()


def digest_of(data: bytes) -> str:
    """The XXH3 digest, 128 bits, of bytes at hand."""
    from xxhash import xxh3_128

    return xxh3_128(data).hexdigest()
