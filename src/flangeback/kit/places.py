"""Where a kit file is looked for."""

from __future__ import annotations

from pathlib import Path

NAME = "kit.toml"


def kit_file(given: Path | None, beside: Path = Path()) -> Path:
    """The kit file as given, else the one beside the frames or the log, else the user's own.

    A folder means the kit.toml in it; the user's own is in the configuration folder. Where there
    is none, the path is the one `beside`, for the message that it isn't there.
    """
    if given is not None:
        return given / NAME if given.is_dir() else given
    near = beside / NAME
    if near.exists():
        return near
    own = config_folder() / NAME
    return own if own.is_file() else near


def config_folder() -> Path:
    """The user's configuration folder for flangeback on this platform; it need not exist."""
    from platformdirs import user_config_path

    return user_config_path("flangeback", appauthor=False, roaming=True)
