"""One frame's lens tags as ExifRead shows them, in the original and in the copy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from flangeback.copies.before import KNOWN_BEFORE
from flangeback.copies.model import FrameCopy
from flangeback.tags.table import TAGS, TIME_TAGS


@dataclass(frozen=True, slots=True)
class TagChange:
    """A tag of one frame as ExifRead shows it in the original and in the copy; "-" is absent."""

    name: str
    before: str
    after: str


def changes_of(copy: Path, before: Mapping[str, str]) -> tuple[TagChange, ...]:
    """Lens tags of a copy, with what its manifest says of them before. Raises OSError."""
    new = _lens_tags(copy)
    return tuple(TagChange(tag, before.get(tag, "-"), new.get(tag, "-")) for tag in KNOWN_BEFORE)


def worth_showing(copies: Sequence[FrameCopy]) -> FrameCopy | None:
    """A filled frame that carries a doubt, else any filled one; None where none is."""
    done = [copy for copy in copies if copy.match.outcome.is_filled and copy.copy]
    return next((copy for copy in done if copy.match.doubts), done[0] if done else None)


def tag_changes(frame: Path, copy: Path) -> tuple[TagChange, ...]:
    """The lens tags of a frame and of its copy. Raises OSError where either can't be read."""
    old, new = _lens_tags(frame), _lens_tags(copy)
    return tuple(
        TagChange(kind.name, old.get(kind.name, "-"), new.get(kind.name, "-"))
        for tag, kind in TAGS.items()
        if tag not in TIME_TAGS
    )


def _lens_tags(path: Path) -> dict[str, str]:
    import exifread

    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    return {name.removeprefix("EXIF "): str(tag) for name, tag in tags.items()}
