"""Systems that lack something, or refuse it: what flangeback asks of them still holds.

What a system lacks is taken away from Python's own modules; what it refuses is refused with the
numbers of POSIX.1-2017 (errno.h).
"""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from flangeback import locks, saving, system
from flangeback.errors import InputError
from support import fakes

DATA = bytes(range(256)) * 1000


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "frame"
    path.write_bytes(DATA)
    return path


@pytest.fixture
def opened(file: Path) -> Iterator[int]:
    descriptor = system.open_to_read(file)
    yield descriptor
    os.close(descriptor)


def refusing(number: int) -> Callable[..., Any]:
    def refuse(*_: object, **__: object) -> Any:
        raise OSError(number, os.strerror(number))

    return refuse


@pytest.mark.parametrize("has_pread", [True, False])
def test_a_positioned_read_leaves_the_position(
    opened: int, monkeypatch: pytest.MonkeyPatch, has_pread: bool
) -> None:
    if not has_pread:
        monkeypatch.delattr(os, "pread", raising=False)
    os.lseek(opened, 7, os.SEEK_SET)
    assert system.pread(opened, 10, 300) == DATA[300:310]
    assert system.pread(opened, 10, len(DATA) - 3) == DATA[-3:]
    assert os.read(opened, 3) == DATA[7:10]


@pytest.mark.parametrize("missing", [(), ("copy_file_range",), ("copy_file_range", "sendfile")])
def test_a_range_is_copied_with_what_there_is(
    opened: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: tuple[str, ...]
) -> None:
    for name in missing:
        monkeypatch.delattr(os, name, raising=False)
    copy = system.open_new(tmp_path / "copy")
    system.copy_range(opened, copy, 100, 200_000)
    os.close(copy)
    assert (tmp_path / "copy").read_bytes() == DATA[100:200_100]


@pytest.mark.parametrize("number", [errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP])
def test_a_kernel_that_refuses_to_copy_is_done_without(
    opened: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    monkeypatch.setattr(os, "copy_file_range", refusing(number), raising=False)
    monkeypatch.setattr(os, "sendfile", refusing(number), raising=False)
    copy = system.open_new(tmp_path / "copy")
    system.copy_range(opened, copy, 0, len(DATA))
    os.close(copy)
    assert (tmp_path / "copy").read_bytes() == DATA


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_fails_is_told(
    opened: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    monkeypatch.setattr(os, "copy_file_range", refusing(number), raising=False)
    copy = system.open_new(tmp_path / "copy")
    with pytest.raises(OSError, match=os.strerror(number)):
        system.copy_range(opened, copy, 0, len(DATA))
    os.close(copy)


def test_a_source_that_was_cut_is_told(opened: int, tmp_path: Path) -> None:
    copy = system.open_new(tmp_path / "copy")
    with pytest.raises(OSError, match="ended while it was copied"):
        system.copy_range(opened, copy, 0, len(DATA) + 1)
    os.close(copy)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "frame")
    with pytest.raises(OSError, match="not a regular file"):
        system.open_to_read(tmp_path / "frame")


def test_a_text_of_absurd_size_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "session.txt"
    path.write_bytes(b"all k7\n")
    assert system.read_text_file(path) == b"all k7\n"
    os.truncate(path, 1 << 30)
    with pytest.raises(InputError, match="more than 16 MiB"):
        system.read_text_file(path)


@pytest.mark.parametrize("has_links", [True, False])
def test_a_new_name_never_takes_anothers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_links: bool
) -> None:
    if not has_links:
        monkeypatch.setattr(os, "link", refusing(errno.EPERM))
    part, target = tmp_path / "part", tmp_path / "copy"
    part.write_bytes(b"copy")
    target.write_bytes(b"somebody's")
    with pytest.raises(FileExistsError):
        system.rename_new(part, target)
    assert target.read_bytes() == b"somebody's"
    target.unlink()
    system.rename_new(part, target)
    assert target.read_bytes() == b"copy"
    assert not part.exists()


