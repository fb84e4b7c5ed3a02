"""One copy: written beside its name, proved from disk, then given its name."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from flangeback.containers.file import FileHead
from flangeback.containers.jpeg import exif_block, read_head
from flangeback.containers.tiff import Damaged
from flangeback.copies import proof, proof_xmp
from flangeback.copies.output import unfinished_name
from flangeback.copies.transfer import Digests, ProofError, compare, start_writing_back, write_copy
from flangeback.embed import Splice, edit_jpeg
from flangeback.tags.table import TagValue


@dataclass(frozen=True, slots=True)
class Made:
    """A copy that stands under its name: its digests, size, time of modification in ns."""

    digests: Digests
    size: int
    modified_ns: int


def planned(source: Path, values: Sequence[TagValue]) -> tuple[Splice, ...]:
    """The splices for these values. Raises Refused, Damaged, OSError."""
    if not values:
        return ()
    file = os.open(source, os.O_RDONLY)
    try:
        return edit_jpeg(FileHead(file), values)
    finally:
        os.close(file)


def make_copy(
    source: Path, target: Path, splices: Sequence[Splice], values: Sequence[TagValue], owned: bool
) -> Made:
    """Makes and proves one copy; `owned` says that flangeback's own older copy may be replaced.

    Raises ProofError when the copy isn't what it has to be, FileExistsError when something stands
    under its name, OSError when it can't be made. Whatever is raised, nothing is left behind.
    """
    part = unfinished_name(target)
    with suppress(FileNotFoundError):
        part.unlink()
    try:
        reading = os.open(source, os.O_RDONLY)
        try:
            status = os.fstat(reading)
            writing = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            try:
                write_copy(reading, writing, status.st_size, splices)
                start_writing_back(writing)
                os.utime(part, ns=(status.st_atime_ns, status.st_mtime_ns))
                digests = prove(source, part, status.st_size, splices, values)
                os.fsync(writing)
            finally:
                os.close(writing)
        finally:
            os.close(reading)
        made = part.stat()
        _give_name(part, target, owned)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    return Made(digests, made.st_size, made.st_mtime_ns)


def _give_name(part: Path, target: Path, owned: bool) -> None:
    if owned:
        part.replace(target)
        return
    try:
        # A link, unlike a rename, never takes the place of what somebody else put there.
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError:  # A file system without links, such as FAT.
        if target.exists():
            raise FileExistsError(str(target)) from None
        part.rename(target)
    else:
        part.unlink()


def prove(
    source: Path, copy: Path, size: int, splices: Sequence[Splice], values: Sequence[TagValue]
) -> Digests:
    """The proof of one copy, from disk. Raises ProofError, OSError, and Damaged where ExifRead
    can't read the source."""
    with source.open("rb") as before, copy.open("rb") as after:
        digests = compare(before.fileno(), after.fileno(), size, splices)
        if values:
            size_before = block_size(before.fileno())
            was = proof.look(before, size_before)
            if was.order is None and size_before is not None:
                raise Damaged("ExifRead doesn't find the Exif block, so nothing could be proved")
            proof.check_tags(was, _read_back(after, size_before), values)
            _prove_xmp(before.fileno(), after.fileno(), values)
    return digests


def _read_back(copy: BinaryIO, size_before: int | None) -> proof.Seen:
    try:
        return proof.look(copy, size_before)
    except Damaged as damage:
        raise ProofError(str(damage)) from None


def block_size(file: int) -> int | None:
    """The length in bytes of a JPEG's Exif block; None without one."""
    head = FileHead(file)
    found = exif_block(head, read_head(head))
    return None if found is None else found.block.size


def _prove_xmp(before: int, after: int, values: Sequence[TagValue]) -> None:
    old, new = (_packet(file) for file in (before, after))
    if old != new:
        proof_xmp.check_packet(old, new, values)


def _packet(file: int) -> bytes:
    head = FileHead(file)
    segment = read_head(head).xmp
    return b"" if segment is None else head.read(segment.start, segment.end).partition(b"\0")[2]
