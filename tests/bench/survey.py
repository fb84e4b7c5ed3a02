"""Survey's speed and memory, each against a yardstick, side by side in one run.

    python tests/bench/survey.py [--frames 10000] [--kilobytes 100] [--rounds 5] [DIR]

The yardstick is a bare Python loop that opens each frame and reads its first 64 KiB. It is held
against `survey` in the same process, and against the whole command. Memory is the command's
greatest, over the frames and over a twentieth of them.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from measure import Ratio, best, make_frames, seconds

from flangeback.survey import survey_folder

FIRST = 65_536
_COMMAND = [str(Path(sys.executable).with_name("flangeback")), "survey", "--json"]
_GREATEST_MEMORY = """
import resource, subprocess, sys
subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""


def bare_loop(folder: Path) -> float:
    start = time.perf_counter()
    for name in sorted(os.listdir(folder)):  # noqa: PTH208
        with open(f"{folder}/{name}", "rb") as file:  # noqa: PTH123 (no more than has to be)
            file.read(FIRST)
    return time.perf_counter() - start


def surveyed(folder: Path) -> float:
    start = time.perf_counter()
    survey_folder(folder)
    return time.perf_counter() - start


def kilobytes(folder: Path) -> int:
    """The greatest memory of the command."""
    command = [sys.executable, "-c", _GREATEST_MEMORY, *_COMMAND, str(folder)]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description="Survey against a bare loop, side by side.")
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--kilobytes", type=int, default=100)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("folder", nargs="?", type=Path, metavar="DIR")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        frames, few = Path(folder) / "frames", Path(folder) / "few"
        make_frames(frames, asked.frames, asked.kilobytes / 1000)
        few.mkdir()
        for path in sorted(frames.glob("*.JPG"))[: asked.frames // 20]:
            shutil.copy(path, few)
        taken = best(
            asked.rounds,
            lambda: surveyed(frames),
            lambda: seconds([*_COMMAND, str(frames)]),
            lambda: bare_loop(frames),
        )
        print(Ratio("survey against a bare loop", taken[0], taken[2], 3.0))
        print(Ratio("the survey command against a bare loop", taken[1], taken[2], 3.0))
        print(f"memory: {kilobytes(frames)} kB for all, {kilobytes(few)} kB for a twentieth")


if __name__ == "__main__":
    main()
