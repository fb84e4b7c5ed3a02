"""What `import flangeback` offers can be called with what it offers, and type checkers agree."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

import flangeback
from flangeback.demo import Outing
from support import sample_script

SAMPLE = Path(sample_script.__file__)
# Types of the standard library, and aliases of them, that signatures name.
PLAIN = {
    "Callable", "Iterable", "Mapping", "None", "Path", "Progress", "Sequence",
    "bool", "bytes", "date", "datetime", "float", "frozenset", "int", "object", "str", "timedelta",
    "tuple",
}  # fmt: skip
PLAIN |= {"Collection", "Decimal", "Pictures"}


def functions() -> list[str]:
    return [name for name in flangeback.__all__ if inspect.isfunction(getattr(flangeback, name))]


@pytest.mark.parametrize("name", functions())
def test_every_type_that_a_function_takes_is_offered(name: str) -> None:
    signature = inspect.signature(getattr(flangeback, name))
    annotations = [each.annotation for each in signature.parameters.values()]
    for annotation in [*annotations, signature.return_annotation]:
        for word in re.findall(r"[A-Za-z_]+", annotation):
            assert word in PLAIN or word in flangeback.__all__, f"{name} takes {annotation}"


def test_the_names_are_listed() -> None:
    assert dir(flangeback) == list(flangeback.__all__)


@pytest.mark.skipif(find_spec("mypy") is None, reason="mypy isn't installed")
def test_a_script_passes_mypy() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--no-incremental", str(SAMPLE)],
        capture_output=True,
        text=True,
        check=False,
        cwd=SAMPLE.anchor,
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.skipif(find_spec("pyright") is None, reason="pyright isn't installed")
def test_a_script_passes_pyright() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pyright", "--pythonpath", sys.executable, str(SAMPLE)],
        capture_output=True,
        text=True,
        check=False,
        cwd=SAMPLE.parent,
    )
    assert done.returncode == 0, done.stdout


def test_a_script_does_what_it_says(outing: Outing, tmp_path: Path) -> None:
    verified = sample_script.filled_folder(outing.frames, tmp_path / "out")
    assert len(verified.copies) == 40
    assert not verified.failed
