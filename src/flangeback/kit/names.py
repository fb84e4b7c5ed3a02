"""A lens's name as Exif and people write it."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from flangeback.kit.model import Lens

LONGEST = 512
"""Letters of a name that are written."""


def seven_bit(text: str) -> str:
    """A text in Exif's 7-bit letters, transliterated (CIPA DC-008, 4.6.2), LONGEST at most."""
    if not text.isascii():
        from anyascii import anyascii

        text = anyascii(text)
    return text[:LONGEST]


def folded(name: str) -> str:
    """A name without what people write this way or that: its case and its spaces."""
    return "".join(name.split()).casefold()


def same_lens(lens: Lens, name: str | None, specification: Sequence[Fraction | None]) -> bool:
    """Whether a frame's LensModel, or without one its LensSpecification, is this lens's.

    The names that the kit has it `known_as` are its own too.
    """
    if name is None:
        return tuple(specification) == tuple(map(Fraction, (*lens.focal, *lens.widest)))
    names = (lens.name, f"{lens.maker} {lens.name}", seven_bit(lens.name), *lens.known_as)
    return folded(name) in map(folded, names)
