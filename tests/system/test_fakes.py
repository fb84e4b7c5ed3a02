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
from support.commands import Ran, put_outing, run, tree

FRAME = fakes.composed("Sjö_0205.JPG")
Fake = Callable[[pytest.MonkeyPatch], None]
FAKES: dict[str, Callable[[Path], Fake]] = {
    "nothing lacks": lambda _: fakes.lacking(),
    "no positioned reads": lambda _: fakes.lacking("pread"),
    "no copies by the kernel": lambda _: fakes.lacking("copy_file_range"),
    "no sendfile": lambda _: fakes.lacking("copy_file_range", "sendfile"),
    "nothing of POSIX": lambda _: fakes.lacking(
        *(
            "pread",
            "copy_file_range",
            "sendfile",
            "posix_fadvise",
            "pwrite",
            "fchmod",
            "geteuid",
            "sched_getaffinity",
        )
    ),
    "locks of bytes": lambda _: fakes.without_fcntl,
    "names of Windows": lambda _: fakes.names_of_windows,
    "frames on another drive": lambda root: fakes.on_a_drive_of_its_own(root / "frames"),
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
    """Four frames that go by time, and one whose name a log writes composed.

    That one is only to be read, as one that its body protected (common practice).
    """
    folder = put_outing(tmp_path / "frames")
    put_frame(folder, FRAME, {DATE_TIME_ORIGINAL: b"2026:05:17 09:50:00"}).chmod(0o444)
    with (folder / "session.txt").open("a", encoding="utf-8") as log:
        log.write(f"{FRAME} k7 miran58 f/8\n")
    return folder


STOPS = {"K7_0201.JPG": 2.8, "K7_0202.JPG": 2.8, "K7_0203.JPG": 5.6, "K7_0204.JPG": 5.6, FRAME: 8.0}
ALL_FILLED = {fakes.folded(name): ("fill", True, stop) for name, stop in STOPS.items()}
NOTE = ("note", "FRAMES/session.txt", "k7", "f/4", "--at", "00:00")
KIT_ADD = ("kit", "add", "body", f"FRAMES/{FRAME}", "--key", "new", "--mount", "E")
FILL = ("fill", "FRAMES", "--into", "OUT", "--json")


def called(words: tuple[str, ...], frames: Path) -> Ran:
    out, kit = str(frames.parent / "out"), ("--kit", frames / "kit.toml")
    given = [word.replace("FRAMES", str(frames)).replace("OUT", out) for word in words]
    return run(*given, *kit * (words == KIT_ADD))


def copies_by_name(document: str) -> dict[str, tuple[str, bool, float | None]]:
    frames = json.loads(document)["frames"]
    return {
        fakes.folded(one["copy"]): (one["outcome"], one["verified"], one["f_number"])
        for one in frames
    }


def identity(path: Path) -> tuple[int, int]:
    return path.stat().st_ino, path.stat().st_mtime_ns


def check_fill(frames: Path, fake: Fake, patch: pytest.MonkeyPatch) -> None:
    fake(patch)
    done = called(FILL, frames)
    assert done.code == 0, done.err
    assert copies_by_name(done.out) == ALL_FILLED


def check_carry_on(frames: Path, fake: Fake, patch: pytest.MonkeyPatch) -> None:
    """What another system, or another mount, began; then by a better log."""
    out = frames.parent / "out"
    assert called(FILL, frames).code == 0
    (out / "K7_0203.JPG").unlink()
    fake(patch)
    kept = {path: identity(path) for path in out.glob("*.[Jj][Pp][Gg]")}
    done = called(FILL, frames)
    assert done.code == 0, done.err
    assert copies_by_name(done.out) == ALL_FILLED
    assert {path: identity(path) for path in kept} == kept
    proved = called(("verify", "OUT"), frames)
    assert (proved.code, "5 of 5" in proved.out) == (0, True), proved.out
    better = frames.parent / "better.txt"
    better.write_text((frames / "session.txt").read_text("utf-8").replace("f/8", "f/11"), "utf-8")
    done = called((*FILL, "--log", str(better), "--take-back"), frames)
    assert done.code == 0, done.err
    assert copies_by_name(done.out) == ALL_FILLED | {fakes.folded(FRAME): ("fill", True, 11.0)}


def check_verify(frames: Path, fake: Fake, patch: pytest.MonkeyPatch) -> None:
    """Sound copies, then one that lost a byte."""
    assert called(FILL, frames).code == 0
    fake(patch)
    proved = called(("verify", "OUT"), frames)
    assert proved.code == 0, proved.out
    assert "5 of 5" in proved.out
    assert "not in the manifest" not in proved.out
    copy = frames.parent / "out" / "K7_0202.JPG"
    copy.write_bytes(copy.read_bytes()[:-1])
    proved = called(("verify", "OUT"), frames)
    assert (proved.code, "k7_0202.jpg" in proved.out.lower()) == (3, True)


def check_note(frames: Path, fake: Fake, patch: pytest.MonkeyPatch) -> None:
    log = frames / "session.txt"
    said = log.read_text("utf-8")
    fake(patch)
    done = called(NOTE, frames)
    assert done.code == 0, done.err
    assert log.read_text("utf-8").startswith(said)
    assert "00:00" in log.read_text("utf-8")[len(said) :]


def check_kit_add(frames: Path, fake: Fake, patch: pytest.MonkeyPatch) -> None:
    kit = frames / "kit.toml"
    gear = kit.read_text("utf-8")
    fake(patch)
    done = called(KIT_ADD, frames)
    assert done.code == 0, done.err
    assert kit.read_text("utf-8").startswith(gear)
    assert "[body.new]" in kit.read_text("utf-8")
    assert run("kit", "check", kit).code == 0


Check = Callable[[Path, Fake, pytest.MonkeyPatch], None]
CHECKS: dict[str, tuple[Check, str | None]] = {
    "fill": (check_fill, None),
    "carry on": (check_carry_on, None),
    "verify": (check_verify, None),
    "note": (check_note, "session.txt"),
    "kit add": (check_kit_add, "kit.toml"),
}
"""What each command has to do, and which of the files beside the frames it may change."""


@pytest.mark.parametrize("fake", FAKES)
@pytest.mark.parametrize("command", CHECKS)
def test_each_command_does_its_work_on_each(
    command: str,
    fake: str,
    frames: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before, (check, written) = tree(frames), CHECKS[command]
    with monkeypatch.context() as patch:
        check(frames, FAKES[fake](frames.parent), patch)
    after = tree(frames)
    assert before.keys() == after.keys()
    assert {name for name in before if before[name] != after[name]} <= {written}
    assert not [path.name for path in frames.parent.rglob(".*")]


@pytest.mark.parametrize("fake", FAKES)
def test_copies_made_there_are_carried_on_and_proved_there(
    fake: str, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    FAKES[fake](frames.parent)(monkeypatch)
    assert called(FILL, frames).code == 0
    done = called(FILL, frames)
    assert (done.code, copies_by_name(done.out)) == (0, ALL_FILLED)
    assert all(one["resumed"] for one in json.loads(done.out)["frames"])
    assert called(("verify", "OUT"), frames).code == 0


def test_the_copy_of_a_protected_frame_is_protected(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes.names_of_windows(monkeypatch)
    assert called(FILL, frames).code == 0
    assert not (frames.parent / "out" / FRAME).stat().st_mode & 0o222


@pytest.mark.parametrize("seconds", [-1.25, 3600, -3600], ids=["coarse", "summer", "winter"])
def test_copies_are_carried_on_when_the_times_of_their_disk_move(
    seconds: float, frames: Path
) -> None:
    """FAT keeps local times in steps of two seconds: they are others after it is mounted anew, and
    an hour off after summer time (common practice)."""
    assert called(FILL, frames).code == 0
    for copy in (frames.parent / "out").glob("*.JPG"):
        moved = copy.stat().st_mtime_ns + int(seconds * 1e9)
        os.utime(copy, ns=(moved, moved))
    done = called(FILL, frames)
    assert done.code == 0, done.err
    assert all(one["resumed"] for one in json.loads(done.out)["frames"])
    assert called(("verify", "OUT"), frames).code == 0


# What may not be written, or not be looked at.

ALL = [
    *(FILL, NOTE, KIT_ADD, ("survey", "FRAMES"), ("draft", "FRAMES"), ("match", "FRAMES")),
    *(("tally", "FRAMES"), ("kit", "check", "FRAMES"), ("kit", "card", "--kit", "FRAMES")),
    *(("kit", "fit", "--kit", "FRAMES"), ("note", "FRAMES/session.txt", "--undo")),
]


def check_refused(done: Ran, *told: str) -> None:
    """One message and exit 2."""
    assert done.code == 2
    heads = [line for line in done.err.splitlines() if not line.startswith("    ")]
    assert len(heads) == 1, done.err
    assert all(word in done.err for word in told), done.err


def test_a_write_protected_card_is_filled_from(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes.write_protected(frames)(monkeypatch)
    assert copies_by_name(called(FILL, frames).out) == ALL_FILLED
    for words in (NOTE, KIT_ADD):
        check_refused(called(words, frames), "Read-only file system", "left as it was")


def test_copies_on_a_write_protected_disk_are_proved(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = frames.parent / "out"
    assert called(FILL, frames).code == 0
    (out / "K7_0203.JPG").unlink()
    before = tree(out)
    fakes.write_protected(out)(monkeypatch)
    assert called(("verify", "OUT"), frames).code == 3
    check_refused(called(FILL, frames), "out", "Read-only file system")
    assert tree(out) == before


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_a_folder_that_may_not_be_looked_at_is_told(
    words: tuple[str, ...], frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tree(frames)
    with monkeypatch.context() as patch:
        fakes.forbidden(frames)(patch)
        check_refused(called(words, frames), str(frames), "Operation not permitted")
    assert tree(frames) == before
    assert not (frames.parent / "out").exists()


def test_a_folder_of_frames_that_may_not_be_looked_at_stops_no_other(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_frame(frames, "day2/K7_0301.JPG", {DATE_TIME_ORIGINAL: b"2026:05:17 09:51:00"})
    fakes.forbidden(frames / "day2")(monkeypatch)
    done = called(FILL, frames)
    assert done.code == 1
    document = json.loads(done.out)
    told = {one["file"]: one["outcome"] for one in document["frames"]}
    assert told == dict.fromkeys(STOPS, "fill")
    assert document["others_left"].keys() == {"day2"}


@pytest.mark.parametrize("words", [FILL, ("verify", "OUT"), ("tally", "OUT")], ids=" ".join)
def test_copies_that_may_not_be_looked_at_are_told(
    words: tuple[str, ...], frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert called(FILL, frames).code == 0
    with monkeypatch.context() as patch:
        fakes.forbidden(frames.parent / "out")(patch)
        check_refused(called(words, frames), "out", "Operation not permitted")
    assert called(("verify", "OUT"), frames).code == 0


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
    assert run("note", log, "k7", "f/4", "--at", "00:00").code == 2
    body = ("kit", "add", "body", frames / FRAME, "--key", "new", "--mount", "E", "--kit", kit)
    assert run(*body).code == 2
    assert tree(frames) == before


@pytest.mark.parametrize("full", [fakes.no_room, fakes.room_for(0)], ids=["stated", "met"])
def test_on_a_full_disk_copies_are_proved_and_none_is_harmed(
    full: Fake, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = frames.parent / "out"
    assert called(FILL, frames).code == 0
    full(monkeypatch)
    assert called(("verify", "OUT"), frames).code == 0
    (out / "K7_0203.JPG").unlink()
    before = tree(out)
    proved = called(("verify", "OUT"), frames)
    assert (proved.code, "4 of 5" in proved.out) == (3, True)
    check_refused(called(FILL, frames), "out")
    assert tree(out) == before


# Names that the output's disk can't hold, or takes for one.


@pytest.mark.parametrize(
    ("name", "is_held"),
    [
        ("K7:0299.JPG", lambda name: ":" not in name),
        ("K7_\t0299.JPG", str.isprintable),
        ("K7_\udcff.JPG", str.isprintable),
    ],
    ids=["colon", "tab", "not UTF-8"],
)
@pytest.mark.skipif(os.name == "nt", reason="no disk of this system can hold them")
def test_names_that_the_disk_cant_hold_are_told_before_anything_is_written(
    name: str, is_held: Callable[[str], bool], frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What disks of Windows, or made to hold Unicode, refuse (common practice)."""
    try:
        put_frame(frames, name, {DATE_TIME_ORIGINAL: b"2026:05:17 09:51:00"})
    except OSError:
        pytest.skip("the disk of the frames can't hold it either")
    fakes.holding(frames.parent, is_held)(monkeypatch)
    check_refused(called(FILL, frames), "can't hold this name")
    assert not (frames.parent / "out").exists()


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
