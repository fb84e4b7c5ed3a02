"""What is wrong with a kit file that isn't TOML, in a photographer's words."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from flangeback.errors import Problem

_CURLY = "“”„‟«»‘’‚‛"
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_TWO = re.compile(
    rf"(?:f/?|1:)?\s*{_NUMBER}\s*(?:mm)?\s*(?:[-–x×]|,\s)\s*(?:f/?)?{_NUMBER}\s*(?:mm)?", re.I
)
_ONE = re.compile(rf"(?:f/?|1:)?\s*{_NUMBER}\s*(?:mm)?", re.I)
_FIELD = re.compile(r"\s*(\w+)\s*([:=]?)\s*(.*?)\s*")
_HEADER = re.compile(r"\s*\[*\s*(body|lens|adapter)[\s.]+([^\]]*?)[\s\]]*", re.I)
_MOST_MENDED = 100
"""Lines; the text is read anew after each."""
_SWITCHES = {"yes": "true", "no": "false", "true": "true", "false": "false"}
_TEXTS = ("model", "serial", "mount", "maker", "name", "lens_mount", "body_mount", "kind")
_Found = tuple[str, int, int, str | None]
"""What is wrong, the column, how many characters are, and how the line should read."""


def load(text: str, file: str) -> tuple[dict[str, Any], str, list[Problem]]:
    """What the text holds, the text as TOML, and what was wrong with it as that.

    Faulty lines are read as they should be, so that what else is wrong comes in the same go; a
    text that can't be mended holds nothing. Raises ValueError or RecursionError for what is too
    big for TOML's reader.
    """
    lines = text.splitlines()
    problems: list[Problem] = []
    while True:
        try:
            mended = "\n".join(lines)
            return tomllib.loads(mended, parse_float=Decimal), mended, problems
        except tomllib.TOMLDecodeError as error:
            line, problem, better = _problem(str(error), lines, file)
        problems.append(problem)
        if better is None or len(problems) == _MOST_MENDED:
            return {}, text, problems
        lines[line - 1] = better


def _problem(message: str, lines: Sequence[str], file: str) -> tuple[int, Problem, str | None]:
    """The line and the fault that tomllib's message is about, and how the line should read."""
    told, _, place = message.partition(" (at ")
    numbers = [int(digits) for digits in re.findall(r"\d+", place)]
    line, column = numbers if len(numbers) == 2 else (len(lines), 1)
    # What isn't closed is told at the line that follows it.
    while line > 1 and (line > len(lines) or not lines[line - 1].strip()):
        line, column = line - 1, 1
    source = lines[line - 1] if lines else ""
    words, at, width, mended = _fault(told, source, min(column, len(source) + 1))
    expected = None if mended is None else f"the line to read {mended}"
    return line, Problem(file, words, line, at, width, source, expected), mended


def _fault(told: str, source: str, column: int) -> _Found:
    # Up to a # that stands outside of quotation marks.
    content = re.sub(r"""^((?:[^#"]|"[^"]*")*)#.*$""", r"\1", source).rstrip()
    curly = next((n for n, letter in enumerate(content, 1) if letter in _CURLY), None)
    if curly is not None:
        text = f"{source[curly - 1]} is a curly quotation mark; a kit has straight ones"
        return text, curly, 1, _mended(content)
    if "twice" in told or "overwrite" in told:
        what = content if content.lstrip().startswith("[") else content.split("=")[0]
        return f"{what.strip()} stands here for the second time", 1, len(content), None
    header = _HEADER.fullmatch(content)
    if header is not None and "[" in content[:3]:
        key = re.sub(r"[^\w-]+", "-", header[2]).strip("-") or "KEY"
        text = "a table's name stands in square brackets, with a key of one word"
        return text, 1, len(content), f"[{header[1].lower()}.{key}]"
    return _in_field(content) or (f"isn't TOML: {told}", column, 1, None)


def _in_field(content: str) -> _Found | None:
    field = _FIELD.fullmatch(content)
    if field is None:
        return None
    name, sign, value = field.groups()
    mended = _mended(content)
    if sign != "=":
        return f"there is no = behind {name}", len(name) + 1, 1, mended
    at = content.rfind(value) + 1
    if not value:
        return f"nothing stands behind {name} =", at, 1, None
    if value[0] in "\"'":
        odd = value.count(value[0]) % 2
        text = "a quotation mark is missing" if odd else "there are quotation marks in the text"
        return text, at, len(value), mended
    if value[0] == "[":
        return "the list isn't closed, or its numbers aren't", at, len(value), mended
    kinds = {'"': "text stands in quotation marks", "t": "it is true or false", "f": ""}
    kind = kinds.get(_value(name, value)[0], "figures stand alone, with a point") or kinds["t"]
    return kind, at, len(value), mended


def _mended(content: str) -> str | None:
    field = _FIELD.fullmatch(content)
    return None if field is None or not field[3] else f"{field[1]} = {_value(field[1], field[3])}"


def _value(name: str, written: str) -> str:
    """A value in TOML 1.0: figures without their units, a list of two, else text in quotes."""
    bare = "".join("" if letter in f"{_CURLY}\"'" else letter for letter in written).strip()
    inside = bare.strip("[] ")
    if name not in _TEXTS and (two := _TWO.fullmatch(inside)):
        return f"[{_point(two[1])}, {_point(two[2])}]"
    if name not in _TEXTS and (one := _ONE.fullmatch(inside)):
        return _point(one[1])
    return _SWITCHES.get(bare.casefold(), f'"{bare}"')


def _point(figure: str) -> str:
    return figure.replace(",", ".").lstrip("0") or "0"
