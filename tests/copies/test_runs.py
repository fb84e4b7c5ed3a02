"""Runs of fill: nothing half done, nothing done twice, nothing of others' or the frames touched.

What is asked of the files are the operating system's own words: bytes, inodes, times.
"""

from __future__ import annotations

import errno
import importlib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies import Filled, FillOptions, fill, verify
from flangeback.errors import InputError
from flangeback.match import Outcome
from flangeback.tags import Fill
from support.folders import (
    ALL,
    BESIDE,
    BROKEN,
    FULL,
    MADE,
    SOUND,
    litter,
    make_frames,
    marks,
    snapshot,
)
from support.gear import AT_2_8, AT_5_6, all_filled
from support.readers import by_exiv2

MANIFEST = "flangeback-manifest.jsonl"


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    return make_frames(tmp_path / "frames")


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "filled"


def run(
    frames: Path,
    out: Path,
    values: Fill = AT_2_8,
    progress: Callable[[int, int], None] | None = None,
    **more: Any,
) -> Filled:
    return fill(all_filled(frames, ALL, values), frames, out, FillOptions(**more), progress)


def noted(out: Path) -> list[str]:
    """The copies that the manifest has, line by line."""
    lines = (json.loads(line) for line in (out / MANIFEST).read_text("utf-8").splitlines())
    return [line["copy"] for line in lines if line["record"] == "file"]


def f_number(path: Path) -> str:
    return str(by_exiv2(path.read_bytes()).get("Exif.Photo.FNumber"))


def assert_whole(frames: Path, out: Path, stated: str = "28/10") -> None:
    """Every copy is there, proved and noted, and nothing else is."""
    assert set(snapshot(out)) == {*MADE, MANIFEST}
    assert set(noted(out)) == set(MADE)
    again = verify(out)
    assert not again.failed
    assert not again.strangers
    assert {f_number(out / name) for name in SOUND} == {stated}
    for name in (FULL, BROKEN):
        assert (out / name).read_bytes() == (frames / name).read_bytes()


def test_the_tree_is_mirrored_and_times_are_kept(frames: Path, out: Path) -> None:
    before = snapshot(frames)
    filled = run(frames, out)
    assert snapshot(frames) == before
    assert_whole(frames, out)
    for name in ALL:
        assert (out / name).stat().st_mtime_ns == (frames / name).stat().st_mtime_ns
    outcomes = {copy.match.frame.file: copy.match.outcome for copy in filled.copies}
    assert list(outcomes) == list(ALL)
    assert outcomes[BROKEN] == Outcome.UNREADABLE
    assert outcomes[FULL] == Outcome.FILL
    assert {outcomes[name] for name in SOUND} == {Outcome.FILL}
    full = next(copy for copy in filled.copies if copy.copy == FULL)
    assert "the Exif block is full" in str(full.match.reason)


def test_progress_counts_every_frame(frames: Path, out: Path) -> None:
    steps: list[tuple[int, int]] = []
    run(frames, out, progress=lambda count, size: steps.append((count, size)))
    assert [count for count, _ in steps] == list(range(1, len(ALL) + 1))
    assert steps[-1][1] == sum((frames / name).stat().st_size for name in ALL)


def test_a_frame_left_alone_is_copied_byte_for_byte(frames: Path, out: Path) -> None:
    matches = all_filled(frames, ALL)
    alone = [o for o in Outcome if not o.is_filled]
    mixed = tuple(
        replace(match, outcome=alone[n % len(alone)]) for n, match in enumerate(matches.frames)
    )
    fill(replace(matches, frames=mixed), frames, out)
    copies = snapshot(out)
    copies.pop(MANIFEST)
    assert copies == snapshot(frames)


# Carrying on.


def test_a_second_run_makes_nothing_again(frames: Path, out: Path) -> None:
    run(frames, out)
    before = marks(out)
    again = run(frames, out)
    now = marks(out)
    assert {name: now[name] for name in MADE} == {name: before[name] for name in MADE}
    assert all(copy.resumed and copy.verified for copy in again.copies)
    assert len(noted(out)) == len(MADE)


KILLED = """
import os, signal, sys
from pathlib import Path
from flangeback.copies import FillOptions, fill
from support.folders import ALL
from support.gear import all_filled

frames, out, after = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])

def step(count, size):
    if count == after:
        os.kill(os.getpid(), signal.SIGKILL)

fill(all_filled(frames, ALL), frames, out, FillOptions(), step)
"""


