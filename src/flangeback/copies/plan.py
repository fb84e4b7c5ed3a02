"""Which files a frame's copy consists of, and how each is made."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from functools import lru_cache
from pathlib import Path

from flangeback.copies.faults import of_source
from flangeback.formats import Damaged
from flangeback.frames.model import Frame, without_suffix
from flangeback.frames.reading import alike_times
from flangeback.match.model import FrameMatch
from flangeback.raw_mode import RawMode, SidecarName
from flangeback.tags.decide import decide
from flangeback.tags.table import TagValue
from flangeback.tags.times import true_time, without_time


class CopyMethod(StrEnum):
    """How one file of a copy is made."""

    COPY = "copy"
    """Byte for byte."""
    EMBED = "embed"
    """With the values in its own metadata."""
    SIDECAR = "sidecar"
    """An XMP file that states the values; an existing one is merged."""
    AGREE = "agree"
    """An existing XMP file of a picture, brought into agreement where it states a value."""
    OTHER = "other"
    """Byte for byte, a file that is no frame's."""


@dataclass(frozen=True, slots=True)
class FillOptions:
    """What a run of `fill` is asked for.

    `raw` says how raw files are treated, `sidecar` how new sidecars are named, `break_seal` has
    pictures under a seal (C2PA) written into, `xmp` adds a packet of XMP to each filled picture,
    `set_time` writes the true time into every copy whose body's clock the log tells, `others`
    copies the files that are no frames, `take_back` lets a run take lens data out of copies,
    `mend` makes copies again whose bytes changed though no other program can be seen to have
    worked on them. `over` and `by_log_alone` say how the matches were made; `logs` and `kit` are
    the files that they are by, which are kept beside the copies.
    """

    raw: RawMode = RawMode.SIDECAR
    sidecar: SidecarName = SidecarName.STEM
    break_seal: bool = False
    xmp: bool = False
    set_time: bool = False
    others: bool = False
    take_back: bool = False
    mend: bool = False
    over: bool = False
    by_log_alone: bool = False
    logs: tuple[Path, ...] = ()
    kit: Path | None = None

    @property
    def used(self) -> tuple[Path, ...]:
        """The logs and the kit."""
        return (*self.logs, *([self.kit] if self.kit else []))


@dataclass(frozen=True, slots=True)
class FilePlan:
    """One file to make.

    `frame` is the frame's file it belongs to, `copy` its name in the output folder. It is made
    from `source_file` in `folder`, of `size` bytes and modified at `modified_ns`; a sidecar that
    isn't there yet has none. `refusal` says why the file doesn't get the values, where that is
    plain from the start, `remark` what a person should know of it.
    """

    method: CopyMethod
    frame: Frame
    copy: str
    folder: Path
    source_file: str | None
    size: int
    modified_ns: int
    values: tuple[TagValue, ...] = ()
    refusal: str | None = None
    remark: str | None = None

    @property
    def source(self) -> Path | None:
        """The file that it is made from."""
        return None if self.source_file is None else self.folder / self.source_file

    @property
    def is_new_sidecar(self) -> bool:
        """Whether it is a sidecar that is made from no other."""
        return self.method == CopyMethod.SIDECAR and self.source_file is None

    @property
    def states_all(self) -> bool:
        """Whether the file is to state all the values that there are."""
        return bool(self.values) and self.method in (CopyMethod.EMBED, CopyMethod.SIDECAR)

    @property
    def is_picture(self) -> bool:
        """Whether the file is the frame's own, and no sidecar."""
        return self.copy == self.frame.file

    @property
    def code(self) -> str:
        """The short code of the format of the frame's file."""
        return "other" if self.method == CopyMethod.OTHER else self.frame.format.code


def sidecar_names(file: str) -> tuple[str, str]:
    """The names that sidecars of a file have."""
    return f"{file}.xmp", f"{without_suffix(file)}.xmp"


HasThem = Callable[[Frame, tuple[TagValue, ...]], bool]
"""Whether an earlier run wrote these values into the copy of this file."""


def plan_frame(
    match: FrameMatch, folder: Path, options: FillOptions, has: HasThem = lambda *_: False
) -> tuple[FilePlan, ...]:
    """The files of a frame's copy, the one that describes it first. Raises SourceError."""
    plans = [plan for file in match.frame.files for plan in _file_plans(file, match, options, has)]
    values = _values(match, match.frame, options)
    sidecars = [name for file in match.frame.files for name in file.sidecars]
    plans += [_sidecar_copy(match.frame, folder, name, values) for name in dict.fromkeys(sidecars)]
    return tuple(_each_once(plans))


_decide = lru_cache(maxsize=64)(decide)
"""The frames of a span have one fill."""


