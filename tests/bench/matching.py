"""Matching is near linear: ten times the frames take about ten times as long.

    python tests/bench/matching.py [--frames 100000] [--entries 1000] [--rounds 3]

Made-up frames, half of them with light in them, against one log; a tenth of the frames is the
yardstick. Each side counts with its best round. Exit 1 where the ratio is above the aim.
"""

from __future__ import annotations

import argparse
import gc
import math
import random
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from flangeback.frames import CameraTime, Exposure, Frame
from flangeback.log import SessionLog, parse_log
from flangeback.match import match_frames
from flangeback.match.brightness import PictureLight
from support.kits import whole_kit

START = datetime(2026, 5, 4, 6, 0)
APART = 40.0
"""Seconds from burst to burst."""
AIM = 12.0
KIT = whole_kit()
STOPS = (2.8, 4.0, 5.6, 8.0)


def log_of(entries: int, seconds: float) -> SessionLog:
    lines, day = [], None
    for n in range(entries):
        at = START + timedelta(seconds=n * seconds / entries)
        if at.date() != day:
            day = at.date()
            lines.append(f"date {day}")
        lines.append(f"{at:%H:%M} k7 {'miran58 ' if n == 0 else ''}f/{STOPS[n % 4]:g}")
    return parse_log("\n".join(lines) + "\n", KIT)


def frames_of(count: int, seconds: float) -> list[Frame]:
    """Bursts of three spread evenly over the outing."""
    chance = random.Random(5)
    found = []
    for n in range(count):
        at = START + timedelta(seconds=round(n // 3 * 3 * seconds / count + n % 3))
        exposure = Exposure(Fraction(1, chance.choice((125, 160, 200))), 100) if n % 6 < 3 else None
        frame = Frame(
            f"K7_{n:06}.JPG",
            Path(),
            model="Kestrin K7",
            time=CameraTime(at, timedelta(seconds=1)),
        )
        found.append(frame if exposure is None else replace(frame, exposure=exposure))
    return found


def seconds_for(frames: Sequence[Frame], log: SessionLog) -> float:
    light = PictureLight(math.log2(0.18), 0.2)
    # What the bench itself holds in memory is no work of the matcher's.
    gc.collect()
    gc.freeze()
    begun = time.process_time()
    match_frames(frames, [log], KIT, pictures=lambda frame: light)
    return time.process_time() - begun


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--entries", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    length = asked.frames / 3 * APART
    log = log_of(asked.entries, length)
    many, few = (frames_of(count, length) for count in (asked.frames, asked.frames // 10))
    rounds = [(seconds_for(few, log), seconds_for(many, log)) for _ in range(asked.rounds)]
    small, large = (min(side) for side in zip(*rounds, strict=True))
    ratio = large / small
    print(f"{len(few)} frames: {small:.2f} s; {len(many)} frames: {large:.2f} s")
    print(f"ratio {ratio:.1f}, aim at most {AIM:g}")
    return int(ratio > AIM)


if __name__ == "__main__":
    sys.exit(main())
