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
        return self.told()

    def told(self, width: int | None = None) -> str:
        """The problem in words; in so many columns, if they are given."""
        column = self.column if self.line else None
        place = ":".join(str(part) for part in (self.file, self.line, column) if part)
        rows = [_fitted(f"{place}: {self.text}" if place else self.text, width)]
        if self.source is not None:
            rows.extend(f"    {row}" for row in self._marked(self.source, width))
        advice = [f"expected {self.expected}"] if self.expected else []
        advice += [f'did you mean "{self.suggestion}"?'] if self.suggestion else []
        if advice:
            rows.append(_fitted(f"    {'; '.join(advice)}", width))
        return "\n".join(rows)

    def _marked(self, source: str, width: int | None) -> Sequence[str]:
        """The line, cut to the width with the fault in it, and the marker under the fault."""
        if self.column is None:
            return (source,)
        at = self.column - 1
        # Some of what stands before the fault is kept, to find it by.
        start = 0 if width is None or len(source) <= width - 4 else max(0, at - width // 3)
        shown = source[start:] if width is None else source[start : start + width - 4]
        # Tabs of the line are kept so that the marker stands right.
        lead = "".join("\t" if ch == "\t" else " " for ch in source[start:at])
        return shown, lead + "^" * min(max(1, self.width), max(1, len(shown) - len(lead)))


def _fitted(text: str, width: int | None) -> str:
    """The text in lines of that width, each indented as the first is."""
    if width is None or len(text) <= width:
        return text
    import textwrap

    indent = text[: len(text) - len(text.lstrip())]
    return textwrap.fill(text, width, subsequent_indent=indent, break_on_hyphens=False)


class InputError(Exception):
    """The input is wrong or the run could not go on: exit 2. Holds every problem found."""

    def __init__(self, problems: str | Problem | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = Problem(file="", text=problems)
        if isinstance(problems, Problem):
            problems = (problems,)
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    @classmethod
    def at(
        cls, file: object, text: str, expected: str | None = None, suggestion: str | None = None
    ) -> InputError:
        """One fault of this file, or of what was given as this."""
        return cls(Problem(str(file), text, expected=expected, suggestion=suggestion))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name most like `word`, or None when none is near."""
    return next(iter(near_names(word, known, 1)), None)


def near_names(word: str, known: Iterable[str], most: int = 100) -> Sequence[str]:
    """The known names like `word`, the likest first."""
    import difflib

    by_folded = {name.casefold(): name for name in known}
    # In a word of two letters, one that differs is half of it.
    cutoff = 0.6 if len(word) > 2 else 0.5
    near = difflib.get_close_matches(word.casefold(), by_folded, most, cutoff)
    return [by_folded[each] for each in near]
