"""Whole logs as phones and editors leave them: each with what it means, or the faults it has.

Beside `fixtures/logs/NAME.txt` stands `NAME.toml` with either `spans` ("BODY LENS ADAPTER F-NUMBER
FOCAL-LENGTH | TIMES OR FRAMES") or `problems` ("LINE:COLUMN WORD | TEXT | SUGGESTION").
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from flangeback.errors import InputError, Problem
from flangeback.log import SessionLog, parse_log, read_log
from flangeback.log.model import FrameRange, Moment, Span
from support.log_gear import EXAMPLE_KIT, ROOT, under_caret
from support.log_printing import format_log

LOGS = sorted((ROOT / "fixtures" / "logs").glob("*.txt"))


def in_short(problem: Problem) -> str:
    parts = [f"{problem.line}:{problem.column} {under_caret(problem)}", problem.text]
    return " | ".join([*parts, problem.suggestion] if problem.suggestion else parts)


def clock(moment: Moment | None, log: SessionLog) -> str:
    """The time in the middle of the slack, as closely as it was written."""
    assert moment is not None
    start, end = moment.earliest + log.slack, moment.latest - log.slack
    return f"{start:%H:%M:%S}" if (end - start).seconds == 1 else f"{start:%H:%M}"


def meaning(span: Span, log: SessionLog) -> str:
    held = span.setting
    if isinstance(span.frames, FrameRange):
        when = f"{span.frames.first.name}..{span.frames.last.name}"
    elif span.frames is not None:
        when = str(span.frames)
    elif span.order is not None:
        when = span.order
    else:
        when = clock(span.start, log) + (f" to {clock(span.end, log)}" if span.end else "")
    if held.lens is None:
        return f"{span.body} off | {when}"
    f_number = None if held.f_number is None else f"{held.f_number.normalize():f}"
    return f"{span.body} {held.lens} {held.adapter} f/{f_number} {held.focal_length}mm | {when}"


def test_the_corpus_is_there() -> None:
    assert len(LOGS) >= 15
    assert {path.stem for path in LOGS} == {
        path.stem for path in (ROOT / "fixtures" / "logs").glob("*.toml")
    }


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.stem)
def test_a_log_means_what_it_must(path: Path) -> None:
    expected = tomllib.loads(path.with_suffix(".toml").read_text("utf-8"))
    if "problems" in expected:
        with pytest.raises(InputError) as caught:
            read_log(path, EXAMPLE_KIT)
        assert [in_short(problem) for problem in caught.value.problems] == expected["problems"]
        return
    log = read_log(path, EXAMPLE_KIT)
    assert [meaning(span, log) for span in log.spans] == expected["spans"]
    assert parse_log(format_log(log), EXAMPLE_KIT, str(path)) == log


def test_the_mangled_logs_are_the_same_log() -> None:
    plain = read_log(ROOT / "fixtures" / "logs" / "example-timed.txt", EXAMPLE_KIT)
    for name in ("full-width", "utf16", "arabic-figures", "old-mac", "invisible"):
        mangled = read_log(ROOT / "fixtures" / "logs" / f"{name}.txt", EXAMPLE_KIT)
        assert mangled.entries == plain.entries, name
