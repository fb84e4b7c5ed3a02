"""Works that workers can load by their names."""

from __future__ import annotations

import os
import time
from pathlib import Path

Part = tuple[int, int]
"""The id of the process that asks, and a number."""


def where(part: Part) -> tuple[int, int]:
    """The number, and the process that was asked; slow enough that each is."""
    time.sleep(0.02)
    return part[1], os.getpid()


def dies_elsewhere(part: Part) -> int:
    if os.getpid() != part[0]:
        os._exit(1)
    return part[1]


def fails_at_five(part: Part) -> int:
    if part[1] == 5:
        raise ArithmeticError(part[1])
    return part[1]


def waits_for_ever(part: Part) -> None:
    Path(f"{part[1]}").write_text(f"{os.getpid()}")
    time.sleep(600)
