"""What is said of words in an entry that aren't understood, or aren't taken."""

from __future__ import annotations

import re
from collections.abc import Sequence

from flangeback.errors import nearest
from flangeback.log import values
from flangeback.log.gear import Gear
from flangeback.log.text import Fault, Place
from flangeback.log.tokenizer import Token
from flangeback.log.vocabulary import (
    A_LENS,
    A_STOP,
    A_TIME,
    KEYWORDS,
    OTHER_WORDS,
    PLAIN_WORDS,
    WORDS_FOR_TIMES,
    pattern,
)
from flangeback.words import listed, some_of

_MOST_KEYS = 12
"""So many keys of a kit still make a list that is read."""


def suggestion(word: str, gear: Gear, *, is_first: bool) -> str | None:
    """What a word was probably meant to be; `is_first` says that it opens its line."""
    if is_first and (digits := re.fullmatch(r"(\d)([0-5]\d)", word)):
        return f"{digits[1]}:{digits[2]}"
    if is_first and word.casefold() in WORDS_FOR_TIMES:
        return WORDS_FOR_TIMES[word.casefold()]
    if (figure := pattern("number").fullmatch(word)) is not None:
        is_length = figure[1].isdigit() and not values.is_marked(figure[1])
        return None if is_length else f"f/{figure[1]}"
    return gear.near(word) or nearest(word, (*PLAIN_WORDS, *(KEYWORDS * is_first)))


def not_understood(place: Place, gear: Gear, *, is_line: bool) -> Fault:
    """The fault of words that are like nothing known; they may be a whole line."""
    keys, lenses = list(gear.kit.keys()), list(gear.kit.lenses)
    if place.text == A_LENS:
        text = f"{A_LENS} is a blank, to be filled in"
        return place.fault(text, f"a lens of the kit: {some_of(lenses, _MOST_KEYS)}")
    named = "a body, lens or adapter of the kit"
    if 0 < len(keys) <= _MOST_KEYS:
        named = f"one of the kit's {', '.join(keys)}"
    elif 0 < len(lenses) <= _MOST_KEYS:
        named = f"a body or adapter of the kit or one of its lenses ({', '.join(lenses)})"
    remark = "# before a line that is a remark, or an entry: " if is_line else ""
    return place.fault(f'"{place.text}" isn\'t understood', f"{remark}{named}, {OTHER_WORDS}")


def ambiguous(place: Place, keys: list[str]) -> Fault:
    """The fault of a part that more than one name of the kit has."""
    can_be = listed(keys, "or") if len(keys) < _MOST_KEYS else some_of(keys, _MOST_KEYS)
    return place.fault(f'"{place.text}" can be {can_be}', "a part of the name that only one has")


def times_or_f_numbers(tokens: Sequence[Token]) -> Fault:
    """The fault of words such as 1:16 and 1:22, of which none is a time for certain."""
    first, second = tokens[0].text, tokens[1].text
    text = f"{first} and {second} can each be a time or an f-number"
    time_first = f"0{first} for the time and f/{second[2:]} for the f-number"
    expected = f"{time_first}, or 0{second} and f/{first[2:]}"
    return tokens[0].place.to(tokens[-1].place).fault(text, expected)


def refused(token: Token) -> Fault:
    """Why a token whose shape is known isn't taken."""
    place = token.place
    if token.rule == "bare hour":
        return values.whole_hour(token)
    if token.rule == "one-digit minute":
        hour, minute = token.match.groups()
        return place.fault("minutes take two digits", A_TIME, f"{hour}:0{minute}")
    if token.rule == "T-stop":
        expected = "the f-number engraved on the lens, or f/?"
        return place.fault("a T-stop is not an f-number", expected)
    expected = "an f-number such as f/2.8 or f/4-5.6, open or f/?"
    if token.text == A_STOP:
        return place.fault(f"{A_STOP} is a blank, to be filled in", expected)
    return place.fault(f"{token.text} isn't an f-number", expected)
