"""Malformed manifests, each held against `verify`, `match --into`, `verify --mend` and `fill`.

    python tests/hard/manifests.py [--count 90] [--seed 1]

A line is cut, doubled, swapped with another, or one of its fields gets a value of another kind, a
path that leads elsewhere, or nonsense. Whatever comes of it, the frames stay, nothing outside the
output folder is written, and the run ends with a message or with sound copies.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.hard import Yardstick, run, state, yardstick

MANIFEST = "flangeback-manifest.jsonl"
EVIL: tuple[Any, ...] = (
    None, True, -1, 0, 1 << 70, 1e308, "", "\0", "../frames/K7_0000.JPG", "/etc/passwd", "..",
    "quay/../../x", [], [[]], [[1, 2, 3]], {}, {"size": "x"}, "x" * 5000, ["x"], "\ud800", "\u202e",
)  # fmt: skip


def malformed(text: bytes, random: Random) -> bytes:
    """The manifest with one thing wrong in it."""
    lines = text.splitlines(keepends=True)
    at = random.randrange(len(lines))
    match random.randrange(9):
        case 0:
            return text[: random.randrange(len(text))]
        case 1:
            lines.insert(at, lines[random.randrange(len(lines))])
        case 2:
            del lines[at]
        case 3:
            other = random.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        case 4:
            lines[at] = random.randbytes(60) + b"\n"
        case 5:
            lines[at] = b"[" * 100_000 + b"\n"
        case _:
            lines[at] = _with_evil(lines[at], random)
    return b"".join(lines)


def _with_evil(line: bytes, random: Random) -> bytes:
    data = json.loads(line)
    name = random.choice(sorted(data))
    if random.random() < 0.2:
        del data[name]
    elif isinstance(data[name], dict) and data[name] and random.random() < 0.5:
        data[name][random.choice(sorted(data[name]))] = random.choice(EVIL)
    else:
        data[name] = random.choice(EVIL)
    return json.dumps(data).encode() + b"\n"


def disturbed(stick: Yardstick, place: Path, made: Path, random: Random) -> list[str]:
    """What goes wrong with one malformed manifest."""
    out = place / "out"
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(made, out)
    (out / MANIFEST).write_bytes(malformed((out / MANIFEST).read_bytes(), random))
    beside = state(made)
    found = []
    commands: tuple[list[str | Path], ...] = (
        ["verify", out],
        ["match", stick.frames, "--into", out],
        ["verify", out, "--mend"],
        ["fill", stick.frames, "--into", out],
    )
    for words in commands:
        ended = run(words, place / "said")
        if "Traceback" in ended.said or "fault of flangeback" in ended.said:
            found.append(f"{words[0]}: a traceback: {ended.said[-500:]}")
        if ended.code not in (0, 1, 2, 3):
            found.append(f"{words[0]}: exit {ended.code}")
    if state(stick.frames) != stick.before:
        found.append("the originals changed")
    if state(made) != beside:
        found.append("something outside changed")
    for name, data in stick.whole.items():
        if (out / name).exists() and (out / name).read_bytes() != data:
            found.append(f"{name} isn't whole")
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description="Malformed manifests against fill and verify.")
    parser.add_argument("--count", type=int, default=90)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as at:
        place = Path(at)
        stick = yardstick(place, frames=3)
        # A manifest's folders may count from here.
        (place / "here" / "below").mkdir(parents=True)
        os.chdir(place / "here" / "below")
        bad = [
            f"{number}: {fault}"
            for number in range(asked.count)
            for fault in disturbed(stick, place, place / "whole", Random(f"{asked.seed}/{number}"))
        ]
    print(f"{asked.count} manifests, {len(bad)} faults")
    for fault in bad[:40]:
        print("   ", fault)
    return min(len(bad), 1)


if __name__ == "__main__":
    sys.exit(main())
