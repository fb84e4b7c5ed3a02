"""The short form of the scripts in tests/hard: kills, failing system calls, odd things
in the output, malformed manifests."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from hard import faults, kills, links, manifests
from support.examples import examples
from support.hard import Yardstick, yardstick

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="runs are forked")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hard")


@pytest.fixture(scope="module")
def stick(place: Path) -> Yardstick:
    return yardstick(place, frames=3)


def test_kills_leave_nothing_that_a_rerun_does_not_mend(stick: Yardstick, place: Path) -> None:
    assert not kills.kill_fill(stick, place, 1, Random(2))


def test_killed_notes_leave_the_log_as_it_was_or_whole(stick: Yardstick, place: Path) -> None:
    words: kills.Words = ["note", "@/session.txt", "k7", "f/4", "--kit", "@/kit.toml"]
    words += ["--at", "00:00"]
    assert not kills.kill_save(stick, place, 1, Random(3), words, "session.txt")


@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None, reason="needs a C compiler and Linux"
)
def test_failing_system_calls_harm_nothing() -> None:
    words = [sys.executable, faults.__file__, "--seed", "4", "--cases", "5"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    calls, told = done.stdout.split(" calls, ")
    assert int(calls) > 200
    assert told.startswith("5 cases, 0 faults")


def test_odd_things_in_the_output_lead_nowhere_and_stop_nothing(
    stick: Yardstick, place: Path
) -> None:
    chosen = Random(5).sample(links.cases(), 3)
    assert not [fault for case in chosen for fault in links.disturbed(stick, place, case)]


def test_malformed_manifests_harm_nothing(stick: Yardstick, place: Path) -> None:
    found = [
        fault
        for number in range(examples(8, least=4))
        for fault in manifests.disturbed(stick, place, place / "whole", Random(f"1/{number}"))
    ]
    assert not found
