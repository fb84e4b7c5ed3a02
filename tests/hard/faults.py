"""Fails each system call of a small `fill` in turn and holds what is left against the yardstick.

    python tests/hard/faults.py [--seed 1] [--every 1] [--cases N]

A call fails once (a slip) or from then on (a disk that is gone), with each of EIO, ENOSPC, EDQUOT,
ESTALE and EACCES; reads, writes and kernel copies are also cut short. `faults_shim.c`, which stands
before the C library, does that to the calls about the outing's files: it needs a C compiler and
Linux. With `--every` N, each Nth case is taken: those of N seeds on end are all there are; with
`--cases`, so many at random.
"""

from __future__ import annotations

import argparse
import ctypes
import errno
import io
import itertools
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import Yardstick, run, yardstick

NUMBERS = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.ESTALE, errno.EACCES)
Case = tuple[int, int, bool, bool]
"""Which call, the error's number, whether it lasts, whether it is cut short instead."""
_SHIM = "LD_PRELOAD"


def build_shim(place: Path) -> Path:
    """The shim as a library in this folder."""
    library = place / "shim.so"
    source = Path(__file__).with_name("faults_shim.c")
    words = ["cc", "-shared", "-fPIC", "-O1", "-o", str(library), str(source), "-ldl"]
    subprocess.run(words, check=True)
    return library


def arm(place: Path, case: Case) -> None:
    """Has calls about files below this folder counted from now on, and one fail."""
    at, number, lasting, short = case
    shim = ctypes.CDLL(os.environ[_SHIM])
    shim.faults_arm(os.fsencode(place), ctypes.c_long(at), number, int(lasting), int(short))


def count_calls(stick: Yardstick, place: Path) -> int:
    """How many calls an undisturbed fill makes."""
    told = place.with_name(f"{place.name}-count")

    def hook() -> None:
        arm(place, (0, 0, False, False))
        real = os._exit

        def leave(code: int) -> None:
            count = ctypes.CDLL(os.environ[_SHIM]).faults_count()
            with io.FileIO(str(told), "w") as file:
                file.write(str(count).encode())
            real(code)

        os._exit = leave  # type: ignore[assignment]

    shutil.rmtree(place / "out", ignore_errors=True)
    run([*_fill(stick), place / "out"], place / "said", hook)
    count = int(told.read_text())
    told.unlink()
    return count


def _fill(stick: Yardstick) -> list[str | Path]:
    return ["fill", stick.frames, "--others", "--json", "--into"]


def cases(calls: int) -> Iterator[Case]:
    """Every call with every error, once and for good, and cut short."""
    for at in range(1, calls + 1):
        yield from ((at, number, lasting, False) for number in NUMBERS for lasting in (False, True))
        yield at, 0, False, True


def disturbed(stick: Yardstick, place: Path, case: Case) -> list[str]:
    """What is wrong after a fill with a fault in it, and after its rerun."""
    at, number, lasting, short = case
    out = place / "out"
    shutil.rmtree(out, ignore_errors=True)
    words = [*_fill(stick), out]
    found = list(stick.faults(out, run(words, place / "said", lambda: arm(place, case))))
    found += stick.faults_after(out, run(words, place / "said"))
    name = "short" if short else errno.errorcode[number]
    return [f"call {at} {name}{' for good' * lasting}: {fault}" for fault in found]


def _chosen(calls: int, asked: argparse.Namespace) -> Sequence[Case]:
    random = Random(asked.seed)
    every = list(itertools.islice(cases(calls), asked.seed % asked.every, None, asked.every))
    return random.sample(every, min(asked.cases, len(every))) if asked.cases else every


def main() -> int:
    parser = argparse.ArgumentParser(description="Fail each system call of a small fill.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--cases", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as at:
        place = Path(at)
        if _SHIM not in os.environ:
            preloaded = os.environ | {_SHIM: str(build_shim(place))}
            return subprocess.call([sys.executable, *sys.argv], env=preloaded)
        stick = yardstick(place, "--others", frames=3)
        calls = count_calls(stick, place)
        chosen = _chosen(calls, asked)
        bad = [fault for case in chosen for fault in disturbed(stick, place, case)]
    print(f"{calls} calls, {len(chosen)} cases, {len(bad)} faults")
    for fault in bad[:40]:
        print("   ", fault)
    return min(len(bad), 1)


if __name__ == "__main__":
    sys.exit(main())
