"""The page about the library: its examples are run, and its names are those that are offered."""

from __future__ import annotations

import doctest
import re
import shutil
from pathlib import Path

import pytest

import flangeback
from flangeback.demo import Outing

PAGES = Path(__file__).resolve().parents[1] / ".github"


def test_the_examples_give_what_they_say(
    outing: Outing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(outing.frames, tmp_path / "frames")
    monkeypatch.chdir(tmp_path)
    tried = doctest.testfile(str(PAGES / "LIBRARY.md"), module_relative=False, encoding="utf-8")
    assert tried.attempted > 10
    assert tried.failed == 0


def test_the_names_it_uses_are_offered() -> None:
    text = (PAGES / "LIBRARY.md").read_text("utf-8")
    used = set(re.findall(r"\bflangeback\.([A-Za-z_]+)", text)) - {"read"}
    assert used <= {*flangeback.__all__, "jsonl"}


def test_the_changes_begin_with_this_version() -> None:
    text = (PAGES / "CHANGELOG.md").read_text("utf-8")
    first = re.search(r"^## (\S+?),? ", text, re.MULTILINE)
    assert first is not None
    assert first.group(1) == flangeback.__version__
