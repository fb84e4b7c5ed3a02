"""Fixtures that several test files use."""

from __future__ import annotations

import os
from pathlib import Path

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
    beside = Path(__file__).resolve().parents[2] / "shared" / "corpus"
    found = Path(os.environ.get("FLANGEBACK_CORPUS") or beside)
    if not any(found.glob("camera-*.jpg")):
        pytest.skip(f"no real camera files at {found}; FLANGEBACK_CORPUS may name their folder")
    return found
