"""A terminal whose lines a test reads."""

from __future__ import annotations

import re

from flangeback.report.tables import Terminal


class Screen(Terminal):
    """Keeps the lines, without the codes of their styles (ECMA-48, 8.3.117)."""

    def __init__(self, width: int) -> None:
        self.lines: list[str] = []
        super().__init__(self._keep, width)

    def _keep(self, line: str) -> None:
        self.lines += re.sub(r"\x1b\[\d+m", "", line).split("\n")
