"""What becomes of raw files; a module of its own, so that the command line loads nothing else."""

from enum import StrEnum


class RawMode(StrEnum):
    """What becomes of raw files."""

    SIDECAR = "sidecar"
    """Copied byte for byte, the values in an XMP file beside it."""
    EMBED = "embed"
    """Written into the copy."""
