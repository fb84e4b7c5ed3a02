"""The README's walk-through is a session that happens: each command, and every line it shows."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.demo import Outing

README = Path(__file__).resolve().parents[2] / "README.md"
ELISION = "..."


def blocks(language: str) -> list[list[str]]:
    """The code blocks of the walk-through in this language, as lines."""
    text = README.read_text("utf-8")
    section = text[text.index("## A first outing") :]
    section = section[: section.index("\n## ", 4)]
    return [
        found.splitlines()
        for found in re.findall(rf"^```{language}\n(.*?)^```", section, re.MULTILINE | re.DOTALL)
    ]


def steps() -> Iterator[tuple[str, list[str]]]:
    """Each command with what the README shows of its output."""
    for block in blocks("console"):
        command, shown = "", list[str]()
        for line in block:
            if line.startswith("$ "):
                if command:
                    yield command, shown
                command, shown = line[2:], []
            else:
                shown.append(line)
        yield command, shown


@pytest.fixture
def folder(outing: Outing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the session takes place: frames in 2026-05-17, no log, no kit."""
    shutil.copytree(outing.frames, tmp_path / "2026-05-17", ignore=shutil.ignore_patterns("*.t*"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("flangeback.cli.shared.at_terminal", lambda: True)
    return tmp_path / "2026-05-17"


def edit(folder: Path) -> None:
    """What the README does with an editor: lenses and adapters, the entries, the two faults."""
    log = folder / "session.txt"
    text = log.read_text("utf-8")
    (entries,) = blocks("text")
    if entries[0] in text:
        text = text.replace("mirian58", "miran58").replace("f/56", "f/5.6")
    for entry in entries:
        first = entry.split()[0]
        text = re.sub(rf"^# {re.escape(first)}  .*$", entry, text, flags=re.MULTILINE)
    log.write_text(text, "utf-8")


def assert_shown(shown: list[str], output: str) -> None:
    """Every shown line stands in the output, in this order; only `...` leaves lines out."""
    lines = [line.rstrip().replace(os.sep, "/") for line in output.splitlines()]
    at, may_skip = 0, False
    for line in shown:
        if line == ELISION:
            may_skip = True
            continue
        if may_skip:
            assert line in lines[at:], line
            at = lines.index(line, at)
        assert at < len(lines), line
        assert lines[at] == line
        at, may_skip = at + 1, False
    assert may_skip or not any(lines[at:]), lines[at:]


def test_the_walk_through_is_what_happens(folder: Path) -> None:
    commands = []
    for command, shown in steps():
        words = shlex.split(command)
        commands.append(words[:2])
        if words[0] == "$EDITOR":
            edit(folder)
            continue
        result = CliRunner().invoke(app, words[1:])
        assert result.exit_code in (0, 1, 2), result.output
        assert_shown(shown, result.output)
    for name in ("survey", "draft", "match", "fill", "verify", "tally"):
        assert ["flangeback", name] in commands
