"""Work in several processes comes to the same as in one, whatever becomes of them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from flangeback import workers
from flangeback.frames import Frame, scan
from flangeback.match.brightness import read_picture, read_several
from flangeback.workers import at_hand, spread
from support.camera_files import put_frame
from support.worker_tasks import Part, dies_elsewhere, fails_at_five, where

TESTS = Path(__file__).parent
COUNT = 40
PARTS: list[Part] = [(os.getpid(), number) for number in range(COUNT)]


@pytest.fixture(autouse=True)
def several_cores(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(workers, "cores", lambda: 3)
    yield
    assert not workers._workers  # None outlives its work.


def test_results_come_in_their_order_from_several_processes() -> None:
    numbers, processes = zip(*spread(where, PARTS, COUNT), strict=True)
    assert numbers == tuple(range(COUNT))
    assert len(set(processes)) == 3


def test_workers_stay_for_the_next_work() -> None:
    with at_hand():
        one, other = ({pid for _, pid in spread(where, PARTS, COUNT)} for _ in range(2))
    assert one == other


def test_what_a_worker_dies_of_is_done_here() -> None:
    assert list(spread(dies_elsewhere, PARTS, COUNT)) == list(range(COUNT))


def test_a_work_that_fails_raises_what_it_raises_here() -> None:
    with pytest.raises(ArithmeticError, match="5"):
        list(spread(fails_at_five, PARTS, COUNT))


@pytest.mark.parametrize("program", ["", "/nowhere/python3", "/bin/an-application"])
def test_without_a_python_to_start_all_is_done_here(
    program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", program)
    assert {pid for _, pid in spread(where, PARTS, COUNT)} == {os.getpid()}


@pytest.mark.skipif(os.name != "posix", reason="cat under another name")
def test_a_program_that_is_no_python_is_left_alone_after_the_first_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where an application that embeds Python calls itself so."""
    (tmp_path / "python").symlink_to(shutil.which("cat") or "")
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    assert {pid for _, pid in spread(where, PARTS, COUNT)} == {os.getpid()}


@pytest.mark.parametrize("count", [0, 1, 2 * workers._PARTS_EACH - 1])
def test_few_parts_are_done_here(count: int) -> None:
    assert {pid for _, pid in spread(where, PARTS[:count], count)} <= {os.getpid()}


def test_work_within_work_is_done_here() -> None:
    """As by two threads of one process: workers have one question at a time."""
    outer = spread(where, PARTS, COUNT)
    next(outer)
    assert {pid for _, pid in spread(where, PARTS, COUNT)} == {os.getpid()}
    assert len(list(outer)) == COUNT - 1


def folder_of(place: Path, count: int) -> Path:
    folder = place / "frames"
    folder.mkdir()
    put_frame(folder, "K7_0000.JPG")
    (folder / "K7_0001.JPG").write_bytes(b"\xff\xd8\xff\xe1")
    for number in range(2, count):
        shutil.copyfile(folder / f"K7_000{number % 2}.JPG", folder / f"K7_{number:04}.JPG")
    return folder


def both(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[tuple[Frame, ...], ...]:
    several = scan(folder)
    monkeypatch.setattr(workers, "cores", lambda: 1)
    return several, scan(folder)


def test_frames_and_pictures_are_those_that_one_process_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, counts = folder_of(tmp_path, 1100), list[int]()
    scan(folder, counts.append)
    assert counts == list(range(1, 1101))
    pictures = read_several(scan(folder)[:1030], read_picture)
    several, alone = both(folder, monkeypatch)
    assert several == alone
    assert [frame.identity for frame in several] == [frame.identity for frame in alone]
    assert pictures == [*map(read_picture, alone[:1030])]


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes on Linux alone")
def test_names_that_are_no_utf_8_go_through(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_of(tmp_path, 1100)
    (folder / "K7_0000.JPG").rename(folder / os.fsdecode(b"K7_\xff.JPG"))
    several, alone = both(folder, monkeypatch)
    assert several == alone
    assert os.fsdecode(b"K7_\xff.JPG") in {frame.file for frame in several}


SCRIPT = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # Shells have what runs beside ignore it.
sys.path[:0] = [{tests!r}]
from flangeback import workers
from support import worker_tasks
workers.cores = lambda: 3
print("begins", flush=True)
parts = [(0, number) for number in range(12)]
print(len(list(workers.spread(worker_tasks.{work}, parts, 12))))
"""


def test_a_script_needs_no_guard_around_its_main_part(tmp_path: Path) -> None:
    (tmp_path / "script.py").write_text(SCRIPT.format(tests=str(TESTS), work="where"))
    words = [sys.executable, "script.py"]
    ran = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["begins", "12"]
    assert ran.stderr == ""


@pytest.mark.skipif(os.name != "posix", reason="signals to a group of processes")
def test_an_interrupted_script_ends_its_workers_and_they_say_nothing(tmp_path: Path) -> None:
    (tmp_path / "script.py").write_text(SCRIPT.format(tests=str(TESTS), work="waits_for_ever"))
    with subprocess.Popen(
        [sys.executable, "script.py"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as script:
        while len(begun := [one for one in tmp_path.glob("[0-9]") if one.read_text()]) < 3:
            assert script.poll() is None
            time.sleep(0.01)
        os.killpg(script.pid, signal.SIGINT)
        _, said = script.communicate(timeout=60)
    assert said.count("Traceback") == 1
    assert said.rstrip().endswith("KeyboardInterrupt")
    for process in {int(one.read_text()) for one in begun}:
        with pytest.raises(ProcessLookupError):
            os.kill(process, 0)
