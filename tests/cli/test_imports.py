"""What `import flangeback` offers, and what it costs."""

from __future__ import annotations

import inspect
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import flangeback

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("rich", "typer", "PIL", "piexif", "lxml", "exifread", "xxhash", "anyascii")


def in_a_process(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


@pytest.mark.parametrize("name", flangeback.__all__)
def test_every_name_is_there_and_documented(name: str) -> None:
    offered = getattr(flangeback, name)
    assert inspect.getdoc(offered) or not inspect.isclass(offered)
    if inspect.isfunction(offered):
        signature = inspect.signature(offered)
        assert signature.return_annotation is not inspect.Signature.empty
        for parameter in signature.parameters.values():
            assert parameter.annotation is not inspect.Parameter.empty


def test_names_are_sorted_and_once() -> None:
    assert list(flangeback.__all__) == sorted(set(flangeback.__all__))


def test_no_other_name_is_there() -> None:
    with pytest.raises(AttributeError, match="mach_frames"):
        flangeback.mach_frames  # type: ignore[attr-defined]  # noqa: B018


def test_the_package_says_that_it_is_typed() -> None:
    assert (Path(flangeback.__file__).parent / "py.typed").is_file()


def test_stages_stay_functions_whatever_is_imported() -> None:
    code = (
        "import importlib, pkgutil, flangeback\n"
        "for found in pkgutil.walk_packages(flangeback.__path__, 'flangeback.'):\n"
        "    if not found.name.endswith('__main__'):\n"
        "        importlib.import_module(found.name)\n"
        "names = [n for n in flangeback.__all__ if not callable(getattr(flangeback, n))]\n"
        "print(names, callable(flangeback.match_frames), callable(flangeback.scan))\n"
    )
    assert in_a_process(code) == "[] True True"


def test_importing_loads_nothing_heavy() -> None:
    code = f"import sys, flangeback; print([n for n in {HEAVY} if n in sys.modules])"
    assert in_a_process(code) == "[]"


def test_matching_needs_no_screen_no_writer_and_no_prover() -> None:
    code = (
        "import sys, flangeback\n"
        "flangeback.match_frames, flangeback.scan, flangeback.read_log, flangeback.read_kit\n"
        f"print([n for n in {HEAVY} if n in sys.modules])"
    )
    assert in_a_process(code) == "[]"


def test_the_command_line_loads_no_writer_to_show_its_help() -> None:
    code = (
        "import sys\n"
        "from flangeback.cli.app import app\n"
        "print([n for n in ('PIL', 'piexif', 'lxml', 'exifread') if n in sys.modules])"
    )
    assert in_a_process(code) == "[]"


def test_the_module_runs_like_the_script() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "flangeback", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"flangeback {flangeback.__version__}\n"


def test_what_it_needs_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    needed = " ".join(project["dependencies"]).lower()
    for name in ("anyascii", "exifread", "lxml", "piexif", "pillow", "rich", "typer", "tzdata"):
        assert name in needed
    assert project["scripts"] == {"flangeback": "flangeback.cli:main"}