def in_a_process(script: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.mark.parametrize("after", [1, 4, 9])
def test_a_killed_run_is_carried_on(frames: Path, out: Path, after: int) -> None:
    assert in_a_process(KILLED, frames, out, after).returncode == -signal.SIGKILL
    finished = noted(out)
    assert len(finished) >= after
    assert len(finished) < len(MADE)
    before = marks(out)
    filled = run(frames, out)
    now = marks(out)
    assert {name: now[name] for name in finished} == {name: before[name] for name in finished}
    assert {copy.copy for copy in filled.copies if copy.resumed} == set(finished)
    assert not litter(out)
    assert_whole(frames, out)


def test_what_a_kill_left_half_made_is_cleared(frames: Path, out: Path) -> None:
    (out / "quay").mkdir(parents=True)
    (out / "quay" / ".K7_0002.JPG.flangeback-part").write_bytes(b"half")
    (out / ".K7_0099.JPG.flangeback-part").write_bytes(b"half")
    run(frames, out)
    assert_whole(frames, out)


@pytest.mark.parametrize("lost", [SOUND[0], SOUND[3], FULL, BROKEN, BESIDE])
def test_a_copy_that_was_not_noted_is_adopted(frames: Path, out: Path, lost: str) -> None:
    """Killed between giving the copy its name and noting it."""
    run(frames, out)
    lines = (out / MANIFEST).read_text("utf-8").splitlines(keepends=True)
    (out / MANIFEST).write_text(
        "".join(x for x in lines if json.loads(x).get("copy") != lost), "utf-8"
    )
    before = marks(out)
    run(frames, out)
    now = marks(out)
    assert {n: now[n] for n in MADE} == {n: before[n] for n in MADE}
    assert_whole(frames, out)


def test_a_torn_last_line_is_dropped(frames: Path, out: Path) -> None:
    run(frames, out)
    whole = (out / MANIFEST).read_bytes()
    torn = whole[: whole.rstrip(b"\n").rindex(b"\n") + 40]
    (out / MANIFEST).write_bytes(torn)
    run(frames, out)
    assert_whole(frames, out)


def test_a_manifest_that_is_not_ours_is_told(frames: Path, out: Path) -> None:
    out.mkdir()
    (out / MANIFEST).write_text('{"schema": "another/1"}\n', "utf-8")
    with pytest.raises(InputError, match=r"flangeback-manifest\.jsonl:1"):
        run(frames, out)
    assert set(snapshot(out)) == {MANIFEST}


def test_changed_values_make_own_copies_anew(frames: Path, out: Path) -> None:
    run(frames, out)
    run(frames, out, AT_5_6, take_back=True)
    assert_whole(frames, out, "56/10")


def test_a_copy_that_was_deleted_is_made_again(frames: Path, out: Path) -> None:
    run(frames, out)
    (out / SOUND[5]).unlink()
    run(frames, out)
    assert_whole(frames, out)


# What isn't flangeback's own.


def a_file(path: Path, frames: Path) -> None:
    path.write_bytes(b"somebody's own")


def a_folder(path: Path, frames: Path) -> None:
    path.mkdir()


def a_dangling_link(path: Path, frames: Path) -> None:
    path.symlink_to(path.with_name("nowhere"))


def a_link_to_the_frame(path: Path, frames: Path) -> None:
    path.symlink_to(frames / path.name)


@pytest.mark.parametrize("name", [SOUND[0], SOUND[2], BROKEN])
@pytest.mark.parametrize("put", [a_file, a_folder, a_dangling_link, a_link_to_the_frame])
def test_a_stranger_stops_the_run_before_anything_is_written(
    frames: Path, out: Path, name: str, put: Callable[[Path, Path], None]
) -> None:
    (out / name).parent.mkdir(parents=True)
    put(out / name, frames)
    before, originals = sorted(out.rglob("*")), snapshot(frames)
    with pytest.raises(InputError, match=r"stands? in the way"):
        run(frames, out)
    assert sorted(out.rglob("*")) == before
    assert snapshot(frames) == originals


def test_a_file_where_a_folder_must_be_is_told_once_for_each_frame(frames: Path, out: Path) -> None:
    out.mkdir()
    (out / "quay").write_bytes(b"somebody's own")
    with pytest.raises(InputError, match=r"stands? in the way"):
        run(frames, out)
    assert (out / "quay").read_bytes() == b"somebody's own"
    assert set(snapshot(out)) == {"quay"}


def test_a_link_below_the_output_never_leads_into_the_frames(frames: Path, out: Path) -> None:
    (frames / "empty").mkdir()
    before = snapshot(frames)
    for inside in ("empty", "quay"):
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        (out / "quay").symlink_to(frames / inside, target_is_directory=True)
        with pytest.raises(InputError, match=r"stands? in the way"):
            run(frames, out)
        assert snapshot(frames) == before


@pytest.mark.skipif(not hasattr(os, "O_PATH"), reason="folders can't be pinned on this system")
@pytest.mark.parametrize(
    "moment", ["copies.output.check_room", "copies.write.prove", "system.rename_new"]
)
def test_a_folder_swapped_for_a_link_under_the_run_leads_nowhere(
    frames: Path, tmp_path: Path, out: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    """Between the look at a folder and its use, before a proof, before a copy gets its name."""
    theirs = tmp_path / "theirs"
    theirs.mkdir()
    (out / "quay").mkdir(parents=True)
    before = snapshot(frames)
    module, _, name = moment.rpartition(".")
    real = getattr(importlib.import_module(f"flangeback.{module}"), name)

    def swapping(*given: Any, **more: Any) -> Any:
        if not (out / "quay").is_symlink():
            (out / "quay").rename(tmp_path / "was")
            (out / "quay").symlink_to(theirs, target_is_directory=True)
        return real(*given, **more)

    monkeypatch.setattr(f"flangeback.{moment}", swapping)
    monkeypatch.setattr("flangeback.copies.making._WORKERS", 1)  # The swap is made in two steps.
    filled = run(frames, out)
    assert snapshot(frames) == before
    assert not list(theirs.iterdir())
    assert not litter(tmp_path)
    left = [copy for copy in filled.copies if copy.copy is None]
    assert all(copy.match.frame.file.startswith("quay/") for copy in left)


def spelled(frames: Path, tmp_path: Path) -> dict[str, Path]:
    """Output folders that are, lie in, or hold the frames folder, by many spellings."""
    (tmp_path / "link").symlink_to(frames, target_is_directory=True)
    (tmp_path / "into").symlink_to(frames / "quay", target_is_directory=True)
    (tmp_path / "up").symlink_to(tmp_path, target_is_directory=True)
    return {
        "is": frames,
        "in": frames / "new",
        "deep in": frames / "quay" / "b" / "c" / "d",
        "holds": tmp_path,
        "holds all": Path(frames.anchor),
        "dots": frames / "quay" / ".." / ".." / frames.name,
        "dots into": tmp_path / "other" / ".." / frames.name / "new",
        "link": tmp_path / "link",
        "link in": tmp_path / "link" / "new",
        "link into": tmp_path / "into" / "new",
        "link holds": tmp_path / "up",
    }


@pytest.mark.parametrize("which", [
    "is", "in", "deep in", "holds", "holds all", "dots", "dots into", "link", "link in",
    "link into", "link holds",
])  # fmt: skip
def test_the_output_is_never_in_over_or_around_the_frames(
    frames: Path, tmp_path: Path, which: str
) -> None:
    (tmp_path / "other").mkdir()
    place = spelled(frames, tmp_path)[which]
    before = sorted(tmp_path.rglob("*")), snapshot(frames)
    with pytest.raises(InputError, match="originals are never written to"):
        run(frames, place)
    assert (sorted(tmp_path.rglob("*")), snapshot(frames)) == before


def test_an_output_that_is_a_file_is_told(frames: Path, out: Path) -> None:
    out.write_bytes(b"somebody's own")
    with pytest.raises(InputError, match="is a file"):
        run(frames, out)
    assert out.read_bytes() == b"somebody's own"


def test_one_run_at_a_time(frames: Path, out: Path) -> None:
    fcntl = pytest.importorskip("fcntl")
    out.mkdir()
    with (out / MANIFEST).open("ab") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(InputError, match="another run"):
            run(frames, out)
    run(frames, out)
    assert_whole(frames, out)


# When it can't go on.


def test_no_room_is_told_before_anything_is_written(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(frames)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=200_000))
    with pytest.raises(InputError, match="no room on the disk"):
        run(frames, out)
    assert not out.exists()


def test_a_disk_that_states_no_size_is_used(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As network disks mounted by FUSE may."""
    nothing = shutil.disk_usage(frames)._replace(total=0, used=0, free=0)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: nothing)
    run(frames, out)
    assert_whole(frames, out)


def failing_after(count: int, number: int, real: Callable[..., int]) -> Callable[..., int]:
    """A system call that works so many times, then fails for good."""
    calls = iter(range(count))

    def call(*arguments: Any, **more: Any) -> int:
        if next(calls, None) is None:
            raise OSError(number, os.strerror(number))
        return real(*arguments, **more)

    return call


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EIO, os.strerror(errno.EIO)),
        (errno.EDQUOT, os.strerror(errno.EDQUOT)),
    ],
)
@pytest.mark.parametrize("call", ["copy_file_range", "fsync", "utime"])
def test_a_disk_that_fails_keeps_what_is_finished(
    frames: Path,
    out: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    told: str,
    call: str,
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing_after(6, number, getattr(os, call)))
        with pytest.raises(InputError, match=f"(?i){told}.*what was finished is kept"):
            run(frames, out)
    assert not litter(out)
    finished = noted(out)
    before = marks(out)
    assert not verify(out).failed if finished else not set(marks(out)) - {MANIFEST}
    run(frames, out)
    assert {n: marks(out)[n] for n in finished} == {n: before[n] for n in finished}
    assert_whole(frames, out)


@pytest.mark.parametrize("short", [False, True], ids=["no line", "half a line"])
def test_a_disk_too_full_for_the_manifest(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch, short: bool
) -> None:
    """A write may be cut short where the disk fills up (POSIX write)."""
    real, count = os.write, iter(range(10_000))

    def write(file: int, data: Any) -> int:
        if not bytes(data).startswith(b'{"schema"') or next(count) < 5:
            return real(file, data)
        if short:
            return real(file, bytes(data)[:100])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", write)
        with pytest.raises(InputError, match="the disk is full"):
            run(frames, out)
    assert not litter(out)
    assert len(noted(out)) == 4
    run(frames, out)
    assert_whole(frames, out)


LIMITED = """
import resource, sys
from pathlib import Path
from flangeback.copies import FillOptions, fill
from flangeback.errors import InputError
from support.folders import ALL
from support.gear import all_filled

resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
frames = Path(sys.argv[1])
for copy in fill(all_filled(frames, ALL), frames, Path(sys.argv[2])).copies:
    if copy.match.outcome == "unreadable":
        print(copy.match.frame.file, copy.match.reason)
"""


@pytest.mark.skipif(find_spec("resource") is None, reason="this system sets no limits")
def test_a_limit_of_the_system_is_told_and_leaves_no_litter(frames: Path, out: Path) -> None:
    """Files of at most 50,000 bytes: the full frame can't be copied, and stops no other."""
    found = in_a_process(LIMITED, frames, out, 50_000)
    assert found.returncode == 0, found.stderr
    told = dict(line.split(" ", 1) for line in found.stdout.splitlines())
    assert told[FULL] == "its copy can't be made: File too large"
    assert set(noted(out)) == {*SOUND, BROKEN}
    assert not litter(out)
    assert not verify(out).failed
    run(frames, out)
    assert_whole(frames, out)


def test_a_file_system_without_links(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT has none; a card or stick that is to take the copies often is FAT."""
    monkeypatch.setattr(os, "link", failing_after(0, errno.EPERM, os.getpid))
    run(frames, out)
    assert not litter(out)
    assert_whole(frames, out)


def test_a_card_that_vanishes_is_told(frames: Path, out: Path) -> None:
    matches = all_filled(frames, ALL)

    def step(count: int, size: int) -> None:
        if count == 3:
            frames.rename(frames.with_name("gone"))

    with pytest.raises(InputError, match="what was finished is kept") as caught:
        fill(matches, frames, out, FillOptions(), step)
    assert caught.value.problems[0].file == str(frames)
    assert not litter(out)
    assert not verify(out).failed


def refuse(*arguments: Any, **more: Any) -> int:
    raise OSError(errno.EXDEV, "not between these")


def once(real: Callable[..., int]) -> Callable[..., int]:
    """Copies a little, then says it can't."""
    calls = iter(range(1))

    def call(source: int, copy: int, count: int, **more: Any) -> int:
        if next(calls, None) is None:
            return refuse()
        return real(source, copy, min(count, 100), **more)

    return call


@pytest.mark.parametrize("without", ["copy_file_range", "sendfile", "half way"])
@pytest.mark.parametrize("how", ["refused", "missing"])
def test_however_the_bytes_are_copied_they_are_the_same(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, without: str, how: str
) -> None:
    run(frames, tmp_path / "plain")
    calls = ["copy_file_range", "sendfile"][: 2 if without == "sendfile" else 1]
    for call in calls:
        if without == "half way":
            monkeypatch.setattr(os, call, once(getattr(os, call)))
        elif how == "refused":
            monkeypatch.setattr(os, call, refuse, raising=False)
        else:
            monkeypatch.delattr(os, call, raising=False)
    run(frames, tmp_path / "other")
    one, other = snapshot(tmp_path / "plain"), snapshot(tmp_path / "other")
    assert {name: one[name] for name in ALL} == {name: other[name] for name in ALL}
