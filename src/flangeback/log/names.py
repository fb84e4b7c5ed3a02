"""Names of frames, as a log writes them."""

from __future__ import annotations

import re

from flangeback.log.model import FrameGroup, FrameName, FrameRange, GroupKind
from flangeback.log.text import Place
from flangeback.log.tokenizer import Token
from flangeback.log.vocabulary import A_FRAME_RANGE, A_TIME, pattern

_SUFFIX = re.compile(r"(?:\.(?=\w*[a-z])\w{2,4})+$", re.IGNORECASE | re.ASCII)
_LAST_NUMBER = re.compile(r"(.*?)(\d{1,18})(\D*)", re.DOTALL)
_A_NAME = re.compile(r"\w[^#:?*<>|\"']*")
_MEANT_AS_TIME = re.compile(
    r"(\d{4}-\d\d?-\d\d?)?t?(\d\d?:\d\d(?::\d\d)?)(?:\.\d+)?(?:h|z|[+-]\d\d:?\d\d)?", re.IGNORECASE
)
_COUNTER_TOP = 9999
"""DCF counts frames from 0001 to 9999 and begins anew (CIPA DC-009)."""


def frame_stem(written: str) -> str:
    """A frame's name without its suffix and without slashes around its folder."""
    return _SUFFIX.sub("", written.replace("\\", "/").strip("/").rstrip(".:"))


def is_any_name(written: str, *, quoted: bool = False) -> bool:
    """Whether a frame can have this name; in quotes, nearly any will do."""
    stem = frame_stem(written)
    return bool(stem) if quoted else _A_NAME.fullmatch(stem) is not None


def is_frame_name(written: str, *, quoted: bool = False) -> bool:
    """Whether a word can be a frame's name at all: its last part must hold a number."""
    stem = frame_stem(written).rpartition("/")[2]
    return is_any_name(written, quoted=quoted) and _LAST_NUMBER.fullmatch(stem) is not None


def has_letter(name: str) -> bool:
    """Whether a letter or underscore is in a name: a number alone is no name."""
    return re.search(r"[^\W\d]", name) is not None


def names_one_frame(written: str) -> bool:
    """Whether a lone word is a frame's name.

    It has digits at its end, four or more of them (as DCF names have) or a folder before it, and a
    letter or underscore somewhere: 1/250 is none.
    """
    name = frame_stem(written)
    if not _A_NAME.fullmatch(name) or not has_letter(name):
        return False
    return re.search(r"/.*\d$" if "/" in name else r"\d{4}$", name) is not None


def frames_called(place: Place, kind: GroupKind | None = None) -> FrameRange | FrameGroup:
    """The frame, or the group of frames, that is named here.

    The name tells of what kind a group is, unless that is given: `day1/` is a folder, `K7_02*` a
    pattern. Raises Fault for what no frame can be called.
    """
    written = place.text.strip()
    if kind is None and "*" in written:
        kind = GroupKind.PATTERN
    elif kind is None and written.endswith(("/", "\\")):
        kind = GroupKind.FOLDER
    stem = frame_stem(written)
    is_lenient = place.is_quoted or kind is GroupKind.PATTERN
    if not is_any_name(written, quoted=is_lenient):
        if time := _MEANT_AS_TIME.fullmatch(written):
            expected = f"date {time[1]} on a line above it, and {A_TIME}" if time[1] else A_TIME
            raise place.fault(f"{written} isn't how a time is written", expected, time[2])
        raise place.fault(f'"{written}" isn\'t a frame name', A_FRAME_RANGE)
    name = stem if kind is None else written.replace("\\", "/").strip("/")
    frame = FrameName.at(place, name)
    return FrameRange(frame, frame) if kind is None else FrameGroup(kind, frame)


def check_one_frame(place: Place) -> None:
    """Raises Fault for K7_0212-K7_0230, which would pass for the name of one frame."""
    for dash in re.finditer("-", place.text):
        first, last = place.text[: dash.start()], place.text[dash.end() :]
        if names_one_frame(first) and names_one_frame(last):
            text = "frame names are joined with two dots"
            raise place.fault(text, A_FRAME_RANGE, f"{first}..{last}")


def frame_pair(token: Token) -> FrameRange:
    """The range between two names, the folder carried over. Raises Fault."""
    first, last = token.match.groups()
    if pattern("time").fullmatch(first) and pattern("time").fullmatch(last):
        text = "two dots join frame names, not times"
        raise token.place.fault(text, "a dash between a start and an end", f"{first}-{last}")
    for written in (first, last):
        if not is_frame_name(written, quoted=token.rule == "quoted frames"):
            raise token.place.fault(f'"{written}" isn\'t a frame name', A_FRAME_RANGE)
    start, end = frame_stem(first), frame_stem(last)
    start_folder, _, start_name = start.rpartition("/")
    end_folder, _, end_name = end.rpartition("/")
    if start_folder and not end_folder:
        end, end_folder = f"{start_folder}/{end_name}", start_folder
    _check_count(token.place, start_name, end_name, is_one_folder=start_folder == end_folder)
    return FrameRange(FrameName.at(token.group(1), start), FrameName.at(token.group(2), end))


def _check_count(place: Place, start: str, end: str, *, is_one_folder: bool) -> None:
    first, last = _LAST_NUMBER.fullmatch(start), _LAST_NUMBER.fullmatch(end)
    assert first is not None
    assert last is not None
    if (first[1].casefold(), first[3].casefold()) != (last[1].casefold(), last[3].casefold()):
        suggestion = None
        if not last[1] and not last[3]:
            digits = first[2][: max(0, len(first[2]) - len(last[2]))] + last[2]
            suggestion = f"{start}..{first[1]}{digits}{first[3]}"
        raise place.fault(f"{start} and {end} don't count alike", A_FRAME_RANGE, suggestion)
    if int(last[2]) < int(first[2]) and is_one_folder and not _wraps(first[2], last[2]):
        raise place.fault(f"{start} comes after {end}", "the first frame before the last")


def _wraps(first: str, last: str) -> bool:
    """Whether counting from `first` to `last` passes 9999, by less than half way round."""
    if min(len(first), len(last)) < 4 or int(first) > _COUNTER_TOP:
        return False
    return _COUNTER_TOP - int(first) + int(last) < _COUNTER_TOP // 2
