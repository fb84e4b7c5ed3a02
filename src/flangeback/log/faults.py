"""The faults of a log, collected while it is read."""

from __future__ import annotations

from flangeback.errors import Problem
from flangeback.log.text import Place


class Refusal(Exception):
    """A word or entry can't mean what it says. Internal: becomes a Problem where it stands."""

    def __init__(
        self, text: str, expected: str | None = None, suggestion: str | None = None
    ) -> None:
        super().__init__(text)
        self.text = text
        self.expected = expected
        self.suggestion = suggestion


class Faults:
    """Every fault found so far in one log."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._found: list[Problem] = []

    def add(
        self, place: Place, text: str, expected: str | None = None, suggestion: str | None = None
    ) -> None:
        """Note a fault at this place."""
        self._found.append(
            Problem(
                self.file,
                text,
                place.line.number,
                place.column,
                place.width,
                place.line.source.rstrip(),
                expected,
                suggestion,
            )
        )

    def refuse(self, place: Place, refusal: Refusal) -> None:
        """Note a refusal at this place."""
        self.add(place, refusal.text, refusal.expected, refusal.suggestion)

    def in_order(self) -> tuple[Problem, ...]:
        """All of them, by line and column."""
        return tuple(sorted(self._found, key=lambda found: (found.line or 0, found.column or 0)))
