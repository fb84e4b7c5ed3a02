"""Matching takes little longer than one-threaded decoding of the same previews.

    python tests/bench/previews.py [--frames 5000] [--rounds 3]

Made JPEGs with a thumbnail each, in bursts, and a log with an entry every seven minutes. Each side
counts with its best round. Exit 1 where the ratio is above the aim.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import tempfile
import time
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import piexif
from PIL import Image

from flangeback.frames import scan
from flangeback.log import parse_log
from flangeback.match import match_frames
from support.field_pictures import jpegs, write_frame
from support.kits import whole_kit

AIM = 1.5
START = datetime(2026, 5, 4, 6, 0)
ENTRY = 420.0
"""Seconds from one entry to the next."""
STOPS = (4.0, 8.0, 5.6, 11.0)
KIT = whole_kit()


def make(folder: Path, count: int) -> str:
    """Write the frames; gives the log. Bursts come every 40 seconds, and the ring follows it."""
    chance = random.Random(7)
    seconds, light = 0.0, 13.0
    for number in range(count):
        seconds += chance.uniform(0.5, 2) if number % 3 else chance.uniform(20, 60)
        light += chance.gauss(0, 0.02)
        # The ring is turned at some second of its entry's minute.
        entry = int(seconds // ENTRY)
        entry -= seconds - entry * ENTRY < random.Random(entry).uniform(0, 60)
        stop = STOPS[max(0, entry) % len(STOPS)]
        wanted = light - 2 * math.log2(stop) + chance.gauss(0, 0.2)
        named = round(wanted * 3) / 3
        twentieths = round(20 * (wanted - named))
        picture, thumbnail = jpegs(
            number // 3, 0, twentieths, 2.0, (False, True, False), number % 4
        )
        at = START + timedelta(seconds=seconds)
        exif: dict[int, object] = {
            piexif.ExifIFD.DateTimeOriginal: f"{at:%Y:%m:%d %H:%M:%S}".encode(),
            piexif.ExifIFD.ExposureTime: (1, round(2**named)),
            piexif.ExifIFD.ISOSpeedRatings: 100,
        }
        main: dict[int, object] = {piexif.ImageIFD.Model: b"Kestrin K7"}
        tags = {"0th": main, "Exif": exif}
        write_frame(folder / f"K7_{number:05}.JPG", picture, thumbnail, tags)
    lines, day = [], None
    for n in range(math.ceil(seconds / ENTRY)):
        at = START + timedelta(seconds=n * ENTRY)
        lines += [f"date {at:%Y-%m-%d}"] if at.date() != day else []
        day = at.date()
        lines.append(f"{at:%H:%M} k7 {'miran58 ' if n == 0 else ''}f/{STOPS[n % len(STOPS)]:g}")
    return "\n".join(lines) + "\n"


def decode(folder: Path) -> float:
    """Seconds in which the thumbnails are decoded, read beforehand."""
    previews = [piexif.load(str(path))["thumbnail"] for path in sorted(folder.iterdir())]
    begun = time.perf_counter()
    for preview in previews:
        with Image.open(BytesIO(preview)) as picture:
            picture.load()
    return time.perf_counter() - begun


def match(folder: Path, log: str) -> float:
    """Seconds in which the folder is scanned and matched."""
    parsed = parse_log(log, KIT)
    begun = time.perf_counter()
    match_frames(scan(folder), [parsed], KIT)
    return time.perf_counter() - begun


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--frames", type=int, default=5000)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        log = make(Path(place), asked.frames)
        rounds = [(decode(Path(place)), match(Path(place), log)) for _ in range(asked.rounds)]
    decoding, matching = (min(side) for side in zip(*rounds, strict=True))
    print(f"{asked.frames} previews decoded: {decoding:.2f} s; matched: {matching:.2f} s")
    print(f"ratio {matching / decoding:.2f}, aim at most {AIM:g}")
    return int(matching / decoding > AIM)


if __name__ == "__main__":
    sys.exit(main())
