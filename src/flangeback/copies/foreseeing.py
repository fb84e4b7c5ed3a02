"""What frames come to once their files are asked, before any copy is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from flangeback.match.model import FrameMatch, Matches

if TYPE_CHECKING:
    from flangeback.copies.model import FramePreview


def foreseen(
    matches: Matches, frames: Path, planned: Sequence[FramePreview] | None = None
) -> Matches:
    """What frames come to once `fill` has asked their files for room.

    Without a preview those are asked that may refuse: by their structure, for a sidecar, or for
    another lens.
    """
    if planned is not None:
        return replace(matches, frames=tuple(one.match for one in planned))
    if not any(map(_may_refuse, matches.frames)):
        return matches
    from flangeback.copies.run import asked

    found = (asked(one, frames) if _may_refuse(one) else one for one in matches.frames)
    return replace(matches, frames=tuple(found))


def _may_refuse(match: FrameMatch) -> bool:
    files = match.frame.files
    may_refuse = any(file.may_refuse or file.sidecars for file in files) or match.replaces_lens
    return match.outcome.is_filled and may_refuse
