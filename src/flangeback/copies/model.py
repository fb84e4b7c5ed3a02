"""What became of each frame's copy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from flangeback.copies.others import OtherFiles
from flangeback.match.model import FrameMatch, Matches


class Action(StrEnum):
    """What a run does about a copy."""

    MAKE = "made"
    CHANGE = "changed"
    TAKE_BACK = "taken back"
    KEEP = "kept"
    LEAVE = "left"


MADE = (Action.MAKE, Action.CHANGE, Action.TAKE_BACK)
"""Those by which a file is written."""


@dataclass(frozen=True, slots=True)
class FrameCopy:
    """One frame and its copy.

    `copy` is relative to the output folder, None where there is none; `copies` are all files made
    for it, sidecars included. `verified` says that they are proved; `failure` says what failed
    its proof, and in what: the frame is then copied as it is. `resumed` marks a copy that an
    earlier run had finished, `noted` has the files that stood there and got a line in the manifest.
    `action`
    says what was done, `keeps_attributes` whether the copy has the frame's mode, times and
    attributes.
    """

    match: FrameMatch
    copy: str | None
    copies: tuple[str, ...]
    verified: bool
    failure: str | None = None
    resumed: bool = False
    noted: tuple[str, ...] = ()
    action: Action = Action.MAKE
    keeps_attributes: bool = True

    @property
    def is_embedded(self) -> bool:
        """Whether the values are in the file that describes the frame, and no sidecar has them."""
        beside = {copy for copy in self.copies if copy.lower().endswith(".xmp")}
        frame = self.match.frame
        return not (beside if frame.format.is_raw else beside - set(frame.sidecars))


@dataclass(frozen=True, slots=True)
class FramePreview:
    """What a run would do about a frame's copy.

    `gains`, `changes` and `losses` are the names of the tags that would come, be different, and go.
    """

    match: FrameMatch
    action: Action
    gains: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    losses: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Filled:
    """All copies of a run, in the order of the frames' names.

    `matched` is what the frames came to before they were copied, `others` are the files beside
    them: copied, or staying behind.
    """

    copies: tuple[FrameCopy, ...]
    matched: Matches = field(default_factory=lambda: Matches(()), repr=False)
    others: OtherFiles = field(default_factory=OtherFiles)

    @property
    def matches(self) -> Matches:
        """What the frames came to in the end."""
        return replace(self.matched, frames=tuple(copy.match for copy in self.copies))

    @property
    def older(self) -> int:
        """How many copies have lens tags written that their Exif version doesn't know yet.

        LensSpecification and the lens's names are of version 2.3 (CIPA DC-008-2010).
        """
        return sum(
            copy.match.outcome.is_filled and "" < copy.match.frame.exif_version < "0230"
            for copy in self.copies
            if copy.is_embedded
        )

    @property
    def failed(self) -> tuple[FrameCopy, ...]:
        """Those that failed their proof."""
        return tuple(copy for copy in self.copies if copy.failure is not None)


class SourceNow(StrEnum):
    """What became of the file that a copy was made from."""

    SAME = "same"
    CHANGED = "changed"
    AWAY = "not at hand"
    NONE = "none"
    """A new sidecar was made from no file."""


@dataclass(frozen=True, slots=True)
class CheckedCopy:
    """A copy proved again; `failure` says why it isn't what it was.

    `is_touched` marks one that another program changed, in which the picture and the values written
    still stand.
    """

    copy: str
    failure: str | None = None
    source: SourceNow = SourceNow.AWAY
    is_touched: bool = False

    @property
    def source_at_hand(self) -> bool:
        """Whether what it was made from is there, changed or not."""
        return self.source != SourceNow.AWAY


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done about copies that are missing or changed.

    They were made again or left, for a reason, by the names of their sources; or noted as they
    stand there now, by their own.
    """

    made: tuple[str, ...]
    noted: tuple[str, ...]
    left: Mapping[str, str]

    @classmethod
    def of(cls, runs: Iterable[Filled]) -> Mended:
        """What became of the copies in runs that mended a folder."""
        runs = list(runs)
        copies = [copy for run in runs for copy in run.copies]
        made = [copy for copy in copies if copy.verified and copy.action in MADE]
        left = {one.match.frame.file: one.match.reason or "" for one in copies if one.copy is None}
        others = [run.others for run in runs]
        return cls(
            (
                *(one.match.frame.file for one in made),
                *(name for one in others for name in one.made),
            ),
            tuple(name for copy in copies for name in copy.noted),
            left | {name: why for one in others for name, why in one.left.items()},
        )


@dataclass(frozen=True, slots=True)
class Verified:
    """All copies of a manifest, proved again.

    `strangers` are files that aren't in it; `missing` counts the files that a run which didn't
    come to its end hadn't made yet; `faults` are signs that the manifest itself was cut or
    changed; `folders` are folders of copies with manifests of their own, which are passed over.
    `culled` are copies that were taken away together with their frames, which count no more;
    `mended` is what was done before, if it was asked for.
    """

    copies: tuple[CheckedCopy, ...]
    strangers: tuple[str, ...] = ()
    missing: int = 0
    faults: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()
    culled: tuple[str, ...] = ()
    mended: Mended | None = None

    @property
    def failed(self) -> tuple[CheckedCopy, ...]:
        """Those that aren't what they were."""
        return tuple(copy for copy in self.copies if copy.failure is not None)

    @property
    def needs_person(self) -> bool:
        """Whether anything else is amiss.

        Sources that changed, copies that another program changed or that are still to be made, a
        manifest that was cut or changed.
        """
        changed = any(one.source == SourceNow.CHANGED or one.is_touched for one in self.copies)
        return changed or self.missing > 0 or bool(self.faults)
