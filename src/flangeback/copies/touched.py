"""Copies that another program changed since: whether our values and the picture still stand."""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from flangeback.copies import proof_exif, proof_xmp
from flangeback.copies.edit import source_text
from flangeback.copies.faults import ProofError, TouchedError, of_source
from flangeback.copies.plan import CopyMethod, FilePlan
from flangeback.copies.proof_files import locate
from flangeback.copies.prove import picture_digest, read_exif
from flangeback.copies.records import Record
from flangeback.copies.stated import Stated
from flangeback.formats import Damaged
from flangeback.formats.tiff_block import NO_DIRECTORY, Block, Entry
from flangeback.frames.model import Frame, is_blank
from flangeback.frames.reading import recognised_frame
from flangeback.system import open_file
from flangeback.tags.decide import blank
from flangeback.tags.table import ASCII, SHORT, TIME_TAGS, Tag, TagValue

TIME_NAMES = frozenset(tag.standard_name for tag in TIME_TAGS)
_NOTHING = Stated()
_LENS, _OF_LENS = "LensModel", frozenset(["LensMake", "LensSerialNumber"])


def present_plan(plan: FilePlan, out: Path, record: Record | None) -> FilePlan:
    """The plan for correcting a copy on the bytes it has now.

    Values of ours that go are blanked, or are what the source says. Raises TouchedError where
    another program changed our own values, or put values of its own where ours are to stand, and
    where what the source says can't be written again; SourceError, OSError.
    """
    check_own(plan, out, record)
    values = {value.tag: value for value in plan.values}
    asked = says_something(Stated.of(plan.values).values)
    if record is not None and (gone := says_something(record.values).keys() - asked.keys()):
        values |= {value.tag: value for value in _as_in_source(plan, gone)}
        plan = replace(plan, method=CopyMethod(record.way))
    status = (out / plan.copy).stat()
    present = replace(
        plan,
        folder=out,
        source_file=plan.copy,
        size=status.st_size,
        modified_ns=status.st_mtime_ns,
        values=tuple(values[tag] for tag in sorted(values)),
    )
    if plan.is_picture:
        frame = sound_frame(out, plan.copy, plan.code)
        if frame is None:
            raise TouchedError(f"it isn't a sound {plan.frame.format.title} any more")
        present = replace(present, frame=frame)
    return present


def _as_in_source(plan: FilePlan, names: Collection[str]) -> Iterator[TagValue]:
    """What a file's source says of tags: mostly nothing.

    Raises TouchedError where XMP says it, or what can't be written as it was; SourceError.
    """
    exif, packets = NO_DIRECTORY, [] if plan.is_picture else [source_text(plan)]
    try:
        if plan.is_picture and (picture := plan.frame.source) is not None:
            with of_source(), picture:
                metadata = picture.metadata()
                exif = NO_DIRECTORY if metadata is None else metadata.exif
                packets += picture.packets
        stated = {name for packet in packets for name in _said(packet)}
        for tag in (tag for tag in Tag if tag.standard_name in names):
            entry = exif.find(tag)
            if tag in TIME_TAGS or tag.standard_name in stated:
                raise ValueError
            yield blank(tag) if entry is None else _value(tag, exif.block, entry)
    except (Damaged, ProofError, ValueError, struct.error):
        text = "another program changed it since, and values of the frame's own are to come back"
        raise TouchedError(text) from None


def _said(packet: bytes) -> Iterator[str]:
    """The names of the values of which a packet says anything. Raises ProofError."""
    for name, texts in proof_xmp.stated_in(packet).items():
        if not all(proof_xmp.is_blank(text) or is_blank(text) for text in texts):
            yield name


def _value(tag: Tag, block: Block, entry: Entry) -> TagValue:
    """A tag's value as it stands. Raises ValueError, struct.error where it can't be written so."""
    raw = block.raw(entry)
    if entry.type != tag.type:
        raise ValueError
    if entry.type == ASCII:
        return TagValue(tag, raw.partition(b"\0")[0].decode("ascii"))
    if entry.type == SHORT:
        return TagValue(tag, *struct.unpack(f"{block.order}H", raw))
    return TagValue(tag, tuple(struct.iter_unpack(f"{block.order}II", raw)))


def sound_frame(out: Path, copy: str, code: str) -> Frame | None:
    """A picture's copy, if it can still be read as of the format with this code. Raises OSError."""
    frame = recognised_frame(out, copy)
    is_sound = frame is not None and frame.damage is None and frame.format.code == code
    return frame if is_sound else None


