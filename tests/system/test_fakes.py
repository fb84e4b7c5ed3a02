"""The commands on systems that lack something, and on disks that refuse something."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from support import fakes
from support.camera_files import DATE_TIME_ORIGINAL, put_frame
from support.commands import put_outing, run, tree

FRAME = fakes.composed("Sjö_0205.JPG")
Fake = Callable[[pytest.MonkeyPatch], None]
FAKES: dict[str, Callable[[Path], Fake]] = {
    "nothing lacks": lambda _: fakes.lacking(),
    "no positioned reads": lambda _: fakes.lacking("pread"),
    "no copies by the kernel": lambda _: fakes.lacking("copy_file_range"),
    "no sendfile": lambda _: fakes.lacking("copy_file_range", "sendfile"),
    "nothing of POSIX": lambda _: fakes.lacking(
        *("pread", "copy_file_range", "sendfile", "posix_fadvise", "pwrite", "fchmod", "geteuid")
    ),
    "locks of bytes": lambda _: fakes.without_fcntl,
    "no locks": lambda _: fakes.refusing(errno.ENOTSUP, "fcntl.flock"),
    "no times": lambda _: fakes.refusing(errno.EPERM, "os.utime"),
    "no modes": lambda _: fakes.refusing(errno.EPERM, "os.chmod", "os.fchmod"),
    "no links": lambda _: fakes.refusing(errno.EPERM, "os.link"),
    "no sync": lambda _: fakes.refusing(errno.EINVAL, "os.fsync"),
    "names listed decomposed": lambda root: fakes.OneNameDisk(
        root, fakes.composed, fakes.decomposed
    ),
    "names that fold case": lambda root: fakes.OneNameDisk(root, fakes.folded),
    "names listed in small letters": lambda root: fakes.OneNameDisk(root, fakes.folded, str.lower),
}


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    """Four frames that go by time, and one whose name a log writes composed."""
    folder = put_outing(tmp_path / "frames")
    put_frame(folder, FRAME, {DATE_TIME_ORIGINAL: b"2026:05:17 09:50:00"})
    with (folder / "session.txt").open("a", encoding="utf-8") as log:
        log.write(f"{FRAME} k7 miran58 f/8\n")
    return folder


@pytest.fixture(params=FAKES)
def faked(
    request: pytest.FixtureRequest, tmp_path: Path, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> str:
    """The fake is in force once the frames are there."""
    FAKES[request.param](tmp_path)(monkeypatch)
    return str(request.param)


def copies_by_name(document: str) -> dict[str, tuple[str, bool, float | None]]:
    frames = json.loads(document)["frames"]
    return {
        fakes.folded(one["copy"]): (one["outcome"], one["verified"], one["f_number"])
        for one in frames
    }


def identity(path: Path) -> tuple[int, int]:
    return path.stat().st_ino, path.stat().st_mtime_ns


def test_copies_are_made_carried_on_and_proved(faked: str, frames: Path) -> None:
    before, out = tree(frames), frames.parent / "out"
    done = run("fill", frames, "--into", out, "--json")
    assert done.code == 0, done.err
    stops = {"K7_0201": 2.8, "K7_0202": 2.8, "K7_0203": 5.6, "K7_0204": 5.6}
    first = {fakes.folded(f"{name}.JPG"): ("fill", True, stop) for name, stop in stops.items()}
    assert copies_by_name(done.out) == first | {fakes.folded(FRAME): ("fill", True, 8.0)}
    assert run("verify", out).code == 0

    (out / "K7_0203.JPG").unlink()
    kept = {path: identity(path) for path in out.glob("*.[Jj][Pp][Gg]")}
    again = run("fill", frames, "--into", out, "--json")
    assert again.code == 0, again.err
    assert copies_by_name(again.out) == copies_by_name(done.out)
    assert {path: identity(path) for path in kept} == kept
    proved = run("verify", out)
    assert proved.code == 0
    assert "not in the manifest" not in proved.out
    assert tree(frames) == before
    assert not [path.name for path in out.rglob(".*")]


def test_a_note_and_a_body_are_added(faked: str, frames: Path) -> None:
    log, kit = frames / "session.txt", frames / "kit.toml"
    said = log.read_text("utf-8")
    done = run("note", log, "k7", "f/4", "--at", "09:55")
    assert done.code == 0, done.err
    assert log.read_text("utf-8").startswith(said)
    assert "09:55" in log.read_text("utf-8")[len(said) :]
    gear = kit.read_text("utf-8")
    done = run("kit", "add", "body", frames / FRAME, "--key", "new", "--mount", "E", "--kit", kit)
    assert done.code == 0, done.err
    assert kit.read_text("utf-8").startswith(gear)
    assert "[body.new]" in kit.read_text("utf-8")
    assert run("kit", "check", kit).code == 0


# No room.


def test_a_disk_without_room_is_told_before_anything_is_written(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes.no_room(monkeypatch)
    out = frames.parent / "out"
    done = run("fill", frames, "--into", out)
    assert done.code == 2
    assert "room" in done.err
    assert not out.exists()


@pytest.mark.parametrize("count", [0, 100, 4_000, 12_000])
def test_a_disk_that_fills_keeps_what_is_finished(
    count: int, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, out = tree(frames), frames.parent / "out"
    with monkeypatch.context() as patch:
        fakes.room_for(count)(patch)
        done = run("fill", frames, "--into", out)
    assert done.code == 2
    assert "full" in done.err or "No space" in done.err
    finished = {path.name: path.stat().st_ino for path in out.glob("*.JPG")}
    assert not list(out.rglob(".*"))
    assert run("fill", frames, "--into", out).code == 0
    assert finished.items() <= {path.name: path.stat().st_ino for path in out.glob("*.JPG")}.items()
    assert run("verify", out).code == 0
    assert tree(frames) == before


def test_what_cant_be_added_for_want_of_room_leaves_all_as_it_was(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, log, kit = tree(frames), frames / "session.txt", frames / "kit.toml"
    fakes.room_for(10)(monkeypatch)
    assert run("note", log, "k7", "f/4", "--at", "09:55").code == 2
    body = ("kit", "add", "body", frames / FRAME, "--key", "new", "--mount", "E", "--kit", kit)
    assert run(*body).code == 2
    assert tree(frames) == before


# Names that the output's disk takes for one.


@pytest.mark.parametrize(
    ("key", "twin"),
    [(fakes.folded, "k7_0201.jpg"), (fakes.composed, fakes.decomposed(FRAME))],
    ids=["case", "Unicode form"],
)
def test_names_that_the_disk_takes_for_one_are_refused_before_anything_is_written(
    key: Callable[[str], str], twin: str, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    like = next(path for path in frames.iterdir() if key(path.name) == key(twin))
    (frames / twin).write_bytes(like.read_bytes())
    if os.path.samefile(like, frames / twin):  # noqa: PTH121
        pytest.skip("this disk takes them for one itself")
    card = frames.parent / "card"
    card.mkdir()
    fakes.OneNameDisk(card, key)(monkeypatch)
    done = run("fill", frames, "--into", card / "out")
    assert done.code == 2
    assert twin in done.err
    assert not list((card / "out").rglob("*.*"))
