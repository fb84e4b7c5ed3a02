"""Commands to paste: with the program's own path, quoted for the shell at hand."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

NAME = "flangeback"


def command(*words: str) -> str:
    """A command as a shell takes it, with the path that flangeback was called by."""
    line = [*_program(), *words]
    return subprocess.list2cmdline(line) if sys.platform == "win32" else shlex.join(line)


def _program() -> tuple[str, ...]:
    called = Path(sys.argv[0])
    if called.name == "__main__.py" and called.parent.name == NAME:
        return sys.executable, "-m", NAME
    if called.stem != NAME:
        return (NAME,)  # A script, or a test, that calls the commands.
    found = shutil.which(NAME)
    on_path = found is not None and Path(found).resolve() == called.resolve()
    return (NAME,) if on_path else (sys.argv[0],)


def out_beside(frames: str) -> str:
    """A folder for the copies of some frames: beside theirs, called after it."""
    folder = Path(frames)
    if folder.name in ("", ".."):
        whole = folder.resolve()
        return str(Path(os.path.relpath(whole.parent)) / f"{whole.name or 'frames'}-filled")
    return str(folder.with_name(f"{folder.name}-filled"))
