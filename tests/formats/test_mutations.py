"""A slice of the mutations that `tests/fuzz/mutate.py` makes by the thousand: every mutant ends
clean, refused, damaged, in a sidecar, or noticed as unproved, its copy removed; never otherwise.

The table of what they came to is printed with `-s`.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest

from support.mutants import Fate, fates, group_of, made_up, table

MUTANTS = 700
SEED = 20260518


def real(corpus: Path) -> dict[str, bytes]:
    names = sorted(p for p in corpus.glob("camera-*.jpg") if p.stat().st_size < 60_000)[:12]
    names += [*corpus.glob("heif-*.heic"), *corpus.glob("raw-*")]
    return {f"real {path.suffix[1:]} {path.stem}": path.read_bytes() for path in names}


def assert_well_ended(found: list[Fate]) -> None:
    print(table(found))
    errors = [(one.source, one.number, one.why) for one in found if one.end == "error"]
    assert not errors
    assert sum(one.end == "unproved" for one in found) <= len(found) // 100
    slow = [(one.source, one.number, one.seconds) for one in found if one.seconds > 1]
    assert not slow


def test_made_up_files_damaged_at_random() -> None:
    found = list(fates(made_up(), range(MUTANTS), SEED))
    assert_well_ended(found)
    for end in ("clean", "beside", "damaged"):
        assert sum(one.end == end for one in found) > MUTANTS // 50, end
    assert {group_of(one.source) for one in found} == set(made_up())


def test_real_files_damaged_at_random(corpus: Path) -> None:
    found = list(fates(real(corpus), range(MUTANTS // 2), SEED))
    assert_well_ended(found)
    assert sum(one.end == "clean" for one in found) > MUTANTS // 20


@pytest.mark.parametrize("name", sorted(made_up()))
def test_memory_stays_bounded(name: str) -> None:
    """200 MB, as the project has it; being traced is slow, so few do."""
    tracemalloc.start()
    try:
        list(fates({name: made_up()[name]}, range(8), SEED))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 200e6
