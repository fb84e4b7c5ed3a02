"""What became of each frame's copy."""

from __future__ import annotations

from dataclasses import dataclass

from flangeback.match.model import FrameMatch, Matches


@dataclass(frozen=True, slots=True)
class FrameCopy:
    """One frame and its copy.

    `copy` is relative to the output folder, None when it failed its proof and was removed;
    `copies` are all files made for it, sidecars included; `failure` says what failed its proof,
    and in what. `resumed` marks a copy that an earlier run had finished.
    """

    match: FrameMatch
    copy: str | None
    copies: tuple[str, ...]
    verified: bool
    failure: str | None = None
    resumed: bool = False


@dataclass(frozen=True, slots=True)
class Filled:
    """All copies of a run, in the order of the frames' names."""

    copies: tuple[FrameCopy, ...]

    @property
    def matches(self) -> Matches:
        """What the frames came to in the end."""
        return Matches(tuple(copy.match for copy in self.copies))

    @property
    def failed(self) -> tuple[FrameCopy, ...]:
        return tuple(copy for copy in self.copies if copy.failure is not None)


@dataclass(frozen=True, slots=True)
class CheckedCopy:
    """A copy proved again. `failure` says why it isn't what it was; `source_at_hand` whether the
    frame it was made from was there to compare with."""

    copy: str
    failure: str | None = None
    source_at_hand: bool = True


@dataclass(frozen=True, slots=True)
class Verified:
    """All copies of a manifest, proved again; `strangers` are files that aren't in it."""

    copies: tuple[CheckedCopy, ...]
    strangers: tuple[str, ...] = ()

    @property
    def failed(self) -> tuple[CheckedCopy, ...]:
        return tuple(copy for copy in self.copies if copy.failure is not None)
