"""Fails each system call of a small `fill` in turn and holds what is left against the yardstick.

    python tests/hard/faults.py [--seed 1] [--every 1]

A call fails once (a slip) or from then on (a disk that is gone), with each of EIO, ENOSPC, EDQUOT,
ESTALE and EACCES; writes and kernel copies are also cut short. Calls are those of Python's `os`
that have to do with the outing, which is all that flangeback asks of the system. With `--every` N,
each Nth case is taken, beginning at one that the seed says.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import itertools
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import Yardstick, run, yardstick

NUMBERS = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.ESTALE, errno.EACCES)
BY_PATH = (
    "open", "stat", "lstat", "link", "rename", "replace", "unlink", "mkdir", "scandir", "utime",
    "chmod", "listxattr", "readlink",
)  # fmt: skip
BY_FILE = (
    "pread", "write", "fsync", "fstat", "copy_file_range", "sendfile", "ftruncate", "posix_fadvise",
)  # fmt: skip
SHORT = ("write", "copy_file_range", "sendfile", "pread")
"""Calls that may do less than they were asked for (POSIX read, write)."""


class Faults:
    """Python's calls of the system, of which the one with a number fails."""

    def __init__(self, place: Path, at: int, number: int, *, lasting: bool, short: bool) -> None:
        self.place, self.at, self.number = str(place), at, number
        self.lasting, self.short, self.count = lasting, short, 0

    def install(self) -> None:
        """Puts them in the place of the real ones."""
        for name in (*BY_PATH, *BY_FILE):
            if hasattr(os, name):
                setattr(os, name, self._failing(name, getattr(os, name)))
        io.open = self._failing("open", io.open)

    def _failing(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            if not self._concerns(given):
                return real(*given, **more)
            self.count += 1
            is_due = self.count >= self.at if self.lasting else self.count == self.at
            if not is_due or not self.at:
                return real(*given, **more)
            if not self.short:
                raise OSError(self.number, os.strerror(self.number), str(given[0]))
            if name not in SHORT:
                return real(*given, **more)
            return _cut_short(name, real, given, more)

        return call

    def _concerns(self, given: tuple[Any, ...]) -> bool:
        """Whether a call is about the outing."""
        for one in given[:2]:
            if isinstance(one, str | Path) and str(one).startswith(self.place):
                return True
            if isinstance(one, int) and one > 2 and self._is_ours(one):
                return True
        return False

    def _is_ours(self, file: int) -> bool:
        try:
            return _READLINK(f"/proc/self/fd/{file}").startswith(self.place)
        except OSError:
            return False


_READLINK = os.readlink


def _cut_short(name: str, real: Callable[..., Any], given: Any, more: Any) -> Any:
    """Half of what was asked for."""
    if name == "write":
        return real(given[0], bytes(given[1])[: max(1, len(given[1]) // 2)])
    if name == "pread":
        return real(given[0], max(1, given[1] // 2), given[2])
    if name == "sendfile":
        return real(*given[:3], max(1, given[3] // 2))
    return real(*given[:2], max(1, given[2] // 2), **more)


def count_calls(stick: Yardstick, place: Path) -> int:
    """How many calls an undisturbed fill makes."""
    told = place / "count"
    faults = Faults(place, 0, 0, lasting=False, short=False)

    def hook() -> None:
        faults.install()
        real = os._exit

        def leave(code: int) -> None:
            with io.FileIO(str(told), "w") as file:
                file.write(str(faults.count).encode())
            real(code)

        os._exit = leave  # type: ignore[assignment]

    shutil.rmtree(place / "out", ignore_errors=True)
    run(["fill", stick.frames, "--into", place / "out"], place / "said", hook)
    return int(told.read_text())


def load_modules() -> None:
    """Loads what a fill needs, so that each of thousands of processes needn't."""
    for name in (
        "cli.app", "copies", "copies.run", "match.matching", "report.terminal", "report.documents",
        "formats.xmp", "kit.reading", "log.reading",
    ):  # fmt: skip
        importlib.import_module(f"flangeback.{name}")
    for name in ("exifread", "lxml.etree", "xxhash", "PIL.Image", "numpy", "rich.console"):
        importlib.import_module(name)


Case = tuple[int, int, bool, bool]
"""Which call, the error's number, whether it lasts, whether it is cut short instead."""


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
    faults = Faults(place, at, number, lasting=lasting, short=short)
    words: list[str | Path] = ["fill", stick.frames, "--into", out]
    found = list(stick.faults(out, run(words, place / "said", faults.install)))
    found += stick.faults_after(out, run(words, place / "said"))
    name = "short" if short else errno.errorcode[number]
    return [f"call {at} {name}{' for good' * lasting}: {fault}" for fault in found]


def main() -> int:
    parser = argparse.ArgumentParser(description="Fail each system call of a small fill.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as at:
        place = Path(at)
        load_modules()
        stick = yardstick(place, frames=3)
        calls = count_calls(stick, place)
        first = Random(asked.seed).randrange(asked.every)
        done, bad = 0, []
        for case in itertools.islice(cases(calls), first, None, asked.every):
            done += 1
            bad += disturbed(stick, place, case)
    print(f"{calls} calls, {done} cases, {len(bad)} faults")
    for fault in bad[:40]:
        print("   ", fault)
    return min(len(bad), 1)


if __name__ == "__main__":
    sys.exit(main())
