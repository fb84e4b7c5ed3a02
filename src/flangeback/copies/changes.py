"""One frame's lens tags as ExifRead shows them, in the original and in the copy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from flangeback.copies.model import FrameCopy
from flangeback.tags.table import TIME_TAGS, Tag


@dataclass(frozen=True, slots=True)
class TagChange:
    """A tag of one frame as ExifRead shows it in the original and in the copy; "-" is absent."""

    name: str
    before: str
    after: str


def worth_showing(copies: Sequence[FrameCopy]) -> FrameCopy | None:
    """A filled frame that carries a doubt, else any filled one; None where none is."""
    done = [copy for copy in copies if copy.match.outcome.is_filled and copy.copy]
    return next((copy for copy in done if copy.match.doubts), done[0] if done else None)


_LENS_TAGS = tuple(tag.standard_name for tag in Tag if tag not in TIME_TAGS)


def tag_changes(
    before: Mapping[str, str], copy: Path, names: Sequence[str] = _LENS_TAGS
) -> tuple[TagChange, ...]:
    """Tags as they were before and as they are in a copy. Raises OSError."""
    after = lens_tags(copy)
    return tuple(TagChange(name, before.get(name, "-"), after.get(name, "-")) for name in names)


def lens_tags(path: Path) -> dict[str, str]:
    """A file's Exif tags, by their names. Raises OSError."""
    import exifread

    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    return {name.removeprefix("EXIF "): str(tag) for name, tag in tags.items()}
