"""What goes wrong, told so that a photographer can mend it.

Every fault of the input is a [Problem]: it names the file, the line and column (or the table
and field, or the frame), says what was expected and, where one is near, what was probably meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in what the user gave.

    `line` and `column` count from 1; `width` is the number of characters under the caret.
    `source` is the faulty line as it stands in the file; `expected` and `suggestion` complete
    the sentence "expected ...; did you mean ...?".
    """

    file: str
    text: str
    line: int | None = None
    column: int | None = None
    width: int = 1
    source: str | None = None
    expected: str | None = None
    suggestion: str | None = None

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part)
        rows = [f"{place}: {self.text}" if place else self.text]
        if self.source is not None:
            rows.append(f"    {self.source}")
            if self.column is not None:
                rows.append("    " + self._caret())
        advice = self._advice()
        if advice:
            rows.append(f"    {advice}")
        return "\n".join(rows)

    def _caret(self) -> str:
        """The marker under the fault; tabs of the line are kept so that it stands right."""
        assert self.source is not None
        assert self.column is not None
        lead = "".join("\t" if ch == "\t" else " " for ch in self.source[: self.column - 1])
        return lead + "^" * max(1, self.width)

    def _advice(self) -> str:
        parts = []
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.suggestion:
            parts.append(f'did you mean "{self.suggestion}"?')
        return "; ".join(parts)


class InputError(Exception):
    """The input is wrong or the run could not go on: exit 2. Holds every problem found."""

    def __init__(self, problems: str | Problem | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = Problem(file="", text=problems)
        if isinstance(problems, Problem):
            problems = (problems,)
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name most like `word`, or None when none is near."""
    import difflib

    by_folded: dict[str, str] = {name.casefold(): name for name in known}
    # In a word of two letters, one that differs is half of it.
    cutoff = 0.6 if len(word) > 2 else 0.5
    found: Sequence[str] = difflib.get_close_matches(word.casefold(), list(by_folded), 1, cutoff)
    return by_folded[found[0]] if found else None
