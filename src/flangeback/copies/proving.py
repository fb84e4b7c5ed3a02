"""The proof of one file, from disk: its bytes against the source, its tags by other readers."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.compare import Digests, ProofError, compare, digest, digest_of
from flangeback.copies.planning import Plan, Way
from flangeback.copies.proof_files import Located, locate
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged, Splice
from flangeback.system import open_file


def prove(
    plan: Plan,
    splices: Sequence[Splice],
    copy: Path,
    stated: Stated,
    *,
    in_packet: bool = False,
) -> Digests:
    """The proof of a copy against its source.

    Raises ProofError, OSError, and Damaged where ExifRead can't read the source.
    """
    assert plan.source is not None
    with open_file(plan.source) as before, open_file(copy) as after:
        size = os.fstat(before.fileno()).st_size
        digests = compare(before.fileno(), after.fileno(), size, splices)
        if stated.values:
            check_metadata(plan.format.code, before, after, splices, stated, in_packet=in_packet)
    return digests


def check_metadata(
    kind: str,
    before: BinaryIO,
    after: BinaryIO,
    splices: Sequence[Splice],
    stated: Stated,
    *,
    in_packet: bool,
) -> None:
    """Raises ProofError unless the edit kept to the metadata and the copy's tags are the source's,
    but for the values, and Damaged where ExifRead can't read the source: nothing could be proved
    then."""
    old = locate(kind, before)
    for splice in splices:
        if not old.may_touch(splice.start, splice.end):
            raise ProofError(f"the edit at byte {splice.start} isn't within the metadata")
    was = proof_exif.read(old.exif, old.block_size)
    if was.order is None and old.block_size is not None:
        raise Damaged("ExifRead doesn't find the Exif block, so nothing could be proved")
    if was.tags and old.block_size is None:
        raise Damaged("ExifRead finds Exif data where there is no sound Exif segment")
    new = _located(kind, after)
    proof_exif.check_tags(was, _read_back(new), Stated() if in_packet else stated)
    if old.packet != new.packet:
        proof_xmp.check_packet(old.packet, new.packet, stated)
    if in_packet:
        proof_xmp.check_stated(new.packet, stated)


def check_values(kind: str, copy: BinaryIO, stated: Stated, *, in_packet: bool) -> None:
    """Raises ProofError unless the values written are in the copy."""
    found = _located(kind, copy)
    if in_packet:
        proof_xmp.check_stated(found.packet, stated)
    else:
        proof_exif.check_values(_read_back(found), stated)


def prove_sidecar(plan: Plan, text: bytes, copy: Path, stated: Stated) -> Digests:
    """The proof of a sidecar: its bytes, its values, and all that the old one said besides."""
    old = b"" if plan.source is None else plan.source.read_bytes()
    with open_file(copy) as file:
        new = file.read()
        found = digest(file.fileno())
    if new != text:
        raise ProofError("the sidecar doesn't read back as it was written")
    proof_xmp.check_packet(old, new, stated)
    if plan.way == Way.SIDECAR:
        proof_xmp.check_stated(new, stated)
    return Digests(digest_of(old), found, found)


def _located(kind: str, copy: BinaryIO) -> Located:
    try:
        return locate(kind, copy)
    except Damaged as damage:
        raise ProofError(str(damage)) from None


def _read_back(copy: Located) -> proof_exif.Reading:
    try:
        return proof_exif.read(copy.exif, copy.block_size)
    except Damaged as damage:
        raise ProofError(str(damage)) from None
