"""How many examples a test is tried on: all of them in CI, a quarter on the way."""

from __future__ import annotations

import os


def examples(number: int) -> int:
    """So many of hypothesis's examples, or a quarter of them where no CI asks for all."""
    return number if os.environ.get("CI") else max(20, number // 4)
