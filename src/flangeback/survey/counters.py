"""The counter in a frame's name."""

from __future__ import annotations

import re

_COUNTED = re.compile(r"(.*?)(\d{1,18})([^\d/]*)", re.DOTALL)
"""A file as what stands before its last number, the number, and what follows."""


def counted(file: str) -> tuple[tuple[str, str], int | None]:
    """A file's series, folder included, and its number in it; None for a name without one."""
    name = _COUNTED.fullmatch(file)
    if name is None:
        return (file.casefold(), ""), None
    return (name[1].casefold(), name[3].casefold()), int(name[2])
