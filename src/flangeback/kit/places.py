"""Where a kit file is looked for."""

from __future__ import annotations

import os
import sys
from pathlib import Path

NAME = "kit.toml"


def kit_file(given: Path | None, beside: Path = Path()) -> Path:
    """The kit file: as given (a folder means the kit.toml in it), else the one `beside` the frames
    or the log, else the one in the platform's configuration folder.

    Where there is none, the path is the one beside, for the message that it isn't there.
    """
    if given is not None:
        return given / NAME if given.is_dir() else given
    near, own = beside / NAME, config_folder() / NAME
    return own if not near.exists() and own.is_file() else near


def config_folder() -> Path:
    """The user's configuration folder for flangeback on this platform; it need not exist."""
    if sys.platform == "win32":
        base = os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming"
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        # XDG Base Directory Specification; a relative path in the variable is to be ignored.
        named = os.environ.get("XDG_CONFIG_HOME", "")
        base = named if Path(named).is_absolute() else Path.home() / ".config"
    return Path(base) / "flangeback"
