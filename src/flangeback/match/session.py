"""All that a match takes, read from an outing's folder."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from flangeback.errors import InputError, Problem
from flangeback.frames import Frame, scan
from flangeback.kit import Kit, read_kit
from flangeback.kit.places import kit_file
from flangeback.log import LogError, SessionLog, read_log
from flangeback.match.index import missing_names


@dataclass(frozen=True)
class Session:
    """An outing's frames, logs and gear.

    And the files that logs and kit were read from.
    """

    frames: tuple[Frame, ...]
    logs: tuple[SessionLog, ...]
    kit: Kit
    log_files: tuple[Path, ...] = ()
    kit_file: Path | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """The logs' and the kit's."""
        return (*self.log_files, *([self.kit_file] if self.kit_file else []))


def read_session(
    folder: Path,
    logs: Sequence[Path] | None = None,
    kit: Path | None = None,
    progress: Callable[[int], None] | None = None,
) -> Session:
    """Reads an outing: the frames of `folder`, its logs and the kit.

    Without others named they are session.txt and kit.toml in it, else the kit in the configuration
    folder. `progress` is told how many frames are read.

    Raises InputError with the faults of the kit, or with those of all logs: what each says that
    isn't understood, and what it says of frames that aren't there.
    """
    if not folder.is_dir():
        text, expected = "there is no such folder", "the folder with the frames"
        raise InputError(Problem(str(folder), text, expected=expected))
    gear_file, files = kit_file(kit, folder), tuple(logs or [folder / "session.txt"])
    gear = read_kit(gear_file)
    frames = scan(folder, progress)
    days = {frame.time.at.date() for frame in frames if frame.time is not None}
    read, problems = _read_logs(files, gear, days)
    if problems:
        problems += missing_names(frames, read, gear)
        named = [problem.file for problem in problems]
        problems.sort(key=lambda one: (named.index(one.file), one.line or 0, one.column or 0))
        raise InputError(problems)
    return Session(frames, tuple(read), gear, files, gear_file)


def _read_logs(
    files: Sequence[Path], kit: Kit, days: Collection[date]
) -> tuple[list[SessionLog], list[Problem]]:
    """Every log, as far as it could be read, and the faults of all."""
    logs, problems = [], list[Problem]()
    for path in files:
        try:
            logs.append(read_log(path, kit, days))
        except LogError as error:
            logs.append(error.log)
            problems += error.problems
        except InputError as error:
            problems += error.problems
    return logs, problems
