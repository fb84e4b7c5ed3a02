"""The house as a whole: which room imports which, and how long its parts are."""

from __future__ import annotations

import ast
import re
from importlib import import_module
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


def test_what_the_page_for_developers_names_is_there() -> None:
    """Each `room.module.name` and `room/module.py` in it."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rooms = "|".join(path.name for path in (ROOT / "src" / "flangeback").iterdir() if path.is_dir())
    for room, module, name in re.findall(rf"`({rooms})\.(\w+)(?:\.(\w+))?`", text):
        own = (ROOT / "src" / "flangeback" / room / f"{module}.py").is_file()
        found = import_module(f"flangeback.{room}.{module}" if own else f"flangeback.{room}")
        assert hasattr(found, (name or "__doc__") if own else module), f"{room}.{module}.{name}"
    for file in re.findall(rf"`((?:{rooms})/\w+\.py)`", text):
        assert (ROOT / "src" / "flangeback" / file).is_file(), file
    for room, row in re.findall(rf"^\| `({rooms})/` \| (.*) \|$", text, re.MULTILINE):
        modules = {module.stem for module in MODULES if module.parent.name == room}
        assert modules - {"__init__"} <= set(re.findall(r"`(\w+)`", row)), room


COMMON = {
    *("close", "cpu_count", "environ", "fsencode", "fstat", "ftruncate", "path", "stat_result"),
    *("strerror", "walk"),
}
"""What every system has alike."""


def test_what_systems_differ_in_is_asked_of_them_in_one_place() -> None:
    """`system`, with `locks` and `pinning` beside it."""
    found = [
        f"{'/'.join(module.parts[-2:])}:{node.lineno} {node.attr}"
        for module in MODULES
        if module.name not in ("system.py", "locks.py", "pinning.py")
        for node in ast.walk(ast.parse(module.read_text("utf-8")))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id in ("os", "fcntl", "msvcrt", "tempfile")
        and node.attr not in COMMON
    ]
    assert not found
