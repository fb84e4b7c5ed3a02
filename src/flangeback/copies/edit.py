"""What is to be written into one file of a copy."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flangeback.copies.faults import of_source
from flangeback.copies.manifest import now
from flangeback.copies.plan import CopyMethod, FilePlan, FillOptions
from flangeback.formats import Damaged, Refused, Splice
from flangeback.formats import xmp as packets
from flangeback.formats.frame_file import CUT_SHORT
from flangeback.system import open_file
from flangeback.tags.table import TagValue
from flangeback.tags.times import without_time


@dataclass(frozen=True, slots=True)
class Edit:
    """The splices for a picture, or a sidecar's whole text.

    Neither where the file is copied as it is. `values` are those the file gets; `remark` is what a
    person should know of it.
    """

    splices: tuple[Splice, ...] = ()
    text: bytes | None = None
    values: tuple[TagValue, ...] = ()
    remark: str | None = None

    @property
    def stretches(self) -> tuple[tuple[int, int, int, int], ...]:
        """Where each splice starts and ends in the source and in the copy."""
        found, shift = [], 0
        for splice in self.splices:
            start = splice.start + shift
            found.append((splice.start, splice.end, start, start + len(splice.data)))
            shift += splice.growth
        return tuple(found)


def edit_for(plan: FilePlan, options: FillOptions, date: str | None = None) -> Edit:
    """What to write for a plan. Raises Refused, Damaged, SourceError.

    Lens data isn't withheld where it is only the true time that finds no room. `date` is that of
    the change (ISO 8601), for packets that have one; now, without it.
    """
    date = date or now()
    try:
        return _edit_for(plan, options, date)
    except Refused as why:
        lens = without_time(plan.values)
        if len(lens) in (0, len(plan.values)):
            raise
        edit = _edit_for(replace(plan, values=lens), options, date)
        remark = "; ".join(filter(None, (edit.remark, f"its time is left as it is: {why}")))
        return replace(edit, remark=remark)


def _edit_for(plan: FilePlan, options: FillOptions, date: str) -> Edit:
    if plan.refusal is not None:
        raise Refused(plan.refusal)
    if plan.method == CopyMethod.COPY or not plan.values:
        return Edit(remark=_cut_short(plan))
    if plan.method == CopyMethod.EMBED:
        return _embedded(plan, options, date)
    old = source_text(plan)
    if plan.method == CopyMethod.AGREE:
        fresh = packets.agreed(old, plan.values, date=date, is_sidecar=True)
        if fresh is None:
            is_lost = bool(old.strip()) and not packets.is_readable(old)
            lost = f"the sidecar {plan.copy} can't be read and is left as it is"
            return Edit(remark=lost if is_lost else None)
        return Edit(text=fresh, values=plan.values)
    try:
        if not old:
            text = packets.new_packet(plan.values)
        else:
            text = packets.merged(old, plan.values, date=date)
    except packets.NotXmp as why:
        raise Refused(f"the sidecar {plan.copy} is left as it is: {why}") from None
    return Edit(text=text, values=plan.values, remark=plan.remark)


def _cut_short(plan: FilePlan) -> str | None:
    """That a picture lacks a part, as a card leaves it that broke off. Raises SourceError."""
    picture = plan.frame.source
    if picture is None or plan.frame.damage is not None or not plan.is_picture:
        return None
    try:
        with of_source(), picture:
            return CUT_SHORT if picture.is_cut_short else None
    except Damaged:
        return None  # Nothing is written into it.


def source_text(plan: FilePlan) -> bytes:
    """What the sidecar says that a plan starts from; empty without one. Raises SourceError."""
    if plan.source is None:
        return b""
    with of_source(), open_file(plan.source) as file:
        return file.read()


def _embedded(plan: FilePlan, options: FillOptions, date: str) -> Edit:
    picture = plan.frame.source
    assert picture is not None
    with of_source(), picture:
        remark = picture.remark
        try:
            splices = picture.edit(plan.values, add_packet=options.xmp, date=date)
        except packets.NotXmp as why:
            # The picture's own packet can't be changed, which is no reason to leave it unfilled.
            splices = picture.edit(plan.values)
            remark = f"its XMP packet is left alone: {why}"
        return Edit(splices, values=plan.values, remark=remark)
