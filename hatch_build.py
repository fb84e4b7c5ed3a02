"""Where the project lives: told to the packages as they are built, since no file of it knows."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path
from urllib.parse import urlsplit

from hatchling.metadata.plugin.interface import MetadataHookInterface

_LINK = re.compile(r"(!?)\[([^\]]*)\]\((?![a-z]+:|#)([^)]*)\)")
"""A link of Markdown, or a picture, whose place counts from the README's own."""


class Address(MetadataHookInterface):
    """Adds the project's addresses and a README that a package page can show."""

    PLUGIN_NAME = "custom"

    def update(self, metadata: dict[str, object]) -> None:
        """Sets `urls` and `readme`."""
        root = Path(self.root)
        address = address_of(root)
        metadata["readme"] = {
            "content-type": "text/markdown",
            "text": readme_for(address, (root / "README.md").read_text("utf-8")),
        }
        metadata["urls"] = {} if address is None else urls_of(address)


def address_of(root: Path) -> str | None:
    """The workflow's repository, else the one that git fetches from, if it is a web page too."""
    server, name = os.environ.get("GITHUB_SERVER_URL"), os.environ.get("GITHUB_REPOSITORY")
    if server and name:
        return f"{server}/{name}"
    asked = ["git", "-C", str(root), "remote", "get-url", "origin"]
    try:
        told = subprocess.run(asked, capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        return None
    url = urlsplit(told.strip())
    # What stands before an @ may be a password.
    place = url.netloc.rpartition("@")[2] + url.path.rstrip("/").removesuffix(".git")
    return f"https://{place}" if url.scheme == "https" else None


def urls_of(address: str) -> dict[str, str]:
    """The links that a package page shows."""
    return {
        "Source": address,
        "Changelog": page_of(address, ".github/CHANGELOG.md"),
        "Issues": f"{address}/issues",
    }


def page_of(address: str, place: str, shown_as: str = "blob") -> str:
    """Where a file of the newest version is shown: as a page, or `raw`."""
    return f"{address}/{shown_as}/HEAD/{place}"


def readme_for(address: str | None, text: str) -> str:
    """The README with whole addresses; without any, links are plain text and pictures left out."""

    def whole(link: re.Match[str]) -> str:
        picture, shown, place = link.groups()
        if address is None:
            return "" if picture else shown
        return f"{picture}[{shown}]({page_of(address, place, 'raw' if picture else 'blob')})"

    return _LINK.sub(whole, text)
