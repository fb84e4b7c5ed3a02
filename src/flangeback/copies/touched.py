"""Copies that another program changed since: whether our values and the picture still stand."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.faults import ProofError, TouchedError, of_source
from flangeback.copies.plan import CopyMethod, FilePlan
from flangeback.copies.proof_files import locate
from flangeback.copies.prove import picture_digest, read_exif
from flangeback.copies.records import Record
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged
from flangeback.frames.model import Frame
from flangeback.frames.reading import recognised_frame
from flangeback.system import open_file
from flangeback.tags.decide import blank
from flangeback.tags.table import TAGS, TIME_TAGS

TIME_NAMES = frozenset(TAGS[tag].name for tag in TIME_TAGS)


def present_plan(plan: FilePlan, out: Path, record: Record | None) -> FilePlan:
    """The plan for correcting a copy on the bytes it has now; what another lens leaves is blanked.

    Raises TouchedError where another program changed our own values, or put values of its own
    where ours are to stand, and where values of the frame's own are to come back; SourceError,
    OSError.
    """
    check_own(plan, out, record)
    if record is not None and (gone := losses(record.values, Stated.of(plan.values).values)):
        if not plan.values or record.before is None or gone & {*record.before, *TIME_NAMES}:
            raise TouchedError("another program changed it since, and values are to be taken out")
        blanks = (blank(tag) for tag, kind in TAGS.items() if kind.name in gone)
        values = sorted((*plan.values, *blanks), key=lambda value: value.tag)
        plan = replace(plan, values=tuple(values))
    status = (out / plan.copy).stat()
    size, modified_ns = status.st_size, status.st_mtime_ns
    present = replace(plan, folder=out, source_file=plan.copy, size=size, modified_ns=modified_ns)
    if plan.is_picture:
        frame = sound_frame(out, plan.copy, plan.code)
        if frame is None:
            raise TouchedError(f"it isn't a sound {plan.frame.format.title} any more")
        present = replace(present, frame=frame)
    return present


def sound_frame(out: Path, copy: str, code: str) -> Frame | None:
    """A picture's copy, if it can still be read as of the format with this code. Raises OSError."""
    frame = recognised_frame(out, copy)
    is_sound = frame is not None and frame.damage is None and frame.format.code == code
    return frame if is_sound else None


def check_stands(out: Path, record: Record, source: Path | None = None) -> None:
    """Raises ProofError unless a copy still has the values and the picture that it was given.

    Where its `source` is named and its size is the same, also what the body wrote: programs that
    lay metadata out anew change other tags, too, one that writes in place has no reason to. That
    can't be told of a file that is no picture or sidecar, nor of a picture in a format whose
    structure nobody knows. Raises Damaged where it can't be read, OSError.
    """
    path, written = out / record.copy, Stated(record.values, record.whole)
    if record.way == CopyMethod.OTHER or not (record.is_sidecar or record.picture):
        raise ProofError("its bytes changed since it was made")
    present = _seen(None if record.is_sidecar else record.kind, path)
    if present.tags is not None:
        proof_exif.check_values(present.tags, written)
        is_in_place = path.stat().st_size == record.copy_state.size and not record.patched
        if source is not None and is_in_place:
            with open_file(path) as after, open_file(source) as before:
                old, new = (read_exif(locate(record.kind, file)) for file in (before, after))
                proof_exif.check_kept(old, new, written)
    elif record.way == CopyMethod.SIDECAR:
        proof_xmp.check_stated(present.packet, written)
    _check_packet(present, None, written, ())
    if record.is_sidecar:
        return
    if sound_frame(out, record.copy, record.kind) is None:
        raise ProofError("it can't be read any more as the picture that it was")
    if _picture(record.kind, path) != record.picture:
        raise ProofError("its picture changed since it was made")


def _picture(code: str, path: Path) -> str:
    with open_file(path) as file:
        return picture_digest(code, file)


def is_broken(plan: FilePlan, out: Path, record: Record) -> bool:
    """Whether a picture's copy changed so that nobody can have meant it.

    It can't be read any more, or has other picture data in a file of the same size. Raises OSError.
    """
    path = out / plan.copy
    if plan.method == CopyMethod.OTHER or not plan.is_picture:
        return False
    is_same_size = path.stat().st_size == record.copy_state.size
    return sound_frame(out, plan.copy, plan.code) is None or (
        is_same_size and _picture(plan.code, path) != record.picture
    )


def check_own(plan: FilePlan, out: Path, record: Record | None) -> None:
    """Raises TouchedError unless our values and the picture still stand in a copy.

    Values that a manifest has of it must be as they were written, the others that it is to get as
    they were in its source. Raises SourceError, OSError.
    """
    written = Stated() if record is None else Stated(record.values, record.whole)
    wanted = {value.name for value in plan.values} - written.values.keys()
    code = plan.code if plan.is_picture else None
    try:
        with of_source():
            source = None if plan.source is None else _seen(code, plan.source)
            if record is not None and not record.picture and code and plan.source:
                record = replace(record, picture=_picture(code, plan.source))
        if record is not None:
            check_stands(out, record)
        present = _seen(code, out / plan.copy)
        _check_packet(present, source, written, wanted)
    except (ProofError, Damaged) as why:
        raise TouchedError(f"another program changed it: {why}") from None
    for name in sorted(wanted):
        if present.tag(name) != (source.tag(name) if source else None):
            raise TouchedError(f"another program changed {name} in it")


@dataclass(frozen=True, slots=True)
class _Seen:
    """What other readers than ours find in a file: its tags (None for a sidecar) and its packet."""

    tags: proof_exif.Reading | None
    packet: bytes

    def tag(self, name: str) -> object:
        return None if self.tags is None else self.tags.tags.get(f"EXIF {name}")


def _seen(code: str | None, path: Path) -> _Seen:
    """What is in a file of this format; None for a sidecar."""
    with open_file(path) as file:
        if code is None:
            return _Seen(None, file.read())
        found = locate(code, file)
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
    """The names of the values that a copy has and is to have no more, or blank."""
    stays = {name for name, text in values.items() if not proof_xmp.is_blank(text)}
    return {name for name, text in written.items() if not proof_xmp.is_blank(text)} - stays
