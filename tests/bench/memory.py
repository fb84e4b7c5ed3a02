"""Memory in the number of frames: what each command takes for few and for many small ones.

    python tests/bench/memory.py [--few 2000] [--many 20000] [DIR]

The aim is 40 MB more for 20,000 frames than for 2,000. DIR (a temporary folder if none is named)
takes about 25 kB for each frame.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from measure import make_frames

_KILOBYTE = 1 if sys.platform == "darwin" else 1024
"""What ru_maxrss counts in (getrusage of Linux and of macOS)."""


def taken(words: list[str]) -> tuple[float, float]:
    """The peak of a command's memory in MB, and its CPU time in seconds."""
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL, env={**os.environ, **_COMPILED})
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, words
    return usage.ru_maxrss * _KILOBYTE / 1e6, usage.ru_utime + usage.ru_stime


_COMPILED = {"PYTHONDONTWRITEBYTECODE": ""}
"""Modules are compiled already, as installed ones are."""


def measured(folder: Path, count: int) -> dict[str, tuple[float, float]]:
    """What each command takes for so many frames."""
    frames, out = str(folder / f"{count}"), str(folder / f"{count}-out")
    make_frames(Path(frames), count, 0.01)
    program = str(Path(sys.executable).with_name("flangeback"))
    commands = {
        "match": ["match", frames],
        "fill": ["fill", frames, "--into", out],
        "fill again": ["fill", frames, "--into", out],
        "verify": ["verify", out],
    }
    return {name: taken([program, *words]) for name, words in commands.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description="The memory of commands on many frames.")
    parser.add_argument("--few", type=int, default=2000)
    parser.add_argument("--many", type=int, default=20_000)
    parser.add_argument("folder", nargs="?", type=Path, metavar="DIR")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        few, many = (measured(Path(folder), count) for count in (asked.few, asked.many))
    for name, (peak, seconds) in many.items():
        more = peak - few[name][0]
        print(f"{name}: {peak:.0f} MB, {more:+.0f} MB (aim +40); {seconds:.1f} s of CPU")


if __name__ == "__main__":
    main()
