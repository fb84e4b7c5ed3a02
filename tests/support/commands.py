"""Running the commands, and a small outing to run them on."""

from __future__ import annotations

import os
import shlex
import subprocess
import sysconfig
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from flangeback.cli.app import app
from support.camera_files import DATE_TIME_ORIGINAL, put_frame
from support.kits import WHOLE

LOG = """date 2026-05-17
09:12 k7 miran58 f/2.8
09:40 k7 f/5.6
"""
TIMES = ("09:13:00", "09:14:00", "09:41:00", "09:42:00")
WIDTH = 80
SCRIPT = Path(sysconfig.get_path("scripts")) / "flangeback"


@dataclass(frozen=True)
class Ran:
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str


def run(*words: str | Path) -> Ran:
    """A command inside this process, on a terminal of 80 columns."""
    done = CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": str(WIDTH)})
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Ran(done.exit_code, done.stdout, done.stderr)


def run_script(*words: str | Path, cwd: Path, **environment: str) -> Ran:
    """The installed `flangeback` script in a process of its own."""
    done = subprocess.run(
        [str(SCRIPT), *map(str, words)],
        cwd=cwd,
        env=os.environ | {"COLUMNS": str(WIDTH)} | environment,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    return Ran(done.returncode, done.stdout, done.stderr)


def pasted(command: str) -> list[str]:
    """The words of a command as a shell takes them apart, to which a backslash is no escape."""
    lexer = shlex.shlex(command, posix=True)
    lexer.whitespace_split, lexer.escape, lexer.commenters = True, "", ""
    return list(lexer)


def put_outing(folder: Path, log: str = LOG, kit: str = WHOLE) -> Path:
    """Four frames of one body that all come to a fill, with their log and kit."""
    for number, time in enumerate(TIMES, 201):
        put_time(folder, f"K7_0{number}.JPG", time)
    (folder / "session.txt").write_text(log, "utf-8")
    (folder / "kit.toml").write_text(kit, "utf-8")
    return folder


def put_time(folder: Path, file: str, time: str) -> Path:
    return put_frame(folder, file, {DATE_TIME_ORIGINAL: f"2026:05:17 {time}".encode()})


def tree(folder: Path) -> Mapping[str, tuple[bytes, int] | None]:
    """Everything below the folder: contents and time of change by name, None for a folder."""
    return {
        path.relative_to(folder).as_posix(): (
            (path.read_bytes(), path.stat().st_mtime_ns) if path.is_file() else None
        )
        for path in folder.rglob("*")
    }