def held_elsewhere(code: int) -> OSError:
    """An error as Windows has it, with a code of its own."""
    error = PermissionError(errno.EACCES, "held", None, code)
    if os.name != "nt":
        vars(error)["winerror"] = code
    return error


@pytest.mark.parametrize("code", [5, 32, 33])
def test_a_file_that_another_program_holds_is_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    """Windows' ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION."""
    part, target = tmp_path / "part", tmp_path / "copy"
    refusals = [code, code]

    def held(name: str) -> None:
        really = getattr(os, name)

        def call(*words: Any) -> None:
            if refusals:
                raise held_elsewhere(refusals.pop())
            really(*words)

        monkeypatch.setattr(os, name, call)

    held("rename")
    held("replace")
    monkeypatch.setattr(system, "_RENAME_IS_OF_NEW", True)
    monkeypatch.setattr("time.sleep", lambda _: None)
    part.write_bytes(b"copy")
    system.rename_new(part, target)
    refusals += [code, code]
    part.write_bytes(b"newer")
    system.rename(part, target)
    assert target.read_bytes() == b"newer"
    refusals += [code] * 100
    with pytest.raises(PermissionError):
        system.rename(target, part)
    assert target.read_bytes() == b"newer"


def test_saving_keeps_permissions_and_links(tmp_path: Path) -> None:
    target, link = tmp_path / "session.txt", tmp_path / "link.txt"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link.symlink_to(target)
    saving.save(link, b"new")
    assert target.read_bytes() == b"new"
    assert link.is_symlink()
    assert target.stat().st_mode & 0o777 == 0o640
    assert len(list(tmp_path.iterdir())) == 2


def test_only_regular_files_are_saved_over(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "kit.toml")
    for path in (tmp_path / "kit.toml", Path(os.devnull)):
        with pytest.raises(InputError, match="not a regular file"):
            saving.save(path, b"new")
    assert not Path(os.devnull).is_file()


def test_nothing_is_saved_under_a_name_that_is_taken(tmp_path: Path) -> None:
    (tmp_path / "log.txt").symlink_to("nowhere")
    with pytest.raises(InputError, match="stands there already"):
        saving.save_new(tmp_path / "log.txt", b"new")
    saving.save_new(tmp_path / "other.txt", b"new")
    assert (tmp_path / "other.txt").read_bytes() == b"new"
    assert len(list(tmp_path.iterdir())) == 2


def test_what_a_killed_save_left_is_cleared(tmp_path: Path) -> None:
    left = system.part_name(tmp_path)
    left.write_bytes(b"half")
    with locks.held(tmp_path / "session.txt"):
        assert not left.exists()


@pytest.mark.parametrize("what", ["fsync", "write"])
def test_what_cant_be_saved_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    target = tmp_path / "session.txt"
    target.write_bytes(b"old")
    monkeypatch.setattr(os, what, refusing(errno.ENOSPC))
    with pytest.raises(InputError, match="No space left on device; it is left as it was"):
        saving.save(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP])
def test_a_file_system_without_sync_is_used_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    monkeypatch.setattr(os, "fsync", refusing(number))
    saving.save(tmp_path / "session.txt", b"new")
    assert (tmp_path / "session.txt").read_bytes() == b"new"


@pytest.mark.parametrize("is_refused", [False, True])
def test_what_only_a_full_sync_brings_to_disk_is_synced_so(
    file: Path, monkeypatch: pytest.MonkeyPatch, is_refused: bool
) -> None:
    """Apple's fsync(2): only fcntl's F_FULLFSYNC empties the disk's own memory. Network disks
    refuse it (common practice)."""
    fcntl = pytest.importorskip("fcntl")
    asked: list[object] = []

    def controlled(_: int, what: object) -> None:
        asked.append(what)
        if is_refused:
            refusing(errno.ENOTSUP)()

    monkeypatch.setattr(fcntl, "F_FULLFSYNC", "full", raising=False)
    monkeypatch.setattr(fcntl, "fcntl", controlled)
    monkeypatch.setattr(os, "fsync", asked.append)
    descriptor = system.open_to_append(file)
    system.sync_file(descriptor)
    os.close(descriptor)
    assert asked == ["full", descriptor][: 1 + is_refused]


