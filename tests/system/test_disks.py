"""The commands on file systems that cards and portable disks have.

They are made in a file and mounted; a test skips, saying so, where this machine can't.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from support.commands import put_outing, run, tree

SIZE = 48 << 20
MAKERS = {
    "vfat": ["mkfs.vfat"],
    "exfat": ["mkfs.exfat"],
    "ntfs": ["mkntfs", "--fast", "--force", "--quiet"],
}
MOUNTS = {
    "vfat": [["mount", "-t", "vfat"]],
    "exfat": [["mount", "-t", "exfat"], ["mount.exfat-fuse"]],
    "ntfs": [
        ["mount", "-t", "ntfs3", "-o", "windows_names"],
        ["ntfs-3g", "-o", "windows_names"],
    ],
}
"""The kernel's own driver, else one of FUSE (fusefat is none: it loses what is written)."""


def called(*words: str | Path) -> str | None:
    """What a command of the system printed; None where it failed or isn't there."""
    if shutil.which(str(words[0])) is None:
        return None
    done = subprocess.run(
        list(map(str, words)), stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    return done.stdout.strip() if done.returncode == 0 else None


@contextmanager
def mounted(kind: str, folder: Path) -> Iterator[Path]:
    image, disk = folder / "disk", folder / "card"
    with image.open("wb") as file:
        file.truncate(SIZE)
    disk.mkdir()
    if called(*MAKERS[kind], image) is None:
        pytest.skip(f"{MAKERS[kind][0]} can't make a disk here")
    device = called("losetup", "--find", "--show", image)
    if not device:
        pytest.skip("there is no loop device")
    try:
        if all(called(*way, device, disk) is None for way in MOUNTS[kind]):
            pytest.skip(f"{kind} can't be mounted here")
        try:
            yield disk
        finally:
            called("umount", disk)
    finally:
        called("losetup", "--detach", device)


@pytest.fixture(params=MAKERS)
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    with mounted(request.param, tmp_path) as place:
        yield place


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    return put_outing(tmp_path / "frames")


def resumed(document: str) -> int:
    return sum(one["resumed"] for one in json.loads(document)["frames"])


def test_copies_are_made_carried_on_and_proved(disk: Path, frames: Path) -> None:
    before, out = tree(frames), disk / "out"
    assert run("fill", frames, "--into", out).code == 0
    assert run("verify", out).code == 0
    again = run("fill", frames, "--into", out, "--json")
    assert (again.code, resumed(again.out)) == (0, 4)
    (out / "K7_0203.JPG").unlink()
    again = run("fill", frames, "--into", out, "--json")
    assert (again.code, resumed(again.out)) == (0, 3)
    proved = run("verify", out)
    assert proved.code == 0
    assert "not in the manifest" not in proved.out
    assert tree(frames) == before


def test_copies_are_carried_on_when_the_times_of_the_disk_move(disk: Path, frames: Path) -> None:
    """FAT keeps local time in steps of two seconds: after summer time all of it is an hour off."""
    out = disk / "out"
    assert run("fill", frames, "--into", out).code == 0
    for copy in out.glob("*.JPG"):
        moved = copy.stat().st_mtime_ns + 3_600_000_000_000
        os.utime(copy, ns=(moved, moved))
    again = run("fill", frames, "--into", out, "--json")
    assert (again.code, resumed(again.out)) == (0, 4)
    assert run("verify", out).code == 0


def test_frames_on_a_card_are_filled_from_it_and_logged_on_it(disk: Path, tmp_path: Path) -> None:
    card = put_outing(disk / "DCIM" / "100K7")
    assert run("note", card / "session.txt", "k7", "f/8", "--at", "00:00").code == 0
    words = ("--key", "new", "--mount", "E", "--kit", disk / "kit.toml")
    assert run("kit", "add", "body", card / "K7_0201.JPG", *words).code == 0
    before, out = tree(card), tmp_path / "out"
    assert run("fill", card, "--into", out).code == 0
    assert run("verify", out).code == 0
    assert tree(card) == before


def test_names_that_the_disk_cant_hold_are_told_before_anything_is_written(
    disk: Path, frames: Path
) -> None:
    """Windows' file systems have no colon in a name (common practice)."""
    name = "K7_0201.JPG"
    (frames / name).rename(frames / "K7:0201.JPG")
    done = run("fill", frames, "--into", disk / "out")
    assert done.code == 2
    assert "K7:0201.JPG" in done.err
    assert not (disk / "out").exists()


def test_a_disk_that_fills_keeps_what_is_finished(disk: Path, frames: Path) -> None:
    ballast = disk / "ballast"
    with ballast.open("wb") as file, suppress(OSError):
        while True:
            file.write(bytes(1 << 18))
            file.flush()
    assert shutil.disk_usage(disk).free < 1 << 18
    done = run("fill", frames, "--into", disk / "out")
    assert done.code == 2
    assert "room" in done.err or "full" in done.err
    ballast.unlink()
    assert run("fill", frames, "--into", disk / "out").code == 0
    assert run("verify", disk / "out").code == 0
