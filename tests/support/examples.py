"""How many examples a test is tried on: all of them in CI, a quarter on the way."""

from __future__ import annotations

import os


def examples(number: int, least: int = 20) -> int:
    """So many examples, or a quarter of them, but `least`, where no CI asks for all."""
    return number if os.environ.get("CI") else max(least, number // 4)
