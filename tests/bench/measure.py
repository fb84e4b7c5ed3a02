"""Speed as ratios: each figure is a command against a yardstick, side by side in one run.

    python tests/bench/measure.py [--frames 200] [--megabytes 6] [--rounds 5] [DIR]

`fill` is held against `cp -r` and `cmp` of the same frames; `--version`, a note, and what is asked
of the demo's 40 frames, against a bare `python -c "import typer"`, by their CPU time. The rounds
alternate, and each side counts with its best round: what else the machine does only adds time. DIR
(a temporary folder if none is named) takes about three times the frames' bytes.
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import piexif
from PIL import Image

KIT = """\
[body.k7]
model = "Kestrin K7"
mount = "E"
sensor = [35.9, 23.9]

[lens.miran58]
maker = "Ostrava Optik"
name = "Miran 58mm f/2"
focal = 58
widest = 2.0
narrowest = 16
mount = "M42"

[adapter.m42-e]
lens_mount = "M42"
body_mount = "E"
"""
LOG = "date 2026-05-17\n08:00 k7 miran58 f/2.8\n"
START = datetime(2026, 5, 17, 9, 0)


@dataclass(frozen=True)
class Ratio:
    """A command and its yardstick, each by its best round, in seconds."""

    name: str
    ours: float
    yardstick: float
    aim: float

    def __str__(self) -> str:
        ratio = self.ours / self.yardstick
        return (
            f"{self.name}: {ratio:.2f} (aim {self.aim}); "
            f"{self.ours * 1000:.0f} ms against {self.yardstick * 1000:.0f} ms"
        )


def make_frames(folder: Path, count: int, megabytes: float) -> None:
    """JPEG frames of about this size: a picture of noise, each with its own time."""
    folder.mkdir(parents=True)
    side = int((megabytes * 1e6 / 1.35) ** 0.5)
    noise = Image.frombytes("L", (side, side), os.urandom(side * side))
    picture = io.BytesIO()
    noise.save(picture, "JPEG", quality=97)
    data = picture.getvalue()
    for n in range(count):
        when = (START + timedelta(seconds=20 * n)).strftime("%Y:%m:%d %H:%M:%S")
        exif = {
            "0th": {piexif.ImageIFD.Make: b"Kestrin", piexif.ImageIFD.Model: b"Kestrin K7"},
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: when.encode(),
                piexif.ExifIFD.ExposureTime: (1, 250),
                piexif.ExifIFD.ISOSpeedRatings: 200,
                piexif.ExifIFD.MakerNote: bytes(range(256)) * 8,
            },
        }
        out = io.BytesIO()
        piexif.insert(piexif.dump(exif), data, out)
        (folder / f"K7_{n + 1:04}.JPG").write_bytes(out.getvalue())
    (folder / "kit.toml").write_text(KIT)
    (folder / "session.txt").write_text(LOG)


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def best(rounds: int, *sides: Callable[[], float]) -> list[float]:
    """The best of some rounds for each side, the sides taking turns."""
    taken = [[side() for side in sides] for _ in range(rounds)]
    return [min(column) for column in zip(*taken, strict=True)]


_COPY = 'cp -r "$1" "$2" && '
_COMPARE = 'for f in "$1"/*; do cmp "$f" "$2/${f##*/}" || exit 1; done'


def fill_against_cp(folder: Path, rounds: int) -> list[Ratio]:
    """Against cp and cmp as they are, and with a sync between them: `fill` gives a copy its name
    only once it is on the disk, which cp leaves to later."""
    frames, out = folder / "frames", folder / "out"

    def timed(*command: str) -> float:
        shutil.rmtree(out, ignore_errors=True)
        os.sync()
        return seconds([*command, str(frames), str(out)])

    ours, plain, durable = best(
        rounds,
        lambda: timed("sh", "-c", f'{_flangeback()} fill "$1" --into "$2"', "sh"),
        lambda: timed("sh", "-c", _COPY + _COMPARE, "sh"),
        lambda: timed("sh", "-c", _COPY + 'sync "$2"/* && ' + _COMPARE, "sh"),
    )
    return [
        Ratio("fill against cp -r and cmp", ours, plain, 1.25),
        Ratio("fill against cp -r, sync and cmp", ours, durable, 1.25),
    ]


def commands_against_typer(folder: Path, rounds: int) -> Iterator[Ratio]:
    """The aim of survey and match is 0.35 s where importing typer takes 0.07 s."""
    subprocess.run([_flangeback(), "demo", folder], check=True, capture_output=True)
    frames, out = str(folder / "frames"), str(folder / "filled")
    log, kit = str(folder / "session.txt"), str(folder / "frames" / "kit.toml")
    commands = {
        "--version": (["--version"], 1.3),
        "note": (["note", log, "k7", "miran58", "f/4", "--kit", kit], 2.0),
        "survey": (["survey", frames], 5.0),
        "match": (["match", frames], 5.0),
        "match --explain": (["match", frames, "--explain", "K7_0202"], 5.0),
        "fill again": (["fill", frames, "--into", out], 5.0),
        "verify": (["verify", out], 5.0),
    }
    sides = [[_flangeback(), *words] for words, _ in commands.values()]
    sides.append([sys.executable, "-c", "import typer"])
    *ours, typer = best(rounds * 2, *(partial(cpu_seconds, side) for side in sides))
    for (name, (_, aim)), taken in zip(commands.items(), ours, strict=True):
        yield Ratio(f"{name} against importing typer", taken, typer, aim)


def cpu_seconds(command: list[str]) -> float:
    """The CPU time of a command whose modules are compiled already, as installed ones are."""
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, stdout=subprocess.DEVNULL, env=environment, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _flangeback() -> str:
    return str(Path(sys.executable).with_name("flangeback"))


def main() -> None:
    parser = argparse.ArgumentParser(description="Speed as ratios, measured side by side.")
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--megabytes", type=float, default=6)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("folder", nargs="?", type=Path, metavar="DIR")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        for ratio in commands_against_typer(Path(folder) / "demo", asked.rounds):
            print(ratio, flush=True)
        make_frames(Path(folder) / "frames", asked.frames, asked.megabytes)
        for ratio in fill_against_cp(Path(folder), asked.rounds):
            print(ratio)


if __name__ == "__main__":
    main()
