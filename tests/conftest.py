"""Fixtures that several test files use."""

from __future__ import annotations

import os
import traceback
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from flangeback.demo import Outing, make_outing

# Examples are never timed: how long one takes is the machine's affair. In CI they are the same in
# every run, so that it judges the change and not the dice.
settings.register_profile("project", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "project")


@pytest.fixture(scope="session")
def outing(tmp_path_factory: pytest.TempPathFactory) -> Outing:
    """The demo's outing, made once: a test that would change it copies it first."""
    return make_outing(tmp_path_factory.mktemp("demo") / "lindholm")


@pytest.fixture(scope="session")
def corpus() -> Path:
    """The folder of real camera files: FLANGEBACK_CORPUS, else `shared/corpus` beside the
    repository. They aren't part of the project; without them a test that needs them skips."""
    beside = Path(__file__).resolve().parents[1].parent / "shared" / "corpus"
    found = Path(os.environ.get("FLANGEBACK_CORPUS") or beside)
    if not any(found.glob("camera-*.jpg")):
        pytest.skip(f"no real camera files at {found}; FLANGEBACK_CORPUS may name their folder")
    return found


# Systems that lack something.

_CALLS = ("copy_file_range", "geteuid", "mkfifo", "pathconf", "pread", "pwrite")
LACKING = {name for name in _CALLS if not hasattr(os, name)} | (
    {"SIGKILL", "fcntl"} if os.name == "nt" else set()
)
"""What tests ask for by name that this system, or the C library of this Python, hasn't."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup() -> Generator[None, None, None]:
    """Skips a test whose fixture asks for what this system lacks."""
    with _skipping():
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call() -> Generator[None, None, None]:
    """Skips a test whose own code, not flangeback's, asks for what this system lacks,
    or for a symbolic link where that needs a privilege or isn't possible."""
    with pytest.MonkeyPatch.context() as patch:
        if os.name == "nt":
            patch.setattr(Path, "symlink_to", _link_or_skip)
        with _skipping():
            return (yield)


@contextmanager
def _skipping() -> Iterator[None]:
    try:
        yield
    except (AttributeError, ModuleNotFoundError) as error:
        asked_in = Path(traceback.extract_tb(error.__traceback__)[-1].filename)
        if error.name in LACKING and "tests" in asked_in.parts:
            pytest.skip(f"this system has no {error.name}")
        raise


_REALLY_LINK = Path.symlink_to


def _link_or_skip(path: Path, *words: Any, **more: Any) -> None:
    try:
        _REALLY_LINK(path, *words, **more)
    except OSError as error:
        pytest.skip(f"no symbolic links: {error}")
    if not path.is_symlink():  # Wine says that it made one.
        pytest.skip("no symbolic links")
