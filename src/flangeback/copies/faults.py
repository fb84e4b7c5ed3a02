"""What can be wrong with one file; the message says what."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


class ProofError(Exception):
    """A copy isn't what it has to be."""


class SourceError(Exception):
    """What a copy is made from can't be read, or isn't any more what was matched."""


class TouchedError(Exception):
    """Another program changed what flangeback had written into a copy."""


@contextmanager
def of_source() -> Iterator[None]:
    """Says of the system's refusals that they are about the source."""
    try:
        yield
    except OSError as error:
        raise SourceError(f"can't be read: {error.strerror or error}") from None
