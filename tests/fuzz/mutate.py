"""Random mutations of real and made-up files, taken through reading, drafting and proof.

    python tests/fuzz/mutate.py [COUNT] [SEED] [PROCESSES] [held]

Prints a table by structure, the reasons for refusals, and whatever shouldn't be: another exception
than the project's own, more than a second, more than 200 MB; with `held`, which costs time and
memory of its own, a copy called verified in which a second reader finds something else changed.
"""

from __future__ import annotations

import os
import re
import resource
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from flangeback.formats import BY_SUFFIX
from support.mutants import Fate, fates, made_up, table

COUNT, SEED, EVERY = 20_000, 20260517, 1
LARGEST = 250_000
"""Bytes of a real file; larger ones take longer and say no more."""
RAW = {".arw", ".cr2", ".cr3", ".crw", ".iiq", ".mpo", ".mrw", ".nef", ".raf", ".x3f"}


def sources() -> dict[str, bytes]:
    beside = Path(__file__).resolve().parents[3] / "shared" / "corpus"
    folder = Path(os.environ.get("FLANGEBACK_CORPUS") or beside)
    real = {
        f"real {path.suffix[1:].lower()} {path.stem}": path.read_bytes()
        for path in sorted([*folder.glob("*.*"), *folder.glob("more/*.*")])
        if path.suffix.lower() in BY_SUFFIX.keys() | RAW
        and path.stat().st_size < LARGEST
        and not path.stem.startswith("broken")
    }
    return real | dict(made_up())


SHARE = 200
"""Mutants of one process: second readers keep memory."""


def share(numbers: range, seed: int) -> tuple[list[Fate], int]:
    """One process's part, and the most memory it took, in bytes beyond what it began with."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    held = "held" in sys.argv
    found = list(fates(sources(), numbers, seed, EVERY, held=held))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return found, (after - before) * 1024


def apart(numbers: range, seed: int) -> Iterator[tuple[list[Fate], int]]:
    """A share in a process of its own; where a second reader ends that, half of it at a time."""
    try:
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            yield pool.submit(share, numbers, seed).result()
    except BrokenProcessPool:
        if len(numbers) == 1:
            print(f"a second reader crashes on #{numbers[0]}")
            return
        half = len(numbers) // 2
        yield from apart(numbers[:half], seed)
        yield from apart(numbers[half:], seed)


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    workers = int(sys.argv[3]) if len(sys.argv) > 3 else os.cpu_count() or 1
    shares = [range(first, min(first + SHARE, count)) for first in range(0, count, SHARE)]
    with ThreadPoolExecutor(workers) as pool:
        done = pool.map(lambda numbers: list(apart(numbers, seed)), shares)
        results: list[tuple[list[Fate], int]] = []
        for number, parts in enumerate(done, 1):
            results += parts
            ends = Counter(one.end for part, _ in parts for one in part)
            print(f"{number * SHARE} of {count}:", dict(ends), file=sys.stderr)
    found = [one for part, _ in results for one in part]
    print(table(found))
    print("reasons:")
    reasons = Counter(re.sub(r"\d+", "N", one.why)[:90] for one in found if one.end != "clean")
    for reason, times in reasons.most_common(40):
        print(f"{times:>8}  {reason}")
    slowest = sorted(found, key=lambda one: one.seconds)[-3:]
    print("slowest:", ", ".join(f"{s.source} #{s.number} {s.seconds:.2f} s" for s in slowest))
    print(f"memory beyond the start: {max(most for _, most in results) / 1e6:.0f} MB")
    bad = [one for one in found if one.end in ("error", "harmed", "unproved") or one.seconds > 1]
    for one in bad[:40]:
        print(f"{one.end}: {one.source} #{one.number}: {one.why[:200]} ({one.seconds:.2f} s)")
    return 1 if any(one.end in ("error", "harmed") or one.seconds > 1 for one in bad) else 0


if __name__ == "__main__":
    raise SystemExit(main())