def _values(match: FrameMatch, file: Frame, options: FillOptions) -> tuple[TagValue, ...]:
    """What one of the frame's files gets: lens data, the true time, both or nothing."""
    is_filled = match.outcome.is_filled and match.fill is not None
    lens = _decide(match.fill, match.stale) if is_filled else ()
    own = match.frame.time
    if not (options.set_time and match.time_sure) or match.time is None or own is None:
        return lens
    # A file's sub-seconds may be finer than those of the one that describes the frame.
    said = file.time or own
    time, alike = match.time + (said.at - own.at), _alike(file, said.at)
    true = true_time(time, said.at, said.resolution, said.offset, alike=alike)
    return tuple(sorted((*lens, *true), key=lambda value: value.tag))


def _alike(file: Frame, at: datetime) -> tuple[int, ...]:
    """The tags by which a file states its time besides DateTimeOriginal. Raises SourceError."""
    if (picture := file.source) is None:
        return ()
    try:
        with of_source(), picture:
            metadata = picture.metadata()
            return () if metadata is None else alike_times(metadata, at)
    except Damaged:
        return ()  # The edit will say what is wrong.


def _file_plans(
    file: Frame, match: FrameMatch, options: FillOptions, has: HasThem
) -> Iterator[FilePlan]:
    copy = FilePlan(
        CopyMethod.COPY, file, file.file, file.folder, file.file, file.size, file.modified_ns
    )
    values = _values(match, file, options)
    why = _why_beside(file, values, options, has) if values else ""
    if not values:
        yield copy
    elif why is None:
        yield replace(copy, method=CopyMethod.EMBED, values=values)
    elif why and not file.format.is_raw and len(lens := without_time(values)) < len(values):
        # A time in the sidecar alone would contradict the one in the file.
        if lens:
            time = f"its time is left as it is: {why}"
            beside = _beside(copy, file, lens, options)
            yield copy
            yield replace(beside, remark=f"a sidecar takes the values; {time}")
        else:
            yield replace(copy, refusal=why)
    elif why and match.replaces_lens and not file.format.is_raw:
        # The sidecar would contradict what stays in the file.
        yield replace(copy, refusal=why)
    else:
        yield copy
        remark = f"a sidecar takes the values: {why}" if why else None
        yield replace(_beside(copy, file, values, options), remark=remark)


def _beside(
    copy: FilePlan, file: Frame, values: tuple[TagValue, ...], options: FillOptions
) -> FilePlan:
    """The sidecar that takes the values."""
    new, stem = file.file, without_suffix(file.file)
    # Beside a file NAME, NAME.xmp would be its sidecar, not that of NAME.EXT.
    is_anothers = stem != without_suffix(stem) and (copy.folder / stem).exists()
    if options.sidecar == SidecarName.STEM and not is_anothers:
        new = stem
    name = next(iter(file.sidecars), f"{new}.xmp")
    return replace(copy, method=CopyMethod.SIDECAR, copy=name, source_file=None, values=values)


def _why_beside(
    file: Frame, values: tuple[TagValue, ...], options: FillOptions, has: HasThem
) -> str | None:
    """Why a sidecar takes the values; empty where that is the usual way, None where the file does.

    Raises SourceError.
    """
    if file.format.is_raw and options.raw == RawMode.SIDECAR:
        return ""
    if file.is_sealed and not options.break_seal:
        return "its seal (C2PA) would break (--break-seal)"
    if has(file, values):
        return None
    if (picture := file.source) is None:
        return ""
    try:
        with of_source(), picture:
            why = picture.obstacle(values)
            lens = without_time(values)
            if why is not None and lens and picture.obstacle(lens) is None:
                return None  # The edit leaves the time as it is.
            return why
    except Damaged:
        return None  # The edit will say what is wrong.


def _sidecar_copy(frame: Frame, folder: Path, name: str, values: tuple[TagValue, ...]) -> FilePlan:
    """A sidecar that lies beside the frame goes with it."""
    with of_source():
        status = (folder / name).stat()
    method = CopyMethod.AGREE if values else CopyMethod.COPY
    return FilePlan(method, frame, name, folder, name, status.st_size, status.st_mtime_ns, values)


def _each_once(plans: Sequence[FilePlan]) -> Iterator[FilePlan]:
    """Each name once: a sidecar to be merged takes the place of its plain copy."""
    by_name = {plan.copy: plan for plan in plans if plan.method != CopyMethod.SIDECAR}
    for plan in plans:
        if plan.method == CopyMethod.SIDECAR:
            there = by_name.get(plan.copy, replace(plan, size=0))
            by_name[plan.copy] = replace(
                plan,
                source_file=there.source_file,
                size=there.size,
                modified_ns=there.modified_ns,
            )
    return (by_name[name] for name in dict.fromkeys(plan.copy for plan in plans))
