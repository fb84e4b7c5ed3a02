"""What becomes of raw files; a module of its own, so that the command line loads nothing else."""

from enum import StrEnum


class RawMode(StrEnum):
    """What becomes of raw files."""

    SIDECAR = "sidecar"
    """Copied byte for byte, the values in an XMP file beside it."""
    EMBED = "embed"
    """Written into the copy."""


class SidecarName(StrEnum):
    """How a new sidecar of NAME.EXT is named; one that is there keeps its name."""

    STEM = "stem"
    """NAME.xmp"""
    FULL = "full"
    """NAME.EXT.xmp"""
