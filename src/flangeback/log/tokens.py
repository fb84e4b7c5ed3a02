"""The named rules for words of a log, and a reader that checks and reads them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flangeback.log.text import Line, Place

# A word ends at white space, a separator or a quote; a comma between digits is a decimal comma.
_END = r"(?=[.,;:]*(?:\s|$)|[;\"]|,(?!\d))"
_END_OR_DASH = r"(?=[.,;:]*(?:\s|$)|[;\"-]|,(?!\d))"
_NUMBER = r"\d{1,3}(?:[.,]\d{1,4})?"
_F = r"[fƒ]\s?[/:]?\s?"
_NAME = r"(?:(?!\.\.)[^\s,;\"])+"
_HALF = r"\s?[ap]\.?\s?m\b\.?"

# "3." or "3)" of a numbered list: only where an entry can begin after it.
_COUNT = (
    r"\d{1,2}[.)](?=\s+(?:\d{1,2}[:.h]\d{2}|(?:date|zone|clock|slack|slate|not-slate|first|then)\b"
    r"|[^\s,;\"]+\.{2,}))"
)

_PATTERNS = {
    "bullet": rf"\s*(?:(?:[-*•·‣◦▪▫●○■□◆➢➤→☐☑☒✓✔]|\[[ x]?\]|{_COUNT})\s*)+",
    "gap": r"(?:[\s,;]|[-.:]+(?=[\s,;]|$))+",
    "remark": r"\"([^\"]*)\"|'(.*?)'(?=[\s,;.]|$)",
    "quote": r"[\"']",
    "word": r"[^\s,;\"]+",
    "open": r"(?:wide[\s-]+)?open" + _END,
    "frames": rf"({_NAME})\s*\.{{2,}}\s*({_NAME})(?=[\s,;\"]|$)",
    "half frames": rf"(?:{_NAME}\s*)?\.{{2,}}(?:{_NAME})?",
    "focal length": r"(\d{1,4}(?:[.,]\d{1,2})?)\s?mm" + _END,
    "time": rf"(\d{{1,2}})([:.h])(\d{{2}})(?:\2(\d{{2}}))?({_HALF})?" + _END_OR_DASH,
    "to": r"\s*-\s*(?=\d{1,2}[:.h]\d{2})",
    "dash": r"-[^\s,;\"]*",
    "bare hour": rf"(\d{{1,2}})(?:\s?h|({_HALF}))" + _END,
    "one-digit minute": r"(\d{1,2})[:h](\d)" + _END,
    # 1:16 is a time, or an f-number as engraved on lens barrels; 1:16 pm is a time.
    "either": rf"1:([1-5]\d)(?!{_HALF})" + _END,
    "f-number": rf"(?:{_F}|1:\s?)({_NUMBER})(?:\s*-\s*(?:{_F}|1:\s?)?({_NUMBER}))?" + _END,
    "f-number not noted": rf"{_F}\?" + _END,
    # f0412 is the name of a frame; f/0412 is an f-number gone wrong.
    "f-number, misshapen": r"[fƒ](?:[/:]|\d(?!\d{3}))[^\s;\"]*",
    "T-stop": r"t\s?/?\s?(\d{1,2}(?:[.,]\d{1,2})?)" + _END,
    "digits of a time": r"([01]\d|2[0-3])([0-5]\d)" + _END,
    "number": r"(\d{1,2}(?:[.,]\d)?)" + _END,
    "date": r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})" + _END,
    "date, year last": r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})" + _END,
    "date, run together": r"(\d{4})(\d{2})(\d{2})" + _END,
    "amount": (
        r"(?=\d)(?:(\d{1,6})\s*h(?:(?:ou)?rs?)?(?![a-z])\.?)?\s*"
        r"(?:(\d{1,6})\s*m(?:in(?:ute)?s?)?(?![a-z])\.?)?\s*"
        r"(?:(\d{1,6})\s*s(?:ec(?:ond)?s?)?(?![a-z])\.?)?(?<=[a-z.])" + _END
    ),
    "zero": r"0" + _END,
    "amount, unclear": r"(\d{1,2}):(\d{2})" + _END,
    "offset": r"(?:utc)?([+-])(\d{1,2})(?::?(\d{2}))?" + _END,
}

RULES: dict[str, re.Pattern[str]] = {
    name: re.compile(pattern, re.IGNORECASE) for name, pattern in _PATTERNS.items()
}
"""What each kind of word looks like, in a cleaned line."""

_PUNCTUATION = ".:"
_COMMENT_OR_QUOTE = re.compile(r"(?:^|(?<=[\s,;]))#|\"|(?:^|(?<=[\s,;]))'")


@dataclass(frozen=True, slots=True)
class Token:
    """What a rule found, and where."""

    rule: str
    match: re.Match[str]
    place: Place

    @property
    def text(self) -> str:
        return self.place.text


class TokenReader:
    """Reads one line from left to right; a comment at its end is not seen."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self._text = line.text[: _comment_start(line.text)]
        self._position = 0
        if self.check("bullet"):
            self.read("bullet")
        self.skip_gap()
        self._start = self._position

    @property
    def at_end(self) -> bool:
        return self._position >= len(self._text)

    @property
    def content(self) -> Place:
        """The line without comment, bullets and surrounding space."""
        return Place(self.line, self._start, max(self._start, len(self._text.rstrip())))

    @property
    def rest(self) -> Place:
        """What has not been read yet."""
        return Place(self.line, self._position, self.content.end)

    def match(self, rule: str) -> re.Match[str] | None:
        """What the rule finds here, if it fits; reads nothing."""
        return RULES[rule].match(self._text, self._position)

    def check(self, rule: str) -> bool:
        """Whether the rule fits here; reads nothing."""
        return self.match(rule) is not None

    def try_read(self, *rules: str, gap: bool = True) -> Token | None:
        """Read what the first fitting rule finds, and the gap after it unless told not to."""
        for rule in rules:
            match = self.match(rule)
            if match is not None:
                token = Token(rule, match, Place(self.line, match.start(), match.end()))
                self._position = match.end()
                if gap:
                    self.skip_gap()
                return token
        return None

    def read(self, rule: str, *, gap: bool = True) -> Token:
        """Read what this rule finds; the caller has checked that it fits."""
        token = self.try_read(rule, gap=gap)
        assert token is not None
        return token

    def peek_word(self) -> Place | None:
        """The word that stands here, without punctuation after it; None where there is none."""
        match = self.match("word")
        if match is None:
            return None
        end = match.start() + len(match[0].rstrip(_PUNCTUATION))
        return Place(self.line, match.start(), max(end, match.start() + 1))

    def read_word(self) -> Place:
        """Read the word that stands here; the caller has made sure that there is one."""
        place = self.peek_word()
        assert place is not None
        self._position = place.end
        self.skip_gap()
        return place

    def skip_to_end(self) -> None:
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
        remark = RULES["remark"].match(text, mark.start())
        position = remark.end() if remark else mark.end()
    return len(text)
