"""Kills commands at moments of their run and holds what is left against the yardstick.

    python tests/hard/kills.py [--moments 200] [--seed 1] [COMMAND ...]

Each of KILL, TERM and INT is sent at so many moments of `fill` (a sixth of them for the other
commands: others, verify, note, kit, draft), spread over the time an undisturbed run takes.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import Ended, Yardstick, ended, run, start, state, yardstick

SIGNALS = [one for one in signal.Signals if one.name in ("SIGINT", "SIGKILL", "SIGTERM")]
Words = list[str | Path]


def killed(words: Words, said: Path, after: float, number: int) -> Iterator[str]:
    """Starts a command and sends it a signal after so many seconds; what it said wrong."""
    child = start(words, said)
    time.sleep(after)
    with suppress(ProcessLookupError):
        os.kill(child, number)
    found = ended(child, said)
    if "Traceback" in found.said:
        yield f"a traceback: {found.said[-600:]}"
    if found.code not in (0, 1, 2, 3, -signal.SIGKILL, -signal.SIGTERM):
        yield f"exit {found.code}: {found.said[-300:]}"


def kill_fill(stick: Yardstick, place: Path, moments: int, random: Random, *more: str) -> list[str]:
    """`fill`, killed, then run to its end."""
    faults = []
    words: Words = ["fill", stick.frames, "--into", place / "out", *more]
    shutil.rmtree(place / "out", ignore_errors=True)
    took = _seconds(words, place)
    for number in range(moments * len(SIGNALS)):
        shutil.rmtree(place / "out", ignore_errors=True)
        after, sent = random.uniform(0, took), SIGNALS[number % len(SIGNALS)]
        found = list(killed(words, place / "said", after, sent))
        if (place / "out").exists():
            found += stick.faults(place / "out", Ended(0, ""))
        found += stick.faults_after(place / "out", run(words, place / "said"))
        faults += [f"fill {sent.name} after {after:.3f} s: {fault}" for fault in found]
    return faults


def _seconds(words: Words, place: Path) -> float:
    begun = time.monotonic()
    run(words, place / "said")
    return time.monotonic() - begun


def kill_verify(stick: Yardstick, place: Path, moments: int, random: Random) -> list[str]:
    """`verify`, killed: nothing may change at all."""
    out = place / "out"
    shutil.rmtree(out, ignore_errors=True)
    run(["fill", stick.frames, "--into", out], place / "said")
    before, faults = state(out), []
    took = _seconds(["verify", out], place)
    for number in range(moments * len(SIGNALS)):
        after, sent = random.uniform(0, took), SIGNALS[number % len(SIGNALS)]
        found = list(killed(["verify", out], place / "said", after, sent))
        if state(out) != before or state(stick.frames) != stick.before:
            found.append("something changed")
        faults += [f"verify {sent.name} after {after:.3f} s: {fault}" for fault in found]
    return faults


def kill_save(
    stick: Yardstick, place: Path, moments: int, random: Random, words: Words, target: str
) -> list[str]:
    """A command that writes one text file: it stays as it was, or is whole; the next one clears
    what was left."""
    faults = []
    for number in range(moments * len(SIGNALS)):
        folder = place / "texts"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for name in ("session.txt", "kit.toml"):
            shutil.copy2(stick.frames / name, folder / name)
        old = (folder / target).read_bytes() if (folder / target).exists() else None
        run([word.replace("@", str(folder)) if isinstance(word, str) else word for word in words],
            place / "said")  # fmt: skip
        whole = (folder / target).read_bytes()
        _restore(folder / target, old)
        after, sent = random.uniform(0, 0.3), SIGNALS[number % len(SIGNALS)]
        given = [w.replace("@", str(folder)) if isinstance(w, str) else w for w in words]
        found = list(killed(given, place / "said", after, sent))
        now = (folder / target).read_bytes() if (folder / target).exists() else None
        if now not in (old, whole):
            found.append(f"{target} is neither as it was nor whole")
        run(["note", folder / "session.txt", "k7", "f/8", "--kit", folder / "kit.toml"],
            place / "said")  # fmt: skip
        litter = [path.name for path in folder.iterdir() if path.name.startswith(".")]
        found += [f"litter: {litter}"] if litter else []
        faults += [f"{words[0]} {sent.name} after {after:.3f} s: {fault}" for fault in found]
    return faults


def _restore(path: Path, old: bytes | None) -> None:
    if old is None:
        path.unlink()
    else:
        path.write_bytes(old)


def matrix(place: Path, moments: int, seed: int) -> dict[str, Callable[[], list[str]]]:
    """Each command's kills, by name."""
    random = Random(seed)
    stick = yardstick(place)
    others = yardstick(place / "others", "--others")
    few = max(1, moments * 30 // 200)
    add: Words = ["kit", "add", "body", "--model", "Kestrin K8", "--mount", "E", "--key", "k8",
                  "--kit", "@/kit.toml"]  # fmt: skip
    return {
        "fill": lambda: kill_fill(stick, place, moments, random),
        "others": lambda: kill_fill(others, place / "others", few, random, "--others"),
        "verify": lambda: kill_verify(stick, place, few, random),
        "note": lambda: kill_save(
            stick, place, few, random,
            ["note", "@/session.txt", "k7", "f/4", "--at", "00:00", "--kit", "@/kit.toml"],
            "session.txt",
        ),
        "kit": lambda: kill_save(stick, place, few, random, add, "kit.toml"),
        "draft": lambda: kill_save(
            stick, place, few, random,
            ["draft", stick.frames, "-o", "@/drafted.txt"], "drafted.txt",
        ),
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description="Kill commands, hold the rest to the yardstick.")
    parser.add_argument("--moments", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("commands", nargs="*")
    asked = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as at:
        for name, kills in matrix(Path(at), asked.moments, asked.seed).items():
            if asked.commands and name not in asked.commands:
                continue
            faults = kills()
            print(f"{name}: {len(faults)} faults", flush=True)
            for fault in faults[:20]:
                print("   ", fault)
            bad += len(faults)
    return min(bad, 1)


if __name__ == "__main__":
    sys.exit(main())
