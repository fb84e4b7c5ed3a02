"""Cuts the power under `fill` on a file system of its own and holds what is left to the yardstick.

    python tests/hard/powercuts.py [--count 40] [--seed 1]       (as root)

The output lies on an ext4 image. At a moment of the run the process is stopped and the image is
copied as the disk has it then; the copy is mounted (its journal is replayed) and looked at. Every
file there under a final name has to be whole, every line of the manifest has to stand for a file
whose bytes are on the disk, and a rerun has to end in the same bytes as an undisturbed run.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import Ended, Yardstick, run, start, yardstick

MEGABYTES = 48


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    """An image's file system, mounted."""
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def cut(stick: Yardstick, place: Path, after: float) -> list[str]:
    """What is wrong after the power was cut so many seconds into a run."""
    image, snapshot = place / "image", place / "snapshot"
    with image.open("wb") as file:
        file.truncate(MEGABYTES << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    with mounted(image, place / "disk") as disk:
        os.sync()
        child = start(["fill", stick.frames, "--into", disk / "out"], place / "said")
        time.sleep(after)
        try:
            os.kill(child, signal.SIGSTOP)
            shutil.copyfile(image, snapshot)
            os.kill(child, signal.SIGKILL)
        except ProcessLookupError:
            shutil.copyfile(image, snapshot)
        os.waitpid(child, 0)
    found: list[str] = []
    with mounted(snapshot, place / "after") as disk:
        out = disk / "out"
        if out.exists():
            found += stick.faults(out, Ended(0, ""))
        found += stick.faults_after(out, run(["fill", stick.frames, "--into", out], place / "said"))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description="Power cuts under fill, on an image.")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if os.geteuid() or not shutil.which("mkfs.ext4"):
        print("needs root and mkfs.ext4")
        return 0
    random, bad = Random(asked.seed), []
    with tempfile.TemporaryDirectory() as at:
        place = Path(at)
        stick = yardstick(place, frames=12)
        begun = time.monotonic()
        run(["fill", stick.frames, "--into", place / "timed"], place / "said")
        took = time.monotonic() - begun
        for _ in range(asked.count):
            after = random.uniform(0.2, took * 1.3)
            bad += [f"after {after:.3f} s: {fault}" for fault in cut(stick, place, after)]
    print(f"{asked.count} power cuts, {len(bad)} faults")
    for fault in bad[:40]:
        print("   ", fault)
    return min(len(bad), 1)


if __name__ == "__main__":
    sys.exit(main())
