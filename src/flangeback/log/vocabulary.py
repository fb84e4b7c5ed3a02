"""The words of a session log: what opens a line, what each word looks like, what is expected."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

LINE_WORDS = ("date", "zone", "clock", "slack", "slate", "not-slate", "overnight")
"""Words that open a line which is no entry."""
ORDER_WORDS = ("first", "then")
"""Words that place an entry in the order of slate frames."""
KEYWORDS = (*LINE_WORDS, *ORDER_WORDS, "all")
"""No key of a kit may be one of these."""
A_LENS, A_STOP = "LENS", "f/STOP"
"""The blanks of a draft."""
PLAIN_WORDS = ("open", "off", "via")
WORDS_FOR_TIMES = {"noon": "12:00", "midnight": "00:00"}
"""Words that are taken for times by people."""
CLOCK_WORDS = ("fast", "slow", "right")

A_TIME = "a time such as 9:12, 09.12, 9h12, 09:12:30 or 9:12 pm"
AN_AMOUNT = "an amount of time such as 45s, 3m20s or 1h30m"
A_DATE = "year, month and day, such as 2026-05-17"
A_ZONE = "a time zone such as Europe/Stockholm, +02:00 or UTC"
A_CLOCK = (
    "clock BODY fast 3m20s, clock BODY slow 3m20s, clock BODY right "
    "or clock BODY FRAME shows 09:14:05"
)
A_SLATE = "names of single frames, such as K7_0245"
A_FRAME = "the name of one frame, such as N2_0412"
A_FRAME_RANGE = "two frame names, such as K7_0212..K7_0230"
A_PLACE = (
    "a time, frame names, a folder such as day1/, all, or first or then for the order of slate "
    "frames"
)
A_KNOWN_WORD = "a key of the kit, or another word that an entry may have"
OTHER_WORDS = (
    "an f-number, a focal length in mm, open, off, a time, frame names or a remark in quotes"
)

MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july", "august", "september"),
    *("october", "november", "december"),
)
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _or_short(names: Iterable[str]) -> str:
    """A pattern for these names, whole or cut anywhere from the third letter on."""
    return "|".join(
        name[:3] + "".join(f"(?:{letter}" for letter in name[3:]) + ")?" * len(name[3:])
        for name in names
    )


_DAY, _YEAR = r"(?P<day>\d{1,2})", r"(?P<year>\d{4})"
_MONTH = rf"(?P<name>(?:{_or_short(MONTHS)})\b\.?)"

# A word ends at white space, a separator or a quote; a comma between digits is a decimal comma.
_END = r"(?=[.,;:]*(?:\s|$)|[;\"(]|,(?!\d))"
_END_OR_DASH = r"(?=[.,;:]*(?:\s|$)|[;\"(-]|,(?!\d))"
_NUMBER = r"\d{1,3}(?:[.,]\d{1,4})?"
_F = r"[fƒ]\s?[/:]?\s?"
_NAME = r"(?:(?!\.\.)[^\s,;\"])+"
_QUOTED = r"\"(?=\s*[^\s\"])([^\"]*)\""
_HALF = r"\s?[ap]\.?\s?m\b\.?"
_HOUR, _MINUTE, _MAY_BE_HALF = r"(?P<hour>\d{1,2})", r"(?P<minute>\d{2})", rf"(?P<half>{_HALF})?"

# "3." or "3)" of a numbered list: only where an entry can begin after it.
_COUNT = (
    rf"\d{{1,2}}[.)](?=\s+(?:\d{{1,2}}[:.h]\d{{2}}|(?:{'|'.join(KEYWORDS)})\b"
    r"|[^\s,;\"]+\.{2,}))"
)

_PATTERNS = {
    "bullet": rf"\s*(?:(?:\*(?=\s|$)|[-•·‣◦▪▫●○■□◆➢➤→☐☑☒✓✔]|\[[ x]?\]|{_COUNT})\s*)+",
    "gap": r"(?:[\s,;]|[-.:]+(?=[\s,;]|$))+",
    "remark": r"\"([^\"]*)\"|'(.*?)'(?=[\s,;.]|$)|\(([^()]*)\)",
    "quote": r"[\"'(]",
    "quoted name": _QUOTED,
    "quoted frames": rf"{_QUOTED}\s*\.{{2,}}\s*{_QUOTED}(?=[\s,;]|$)",
    "pattern": r"(?=[^\s,;\"]*[^\s,;\"*.])[^\s,;\"*]*\*[^\s,;\"]*",
    "folder": r"(?=[^\s,;\"]*\w)[^\s,;\"]*[/\\](?=[.,;:]*(?:\s|$))",
    "word": r"[^\s,;\"]+",
    "article": r"the\s+",
    "open": r"(?:wide[\s-]+)?open" + _END,
    "frames": rf"({_NAME})\s*\.{{2,}}\s*({_NAME})(?=[\s,;\"]|$)",
    "half frames": rf"(?:{_NAME}\s*)?\.{{2,}}(?:{_NAME})?",
    "focal length": r"(\d{1,4}(?:[.,]\d{1,2})?)\s?mm" + _END,
    "time": rf"{_HOUR}([:.h]){_MINUTE}(?:\2(?P<second>\d{{2}}))?{_MAY_BE_HALF}" + _END_OR_DASH,
    "to": r"\s*-\s*(?=\d{1,2}[:.h]\d{2})",
    "dash": r"-[^\s,;\"]*",
    "bare hour": rf"{_HOUR}(?:\s?h|(?P<half>{_HALF}))" + _END,
    "one-digit minute": r"(\d{1,2})[:h](\d)" + _END,
    # 1:16 is a time, or an f-number as engraved on lens barrels; 1:16 pm is a time.
    "either": rf"1:(?P<minute>[1-5]\d)(?!{_HALF})" + _END,
    "f-number": rf"(?:{_F}|1:\s?)({_NUMBER})(?:\s*-\s*(?:{_F}|1:\s?)?({_NUMBER}))?" + _END,
    "f-number not noted": rf"(?:{_F})?\?" + _END,
    # f0412 is the name of a frame; f/0412 is an f-number gone wrong.
    "f-number, misshapen": r"[fƒ](?:[/:]|\d(?!\d{3}))[^\s;\"]*",
    "T-stop": r"t\s?/?\s?(\d{1,2}(?:[.,]\d{1,2})?)" + _END,
    "digits of a time": r"(?P<hour>[01]\d|2[0-3])(?P<minute>[0-5]\d)" + _END,
    "number": r"(\d{1,2}(?:[.,]\d)?)" + _END,
    "decimal": r"(\d{1,2}[.,]\d{1,2})" + _END,
    "date": rf"{_YEAR}([-/.])(?P<month>\d{{1,2}})\2{_DAY}" + _END,
    "date, year last": r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})" + _END,
    "date, run together": rf"{_YEAR}(?P<month>\d{{2}})(?P<day>\d{{2}})" + _END,
    "date, month named": rf"{_DAY}(?:st|nd|rd|th|\.)?\s+{_MONTH}(?:,?\s+{_YEAR})?" + _END,
    "date, month first": rf"{_MONTH}\s+{_DAY}(?:st|nd|rd|th)?(?:,?\s+{_YEAR})?" + _END,
    "weekday": rf"({_or_short(WEEKDAYS)})\b" + _END,
    "amount": (
        r"(?=\d)(?:(?P<days>\d{1,5})\s*d(?:ays?)?(?![a-z])\.?)?\s*"
        r"(?:(?P<hours>\d{1,6})\s*h(?:(?:ou)?rs?)?(?![a-z])\.?)?\s*"
        r"(?:(?P<minutes>\d{1,6})\s*m(?:in(?:ute)?s?)?(?![a-z])\.?)?\s*"
        r"(?:(?P<seconds>\d{1,6})\s*s(?:ec(?:ond)?s?)?(?![a-z])\.?)?(?<=[a-z.])" + _END
    ),
    "zero": r"0" + _END,
    "amount, last unit left out": (
        r"(\d{1,3})\s*([hm])[a-z]*\.?\s*(\d{1,2})(?!\s*(?:[hms]\b|hr|hour|min|sec))" + _END
    ),
    "amount, unclear": r"(\d{1,2})[:.](\d{2})" + _END,
    "offset": r"(?:utc)?([+-])(\d{1,2})(?::?(\d{2}))?" + _END,
}


@cache
def pattern(name: str) -> re.Pattern[str]:
    """What this kind of word looks like, in a cleaned line; most logs need only some."""
    return re.compile(_PATTERNS[name], re.IGNORECASE)
