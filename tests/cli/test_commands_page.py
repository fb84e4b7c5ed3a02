"""The page of the commands says what their help says; fixtures/commands.py makes it."""

from __future__ import annotations

import re
import runpy
from pathlib import Path

import pytest

from flangeback.cli.app import NAMES
from support.commands import run

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / ".github" / "COMMANDS.md").read_text("utf-8")


def test_the_page_is_up_to_date() -> None:
    made = runpy.run_path(str(ROOT / "fixtures" / "commands.py"))
    assert made["page"]() == PAGE, "python fixtures/commands.py makes it anew"


@pytest.mark.parametrize("name", [name for name in NAMES if name != "kit"])
def test_all_that_a_command_s_help_says_is_on_the_page(name: str) -> None:
    _, _, part = PAGE.partition(f"\n## flangeback {name}\n")
    on_page = words(part.partition("\n## ")[0].replace("\\|", "|"))
    _, _, shown = run(name, "--help").out.partition("\n\n")
    assert words(shown) - on_page <= words("Arguments: Options: --help Show this message and exit.")


def words(text: str) -> set[str]:
    return set(re.sub("[][<>{}`]", "", text).split())
