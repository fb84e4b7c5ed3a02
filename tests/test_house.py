"""The house as a whole: which room imports which, and how long its parts are."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "src" / "flangeback").rglob("*.py"))


def test_no_room_reaches_back_and_no_import_goes_round(capsys: pytest.CaptureFixture[str]) -> None:
    """The contracts stand in pyproject.toml."""
    broken = lint_imports(str(ROOT / "pyproject.toml"), no_cache=True)
    assert not broken, capsys.readouterr().out


def test_modules_and_functions_are_short() -> None:
    """400 lines a module, 60 a function; commands, whose options are parameters, apart."""
    long = set()
    for module in MODULES:
        text = module.read_text("utf-8")
        name = "/".join(module.parts[-2:])
        if text.count("\n") > 400:
            long.add(name)
        long |= {
            f"{name}: {node.name}"
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and (node.end_lineno or 0) - node.lineno + 1 > 60
            and module.parent.name != "cli"
        }
    assert not long
