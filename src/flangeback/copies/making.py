"""One file of a copy: written beside its name, proved from disk, then given its name."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from flangeback.copies.compare import (
    Digests,
    parts,
)
from flangeback.copies.output import unfinished_name
from flangeback.copies.planning import Plan, Way, Wishes
from flangeback.copies.proving import prove, prove_sidecar
from flangeback.copies.stated import Stated
from flangeback.formats import FileReader, Refused, Splice
from flangeback.formats import xmp as packets
from flangeback.system import (
    copy_range,
    open_new,
    open_to_read,
    rename_new,
    set_times,
    start_writing_back,
    sync_file,
    write_all,
)
from flangeback.tags.table import TagValue
from flangeback.tags.times import without_time


@dataclass(frozen=True, slots=True)
class Draft:
    """What is to be written for one file: the splices, or a sidecar's whole text.

    `values` are those the file gets, `in_packet` says that they go into its XMP packet alone;
    `remark` is what a person should know of it.
    """

    splices: tuple[Splice, ...] = ()
    text: bytes | None = None
    values: tuple[TagValue, ...] = ()
    in_packet: bool = False
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Made:
    """A file that stands under its name: its digests, size, time of modification in ns."""

    digests: Digests
    size: int
    modified_ns: int


def drafted(plan: Plan, wishes: Wishes) -> Draft:
    """What to write for a plan. Raises Refused, Damaged, OSError.

    Lens data isn't withheld where it is only the true time that finds no room.
    """
    try:
        return _drafted(plan, wishes)
    except Refused as why:
        lens = without_time(plan.values)
        if len(lens) in (0, len(plan.values)):
            raise
        draft = _drafted(replace(plan, values=lens), wishes)
        remark = "; ".join(filter(None, (draft.remark, f"its time is left as it is: {why}")))
        return replace(draft, remark=remark)


def _drafted(plan: Plan, wishes: Wishes) -> Draft:
    if plan.refusal is not None:
        raise Refused(plan.refusal)
    if plan.way == Way.COPY or not plan.values:
        return Draft()
    if plan.way == Way.EMBED:
        return _embedded(plan, wishes)
    old = b"" if plan.source is None else plan.source.read_bytes()
    if plan.way == Way.AGREE:
        fresh = packets.agreed(old, plan.values)
        return Draft() if fresh is None else Draft(text=fresh, values=plan.values)
    try:
        text = packets.merged(old, plan.values) if old else packets.new_packet(plan.values)
    except packets.NotXmp as why:
        raise Refused(f"the sidecar {plan.copy} is left as it is: {why}") from None
    return Draft(text=text, values=plan.values)


def _embedded(plan: Plan, wishes: Wishes) -> Draft:
    assert plan.source is not None
    with FileReader(plan.source) as reader:
        file = plan.format(reader)
        remark = file.remark
        try:
            splices = file.edit(plan.values, add_packet=wishes.xmp)
        except packets.NotXmp as why:
            # The picture's own packet can't be changed, which is no reason to leave it unfilled.
            splices = file.edit(plan.values)
            remark = f"its XMP packet is left alone: {why}"
        except Refused:
            # A time in the packet alone would contradict the one in the Exif block.
            timed = len(without_time(plan.values)) < len(plan.values)
            if not file.has_own_packet or not wishes.xmp or timed:
                raise
            return Draft(file.edit_packet(plan.values), None, plan.values, True, remark)
        return Draft(splices, values=plan.values, remark=remark)


def write_copy(source: int, copy: int, size: int, splices: Sequence[Splice]) -> None:
    """Writes the source (file descriptors both) with the splices put in. Raises OSError."""
    for start, end, splice in parts(size, splices):
        if splice is None:
            copy_range(source, copy, start, end - start)
        else:
            write_all(copy, splice.data)


def make(plan: Plan, draft: Draft, target: Path, owned: bool) -> Made:
    """Makes and proves one file; `owned` says that flangeback's own older one may be replaced.

    Raises ProofError when the file isn't what it has to be, FileExistsError when something stands
    under its name, OSError when it can't be made. Whatever is raised, nothing is left behind.
    """
    part = unfinished_name(target)
    with suppress(FileNotFoundError):
        part.unlink()
    try:
        if draft.text is None:
            digests = _make_copy(plan, draft, part)
        else:
            digests = _make_sidecar(plan, draft, part)
        made = part.stat()
        _give_name(part, target, owned)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    return Made(digests, made.st_size, made.st_mtime_ns)


def _make_copy(plan: Plan, draft: Draft, part: Path) -> Digests:
    source = plan.source
    assert source is not None
    reading = open_to_read(source)
    try:
        status = os.fstat(reading)

        def write(writing: int) -> None:
            write_copy(reading, writing, status.st_size, draft.splices)
            set_times(part, status.st_atime_ns, status.st_mtime_ns)

        return _written(part, write, lambda: proved(plan, draft, part))
    finally:
        os.close(reading)


def _make_sidecar(plan: Plan, draft: Draft, part: Path) -> Digests:
    text = draft.text
    assert text is not None

    def write(writing: int) -> None:
        write_all(writing, text)

    return _written(part, write, lambda: proved(plan, draft, part))


def _written(part: Path, write: Callable[[int], None], proof: Callable[[], Digests]) -> Digests:
    """Writes a new file, proves it, and makes it durable."""
    writing = open_new(part)
    try:
        write(writing)
        start_writing_back(writing)
        digests = proof()
        sync_file(writing)
    finally:
        os.close(writing)
    return digests


def _give_name(part: Path, target: Path, owned: bool) -> None:
    if owned:
        part.replace(target)
        return
    rename_new(part, target)


def proved(plan: Plan, draft: Draft, target: Path) -> Digests:
    """The proof of a file that stands there already. Raises ProofError, Damaged, OSError."""
    if draft.text is None:
        return prove(
            plan, draft.splices, target, Stated.of(draft.values), in_packet=draft.in_packet
        )
    return prove_sidecar(plan, draft.text, target, Stated.of(draft.values))


def edits(splices: Sequence[Splice]) -> tuple[tuple[int, int, int, int], ...]:
    """Each splice's stretch in the source and in the copy, for the manifest."""
    found, shift = [], 0
    for splice in splices:
        start = splice.start + shift
        found.append((splice.start, splice.end, start, start + len(splice.data)))
        shift += splice.growth
    return tuple(found)
