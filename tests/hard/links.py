"""Links and special files in the places of an output folder, held against `fill` and `verify`.

    python tests/hard/links.py [--count 0] [--seed 1]

Each kind of odd thing is put in each place, before a first fill and after one. Whatever comes of
it, the frames and what a link leads to stay as they are, nothing hangs, and once the thing is moved
away the same command ends as an undisturbed run does. `--count` takes so many cases at random.
"""

from __future__ import annotations

import argparse
import itertools
import os
import shutil
import socket
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import State, Yardstick, run, state, yardstick

PLACES = (
    "K7_0000.JPG", "day2", "day2/K7_0002.JPG", "K7_0090.xmp", "flangeback-manifest.jsonl",
    "flangeback-session.txt", "flangeback-kit.toml", ".flangeback-part-00000000",
)  # fmt: skip
Case = tuple[str, str, bool]
"""The place, the kind of thing, whether a fill made copies before."""


def _socket(at: Path, stick: Yardstick, theirs: Path) -> None:
    here = Path.cwd()
    os.chdir(at.parent)  # A socket's path is short.
    try:
        socket.socket(socket.AF_UNIX).bind(at.name)
    finally:
        os.chdir(here)


def _device(at: Path, stick: Yardstick, theirs: Path) -> None:
    os.mknod(at, 0o666 | stat.S_IFCHR, os.makedev(1, 5))  # As /dev/zero: it never ends.


KINDS: Mapping[str, Callable[[Path, Yardstick, Path], object]] = {
    "link to a frame": lambda at, stick, theirs: at.symlink_to(stick.frames / "K7_0000.JPG"),
    "link to the frames": lambda at, stick, theirs: at.symlink_to(stick.frames),
    "link to a file": lambda at, stick, theirs: at.symlink_to(theirs / "file"),
    "link to a folder": lambda at, stick, theirs: at.symlink_to(theirs),
    "link to nowhere": lambda at, stick, theirs: at.symlink_to(theirs / "nowhere"),
    "link to itself": lambda at, stick, theirs: at.symlink_to(at),
    "second name of a frame": lambda at, stick, theirs: at.hardlink_to(
        stick.frames / "K7_0000.JPG"
    ),
    "second name of a file": lambda at, stick, theirs: at.hardlink_to(theirs / "file"),
    "pipe": lambda at, stick, theirs: os.mkfifo(at),
    "socket": _socket,
    "device": _device,
    "folder": lambda at, stick, theirs: at.mkdir(),
    "empty file": lambda at, stick, theirs: at.touch(),
}


def cases() -> list[Case]:
    """Every kind in every place; only the superuser makes devices."""
    kinds = [kind for kind in KINDS if kind != "device" or os.geteuid() == 0]
    return list(itertools.product(PLACES, kinds, (False, True)))


def disturbed(stick: Yardstick, place: Path, case: Case) -> Iterator[str]:
    """What is wrong with the odd thing in its place, and after it was moved away."""
    name, kind, is_second = case
    out, theirs = place / "out", place / "theirs"
    for folder in (out, theirs):
        shutil.rmtree(folder, ignore_errors=True)
    theirs.mkdir()
    (theirs / "file").write_bytes(b"somebody's own")
    fill: list[str | Path] = ["fill", stick.frames, "--into", out]
    if is_second:
        run(fill, place / "said")
    at, kept = out / name, place / "kept"
    at.parent.mkdir(parents=True, exist_ok=True)
    if os.path.lexists(at):
        at.rename(kept)
    KINDS[kind](at, stick, theirs)
    before = state(theirs)
    verify: list[str | Path] = ["verify", out]
    for words in (fill, verify, [*verify, "--mend"]):
        found = run(words, place / "said")
        faults = [*_faults(stick, theirs, before, found.said)]
        faults += [f"exit {found.code}: {found.said[-200:]}"] if found.code not in range(4) else []
        yield from (f"{name}, {kind}, {words[0]}: {fault}" for fault in faults)
    if os.path.lexists(at) and not _is_ours(at, out):
        shutil.rmtree(at) if at.is_dir() and not at.is_symlink() else at.unlink()
    if os.path.lexists(kept):
        kept.rename(at) if not os.path.lexists(at) else _remove(kept)
    rerun = run(fill, place / "said")
    yield from (f"{name}, {kind}: {fault}" for fault in stick.faults_after(out, rerun))


def _faults(stick: Yardstick, theirs: Path, before: State, said: str) -> Iterator[str]:
    if state(stick.frames) != stick.before:
        yield "the originals changed"
    if state(theirs) != before:
        yield "what a link leads to changed"
    if "Traceback" in said or "fault of flangeback" in said:
        yield f"a traceback: {said[-600:]}"


def _is_ours(at: Path, out: Path) -> bool:
    """Whether a run put a file of its own there: a regular one with no other name, and bytes."""
    status = at.lstat()
    return stat.S_ISREG(status.st_mode) and status.st_nlink == 1 and status.st_size > 0


def _remove(path: Path) -> None:
    shutil.rmtree(path) if path.is_dir() else path.unlink()


def main() -> int:
    parser = argparse.ArgumentParser(description="Put odd things into an output folder.")
    parser.add_argument("--count", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    chosen = cases()
    if asked.count:
        chosen = Random(asked.seed).sample(chosen, asked.count)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as at:
        stick = yardstick(Path(at), frames=3)
        bad = [fault for case in chosen for fault in disturbed(stick, Path(at), case)]
    print(f"{len(chosen)} cases, {len(bad)} faults")
    for fault in bad[:40]:
        print("   ", fault)
    return min(len(bad), 1)


if __name__ == "__main__":
    sys.exit(main())