def test_times_that_are_refused_are_left(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "utime", refusing(errno.EPERM))
    system.set_times(file, 1, 1)
    assert file.read_bytes() == DATA


# Locks.

HOLDER = """
import os, sys
from pathlib import Path
from flangeback import locks, saving, system

file = system.open_to_append(Path(sys.argv[1]))
assert locks.lock(file)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_file_is_locked_by_one_process_at_a_time(file: Path) -> None:
    command = [sys.executable, "-c", HOLDER, str(file)]
    own = system.open_to_append(file)
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == b"held"
        assert not locks.lock(own)
        holder.communicate(b"")
    assert locks.lock(own)
    os.close(own)


@pytest.mark.parametrize("number", [errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK, errno.EBADF])
def test_a_lock_that_is_not_supported_is_no_other_run(
    file: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    pytest.importorskip("fcntl")
    monkeypatch.setattr("fcntl.flock", refusing(number))
    descriptor = system.open_to_append(file)
    assert locks.lock(descriptor)
    os.close(descriptor)
    with locks.held(file):
        pass


def test_a_system_that_locks_bytes_locks_one_behind_the_file(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked: list[tuple[int, int, int]] = []

    def locking(descriptor: int, mode: int, count: int) -> None:
        locked.append((os.lseek(descriptor, 0, os.SEEK_CUR), mode, count))

    fakes.locking_bytes(monkeypatch, locking)
    descriptor = system.open_to_append(file)
    assert locks.lock(descriptor)
    assert os.read(descriptor, 3) == DATA[:3]
    os.write(descriptor, b"more")
    os.close(descriptor)
    assert file.read_bytes() == DATA + b"more"
    assert locked == [(0x7FFF_FFFE, 2, 1)]


HELD = [errno.EACCES, errno.EDEADLK, 0]
"""What the C runtime of Windows answers for a byte that is locked, and Wine's, which has no
number for it."""


@pytest.mark.parametrize("number", HELD)
def test_a_byte_that_another_process_locked_is_held(
    file: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    fakes.locking_bytes(monkeypatch, refusing(number))
    descriptor = system.open_to_append(file)
    assert not locks.lock(descriptor)
    os.close(descriptor)


def test_a_system_that_locks_bytes_is_waited_for(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter([*HELD, None])

    def locking(*_: int) -> None:
        if (number := next(answers)) is not None:
            refusing(number)()

    fakes.locking_bytes(monkeypatch, locking)
    with locks.held(file):
        assert next(answers, "all") == "all"


def test_what_stays_locked_is_told_and_not_done_without(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes.without_fcntl(monkeypatch)
    monkeypatch.setattr(locks, "_LONGEST_WAIT", 0)
    with (
        locks.held(file),
        pytest.raises(InputError, match="another program keeps it locked"),
        locks.held(file),
    ):
        pass
    with locks.held(file):
        pass


def test_with_locks_of_bytes_one_after_the_other_has_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fakes.without_fcntl(monkeypatch)
    counted = tmp_path / "count"
    counted.write_text("0")

    def count(_: int) -> None:
        with locks.held(counted):
            number = int(counted.read_text())
            time.sleep(0.001)
            counted.write_text(str(number + 1))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(count, range(40)))
    assert counted.read_text() == "40"


def test_a_folder_that_is_not_there_cant_be_held(tmp_path: Path) -> None:
    with (
        pytest.raises(InputError, match="can't be opened: No such file"),
        locks.held(tmp_path / "gone" / "session.txt"),
    ):
        pass


def test_cores_are_counted_where_a_process_has_no_affinity(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As on macOS and Windows (os.sched_getaffinity, Python's documentation: some Unix systems)."""
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    assert system.cores() == 3
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert system.cores() == 1