def check_stands(
    out: Path, record: Record, source: Path | None = None, asked: Stated = _NOTHING
) -> None:
    """Raises ProofError unless a copy still has the values and the picture that it was given.

    A value may also be as it is `asked` for by now. Where its `source` is named and its size is the
    same, also what the body wrote has to stand: programs that lay metadata out anew change other
    tags, too, one that writes in place has no reason to. That can't be told of a file that is no
    picture or sidecar, nor of a picture in a format whose structure nobody knows. Raises Damaged
    where it can't be read, OSError.
    """
    path, written = out / record.copy, Stated(record.values, record.whole)
    record = _with_picture(record, source)
    if record.way == CopyMethod.OTHER or not (record.is_sidecar or record.picture):
        raise ProofError("its bytes changed since it was made")
    present = _seen(None if record.is_sidecar else record.kind, path)
    for name in written.values:
        _check_either(present, record.way, name, (written, asked))
    is_in_place = path.stat().st_size == record.copy_state.size and not record.patched
    if present.tags is not None and source is not None and is_in_place:
        with open_file(path) as after, open_file(source) as before:
            old, new = (read_exif(locate(record.kind, file)) for file in (before, after))
            proof_exif.check_kept(old, new, written)
    _check_packet(present, None, (written, asked), written.values)
    if record.is_sidecar:
        return
    if sound_frame(out, record.copy, record.kind) is None:
        raise ProofError("it can't be read any more as the picture that it was")
    if _picture(record.kind, path) != record.picture:
        raise ProofError("its picture changed since it was made")


def _check_either(present: _Seen, way: str, name: str, either: tuple[Stated, Stated]) -> None:
    """Raises ProofError unless a value is as it was written, or as it is asked for."""
    try:
        _check_values(present, way, either[0].of_name(name))
    except ProofError:
        if name not in either[1].values:
            raise
        with suppress(ProofError):
            return _check_values(present, way, either[1].of_name(name))
        raise


def _check_values(present: _Seen, way: str, stated: Stated) -> None:
    if present.tags is not None:
        proof_exif.check_values(present.tags, stated)
    elif way == CopyMethod.SIDECAR:
        proof_xmp.check_stated(present.packet, stated)


def _with_picture(record: Record, source: Path | None) -> Record:
    """The record with the digest of its source's picture, which an older version didn't note."""
    if source is None or record.is_sidecar or record.picture:
        return record
    return replace(record, picture=_picture(record.kind, source))


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


def check_own(plan: FilePlan, out: Path, record: Record | None, *, as_verify: bool = False) -> None:
    """Raises TouchedError unless our values and the picture still stand in a copy.

    Values that a manifest has of it must be as they were written, the others that it is to get as
    they were in its source; or as they are to be. `as_verify` asks of the body's own tags what
    `verify` asks. Raises SourceError, OSError.
    """
    written = _NOTHING if record is None else Stated(record.values, record.whole)
    asked = Stated.of(plan.values)
    code = plan.code if plan.is_picture else None
    try:
        with of_source():
            source = None if plan.source is None else _seen(code, plan.source)
            record = record and _with_picture(record, plan.source)
        if record is not None:
            check_stands(out, record, plan.source if as_verify else None, asked)
        present = _seen(code, out / plan.copy)
        _check_packet(present, source, (written, asked), {*written.values, *asked.values})
        for name in sorted(asked.values.keys() - written.values.keys()):
            if present.tags is not None and present.tag(name) != (
                source.tag(name) if source else None
            ):
                proof_exif.check_values(present.tags, asked.of_name(name))
    except (ProofError, Damaged) as why:
        raise TouchedError(f"another program changed it: {why}") from None


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
    present: _Seen, source: _Seen | None, either: tuple[Stated, Stated], names: Collection[str]
) -> None:
    """What a packet says under these names was written or is asked for, or is its source's."""
    before = proof_xmp.stated_in(source.packet) if source else {}
    for name, texts in proof_xmp.stated_in(present.packet).items():
        for text in texts if name in names else ():
            is_ours = any(name in one.values and proof_xmp.says(text, name, one) for one in either)
            may_stay = name not in either[0].values and text in before.get(name, ())
            if not (is_ours or may_stay):
                raise ProofError(f"it states {text} as {name}")


def losses(written: Mapping[str, str], values: Mapping[str, str]) -> set[str]:
    """The names of the values that a copy has and is to have no more, or blank.

    The maker and the serial number of a lens that another one takes the place of aren't lost.
    """
    old, new = says_something(written), says_something(values)
    is_other = old.get(_LENS, "") != new.get(_LENS, "") != ""
    return old.keys() - new.keys() - (_OF_LENS if is_other else frozenset())


def says_something(values: Mapping[str, str]) -> dict[str, str]:
    """The values that aren't blank."""
    return {name: text for name, text in values.items() if not proof_xmp.is_blank(text)}
