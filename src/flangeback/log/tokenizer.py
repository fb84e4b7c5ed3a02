"""Reads a line of a log by the named rules of the vocabulary."""

from __future__ import annotations

import re
from typing import NamedTuple

from flangeback.log.text import Line, Place
from flangeback.log.vocabulary import pattern

_PUNCTUATION = ".:"
_COMMENT_OR_QUOTE = re.compile(r"(?:^|(?<=[\s,;]))#|\"|(?:^|(?<=[\s,;]))['(]")


class Token(NamedTuple):
    """What a rule found, and where."""

    rule: str
    match: re.Match[str]
    place: Place

    @property
    def text(self) -> str:
        """The words found, as cleaned."""
        return self.place.text

    def group(self, number: int) -> Place:
        """Where a group of the rule's pattern stands."""
        return Place(self.place.line, self.match.start(number), self.match.end(number))


class Tokenizer:
    """Reads one line from left to right; a comment at its end is not seen."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self._text = line.text[: _comment_start(line.text)]
        self._position = 0
        self.read("bullet")
        self.skip_gap()
        start = self._position
        self.content = Place(line, start, max(start, len(self._text.rstrip())))
        """The line without comment, bullets and surrounding space."""

    @property
    def at_end(self) -> bool:
        """Whether all has been read."""
        return self._position >= len(self._text)

    @property
    def rest(self) -> Place:
        """What has not been read yet."""
        return Place(self.line, self._position, self.content.end)

    def match(self, rule: str) -> re.Match[str] | None:
        """What the rule finds here, if it fits; reads nothing."""
        return pattern(rule).match(self._text, self._position)

    def read(self, *rules: str, gap: bool = True) -> Token | None:
        """Read what the first fitting rule finds, and the gap after it unless told not to."""
        for rule in rules:
            match = self.match(rule)
            if match is not None:
                self._position = match.end()
                if gap:
                    self.skip_gap()
                return Token(rule, match, Place(self.line, match.start(), match.end()))
        return None

    def peek_word(self, *, after: str | None = None) -> Place | None:
        """The word that stands here, or after what the rule finds here; None where there is none.

        Punctuation after it isn't part of it.
        """
        before = None if after is None else self.match(after)
        if after is not None and before is None:
            return None
        match = pattern("word").match(self._text, before.end() if before else self._position)
        if match is None:
            return None
        end = match.start() + len(match[0].rstrip(_PUNCTUATION))
        return Place(self.line, match.start(), max(end, match.start() + 1))

    def read_word(self) -> Place:
        """Read the word that stands here, or else the rest of the line."""
        place = self.peek_word() or self.rest
        self._position = place.end
        self.skip_gap()
        return place

    def read_name(self) -> Place:
        """Read the word that stands here, or what stands in double quotes."""
        token = self.read("quoted name")
        return self.read_word() if token is None else token.group(1)

    def skip_to_end(self) -> None:
        """Leave the rest of the line unread."""
        self._position = len(self._text)

    def skip_gap(self) -> None:
        """Step over white space, separators and stray punctuation."""
        match = self.match("gap")
        if match is not None:
            self._position = match.end()


def _comment_start(text: str) -> int:
    """Where a comment begins: at a # that is not inside a quoted remark; else the line's end."""
    position = 0
    while (mark := _COMMENT_OR_QUOTE.search(text, position)) is not None:
        if mark[0] == "#":
            return mark.start()
        remark = pattern("remark").match(text, mark.start())
        position = remark.end() if remark else mark.end()
    return len(text)
