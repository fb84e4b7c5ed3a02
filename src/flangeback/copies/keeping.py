"""The logs and the kit that copies were filled by, kept beside them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import count
from pathlib import Path

from flangeback.frames.model import MANIFEST
from flangeback.saving import save_new

_SESSION, _KIT = "flangeback-session", "flangeback-kit"
OWN = re.compile(rf"{re.escape(MANIFEST)}|{_SESSION}(-\d+)?\.txt|{_KIT}(-\d+)?\.toml")
"""The names of what lies beside copies."""


def keep_used(
    out: Path, logs: Sequence[Path], kit: Path | None
) -> tuple[tuple[str, ...], str | None]:
    """The names under which logs and kit stand in `out`; each is put there unless it does already.

    Other contents get other numbers: flangeback-session.txt, flangeback-session-2.txt. Raises
    OSError, InputError.
    """
    names = tuple(_kept(out, _SESSION, ".txt", log.read_bytes()) for log in logs)
    return names, None if kit is None else _kept(out, _KIT, ".toml", kit.read_bytes())


def _kept(out: Path, stem: str, suffix: str, content: bytes) -> str:
    for number in count(1):
        name = f"{stem}{suffix}" if number == 1 else f"{stem}-{number}{suffix}"
        path = out / name
        if not path.exists() and not path.is_symlink():
            save_new(path, content)
            return name
        if path.is_file() and not path.is_symlink() and path.read_bytes() == content:
            return name
    raise AssertionError
