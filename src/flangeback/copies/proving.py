"""The proof of one file, from disk: its bytes against the source, its tags by other readers."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from flangeback.containers.file import FileHead
from flangeback.containers.heif import exif_item
from flangeback.containers.jpeg import exif_block, read_head
from flangeback.containers.kinds import FileKind
from flangeback.containers.tiff import XMP_PACKET, Block, Damaged
from flangeback.copies import proof, proof_xmp
from flangeback.copies.planning import Plan, Way
from flangeback.copies.proof_places import check_places
from flangeback.copies.transfer import Digests, ProofError, compare, digest, digest_of
from flangeback.embed.model import Splice
from flangeback.tags.table import TagValue


def prove(
    plan: Plan,
    splices: Sequence[Splice],
    copy: Path,
    values: Sequence[TagValue],
    *,
    in_packet: bool = False,
) -> Digests:
    """The proof of a copy against its source.

    Raises ProofError, OSError, and Damaged where ExifRead can't read the source.
    """
    assert plan.source is not None
    with plan.source.open("rb") as before, copy.open("rb") as after:
        size = os.fstat(before.fileno()).st_size
        digests = compare(before.fileno(), after.fileno(), size, splices)
        if plan.kind == FileKind.JPEG and splices:
            check_places(before, splices)
        if values:
            check_metadata(plan.kind, before, after, values, in_packet=in_packet)
    return digests


def check_metadata(
    kind: FileKind,
    before: BinaryIO,
    after: BinaryIO,
    values: Sequence[TagValue],
    *,
    in_packet: bool,
) -> None:
    """Raises ProofError unless the copy's tags are the source's, but for the values, and Damaged
    where ExifRead can't read the source: nothing could be proved then."""
    was = _look(kind, before)
    if was.order is None and _has_exif(kind, before):
        raise Damaged("ExifRead doesn't find the Exif block, so nothing could be proved")
    if was.tags and not _has_exif(kind, before):
        raise Damaged("ExifRead finds Exif data where there is no sound Exif segment")
    proof.check_tags(was, _read_back(kind, after), () if in_packet else values)
    old, new = (_packet(kind, file.fileno()) for file in (before, after))
    if old != new:
        proof_xmp.check_packet(old, new, values)
    if in_packet:
        proof_xmp.check_stated(new, values)


def check_values(
    kind: FileKind, copy: BinaryIO, values: Sequence[TagValue], in_packet: bool
) -> None:
    """Raises ProofError unless the values written are in the copy."""
    if in_packet:
        proof_xmp.check_stated(_packet(kind, copy.fileno()), values)
        return
    seen = _read_back(kind, copy)
    for value in values:
        proof.check_value(seen, value)


def prove_sidecar(plan: Plan, text: bytes, copy: Path, values: Sequence[TagValue]) -> Digests:
    """The proof of a sidecar: its bytes, its values, and all that the old one said besides."""
    old = b"" if plan.source is None else plan.source.read_bytes()
    with copy.open("rb") as file:
        new = file.read()
        found = digest(file.fileno())
    if new != text:
        raise ProofError("the sidecar doesn't read back as it was written")
    proof_xmp.check_packet(old, new, values)
    if plan.way == Way.SIDECAR:
        proof_xmp.check_stated(new, values)
    return Digests(digest_of(old), found, found)


def _read_back(kind: FileKind, copy: BinaryIO) -> proof.Seen:
    try:
        return _look(kind, copy)
    except Damaged as damage:
        raise ProofError(str(damage)) from None


def _has_exif(kind: FileKind, file: BinaryIO) -> bool:
    """Whether a file has an Exif block at all; only a JPEG is filled without one."""
    head = FileHead(file.fileno())
    return kind != FileKind.JPEG or exif_block(head, read_head(head)) is not None


def _look(kind: FileKind, file: BinaryIO) -> proof.Seen:
    """What ExifRead sees in a file of this kind."""
    file.seek(0)
    if kind == FileKind.JPEG:
        head = FileHead(file.fileno())
        found = exif_block(head, read_head(head))
        return proof.look(file, found.block.size if found else None)
    if kind == FileKind.HEIF:
        # ExifRead passes over an item's base offset, and over most brands: it is given the block.
        item = exif_item(FileHead(file.fileno()))
        if item is None:
            return proof.look(io.BytesIO(), None)
        block = item.block.read(0, item.block.size)
        return proof.look(io.BytesIO(block), len(block))
    return proof.look(file, os.fstat(file.fileno()).st_size)


def _packet(kind: FileKind, file: int) -> bytes:
    """The XMP packet inside a file; empty without one."""
    head = FileHead(file)
    if kind == FileKind.JPEG:
        segment = read_head(head).xmp
        if segment is None:
            return b""
        return head.read(segment.start, segment.end).partition(b"\0")[2]
    if kind == FileKind.HEIF:
        return b""
    block = Block(head)
    return block.raw(block.main().find(XMP_PACKET))
