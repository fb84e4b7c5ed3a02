"""How the frames of one entry lie to those of another, as far as their words tell."""

from __future__ import annotations

import re

from flangeback.log.model import FrameGroup, FrameRange, GroupKind

Frames = FrameRange | FrameGroup


def covers(outer: Frames, inner: Frames | None) -> bool | None:
    """Whether all frames of `inner` lie in `outer`; None where the words don't tell.

    `inner` None is a stretch of time. A range of names covers nothing but itself: what lies in it
    is told by the frames alone.
    """
    if isinstance(outer, FrameRange) or inner == outer:
        return inner == outer
    if outer.kind is GroupKind.ALL:
        return True
    if inner is None:
        return None
    if isinstance(inner, FrameRange):
        first, last = (_holds(outer, end.name) for end in (inner.first, inner.last))
        is_certain = inner.first == inner.last or outer.kind is GroupKind.FOLDER
        return first if is_certain and first == last else None
    if inner.kind is GroupKind.ALL:
        return False
    if inner.kind is outer.kind is GroupKind.DAY:
        return False
    if inner.kind is outer.kind is GroupKind.FOLDER:
        return _holds(outer, f"{inner.name.name}/*")
    if inner.kind is GroupKind.PATTERN:
        # What its * stands for, a * of the other stands for as well. Else they may overlap.
        return _holds(outer, inner.name.name) or None
    return None


def _holds(group: FrameGroup, name: str) -> bool | None:
    """Whether a frame of this name lies in a group; None where its name doesn't tell."""
    folder, _, _ = name.casefold().rpartition("/")
    own = group.name.name.casefold()
    if group.kind is GroupKind.FOLDER:
        return f"/{own}/" in f"/{folder}/" if folder else None
    if group.kind is GroupKind.PATTERN and folder == own.rpartition("/")[0]:
        return re.fullmatch(".*".join(map(re.escape, own.split("*"))), name.casefold()) is not None
    return None
