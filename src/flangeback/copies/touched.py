"""Copies that another program changed since: whether our values still stand in them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.faults import ProofError, TouchedError, of_source
from flangeback.copies.plan import CopyMethod, FilePlan
from flangeback.copies.proof_files import locate
from flangeback.copies.prove import read_exif
from flangeback.copies.records import Record
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged
from flangeback.frames.reading import recognised_frame
from flangeback.system import open_file


def present_plan(plan: FilePlan, out: Path, record: Record | None) -> FilePlan:
    """The plan for correcting a copy on the bytes it has now.

    Raises TouchedError where another program changed our own values, or put values of its own
    where ours are to stand; SourceError, OSError.
    """
    check_own(plan, out, record)
    path = out / plan.copy
    status = path.stat()
    present = replace(plan, source=path, size=status.st_size, modified_ns=status.st_mtime_ns)
    if plan.is_picture:
        frame = recognised_frame(out, plan.copy)
        if frame is None or frame.damage is not None or frame.format is not plan.frame.format:
            raise TouchedError(f"the copy isn't a sound {plan.frame.format.title} any more")
        present = replace(present, frame=frame)
    return present


def check_own(plan: FilePlan, out: Path, record: Record | None) -> None:
    """Raises TouchedError unless our values still stand in a copy.

    Those that a manifest has of it must be as they were written, the others that it is to get as
    they were in its source. Raises SourceError, OSError.
    """
    written = Stated() if record is None else Stated(record.values, record.whole)
    wanted = {value.name for value in plan.values} - written.values.keys()
    try:
        present = _seen(plan, out / plan.copy)
        with of_source():
            source = None if plan.source is None else _seen(plan, plan.source)
        if present.tags is not None and record is not None:
            proof_exif.check_values(present.tags, written)
        elif record is not None and record.way == CopyMethod.SIDECAR:
            proof_xmp.check_stated(present.packet, written)
        _check_packet(present, source, written, wanted)
    except (ProofError, Damaged) as why:
        raise TouchedError(f"another program changed the copy: {why}") from None
    for name in sorted(wanted):
        if present.tag(name) != (source.tag(name) if source else None):
            raise TouchedError(f"another program changed {name} in the copy")


@dataclass(frozen=True, slots=True)
class _Seen:
    """What other readers than ours find in a file: its tags (None for a sidecar) and its packet."""

    tags: proof_exif.Reading | None
    packet: bytes

    def tag(self, name: str) -> object:
        return None if self.tags is None else self.tags.tags.get(f"EXIF {name}")


def _seen(plan: FilePlan, path: Path) -> _Seen:
    with open_file(path) as file:
        if not plan.is_picture:
            return _Seen(None, file.read())
        found = locate(plan.code, file)
        return _Seen(read_exif(found), found.packet)


def date_in(plan: FilePlan, path: Path) -> str | None:
    """When the metadata of a copy were changed, by its packet; None where that doesn't say."""
    try:
        with open_file(path) as file:
            packet = locate(plan.code, file).packet if plan.is_picture else file.read()
        return proof_xmp.metadata_date(packet)
    except (ProofError, Damaged):
        return None


def _check_packet(
    present: _Seen, source: _Seen | None, written: Stated, wanted: Collection[str]
) -> None:
    """What the packet states of ours is as written, or as the source's packet had it."""
    before = proof_xmp.stated_in(source.packet) if source else {}
    for name, texts in proof_xmp.stated_in(present.packet).items():
        for text in texts:
            if name in written.values:
                stands = proof_xmp.says(text, name, written)
            else:
                stands = name not in wanted or text in before.get(name, ())
            if not stands:
                raise ProofError(f"it states {text} as {name}")


def losses(written: Mapping[str, str], values: Mapping[str, str]) -> set[str]:
    """The names of the values that a copy has and is to have no more."""
    return {name for name, text in written.items() if not proof_xmp.is_blank(text)} - values.keys()
