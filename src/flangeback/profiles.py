"""The data files that ship with flangeback: mounts, sensor formats, an example kit.

They stand in the top-level `profiles` folder of a checkout and inside the package when installed.
"""

from __future__ import annotations

import tomllib
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any


def folder() -> Path:
    """The folder with the shipped profiles. Raises FileNotFoundError if the install lost it."""
    here = Path(__file__).resolve().parent
    for place in (here / "profiles", here.parents[1] / "profiles"):
        if (place / "mounts.toml").is_file():
            return place
    raise FileNotFoundError("flangeback's profiles are missing: install the package again")


@cache
def load(name: str) -> dict[str, Any]:
    """The profile `name` (such as "mounts") as plain data; figures are Decimals."""
    return tomllib.loads((folder() / f"{name}.toml").read_text("utf-8"), parse_float=Decimal)
