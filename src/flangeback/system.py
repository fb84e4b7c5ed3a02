"""What is asked of the operating system, in the way that each system can.

Whatever not every system has is called here and nowhere else: positioned reads, copies within the
kernel, locks, names that appear at once, what is brought to disk.
"""

from __future__ import annotations

import errno
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from flangeback.errors import InputError

CHUNK = 1 << 17
"""Bytes read at a time from a long file: what a core's cache holds."""
_LONGEST_TEXT = 16 << 20
"""Bytes."""
_RENAME_IS_OF_NEW = os.name == "nt"
"""Whether a rename never takes the place of what somebody else put there."""
_BINARY = getattr(os, "O_BINARY", 0)
_WITHOUT_WAITING = getattr(os, "O_NONBLOCK", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)
_SEEKING = threading.Lock()
_NOT_SUPPORTED = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP})
_NO_KERNEL_COPY = _NOT_SUPPORTED | {errno.EXDEV, errno.EPERM, errno.EBADF, errno.ENOTSOCK}
_REFUSED = _NOT_SUPPORTED | {errno.EPERM, errno.EACCES}
_HELD_BY_ANOTHER = frozenset({5, 32, 33})
"""Windows' error codes where another program has the file open: access denied, sharing, lock."""
_TRIES, _PAUSE = 20, 0.05
Identity = tuple[int, int, int, int]
_PART = ".flangeback-part-"
"""How a file is named that isn't whole yet: short, since names have a greatest length."""


def cores() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def identity(status: os.stat_result) -> Identity:
    """What tells a file, as it is, from any other: device, inode, size, time of modification."""
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns


def way_to(folder: Path, start: Path) -> str:
    """The path to a folder from another; its own where no way leads from one drive to another."""
    try:
        return os.path.relpath(folder, start)
    except ValueError:
        return str(folder)


def open_to_read(path: Path | str) -> int:
    """A regular file's descriptor. Raises OSError, for a pipe or a device too, without waiting."""
    file = os.open(path, os.O_RDONLY | _BINARY | _WITHOUT_WAITING)
    if not stat.S_ISREG(os.fstat(file).st_mode):
        os.close(file)
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    return file


def open_file(path: Path) -> BinaryIO:
    """A regular file, open for reading as bytes. Raises OSError."""
    return os.fdopen(open_to_read(path), "rb")


def reading(file: int) -> BinaryIO:
    """What is in an open file, from where it stands: closing this leaves the file open."""
    return os.fdopen(os.dup(file), "rb")


def read_text_file(path: Path) -> bytes:
    """The bytes of a log, a kit or a sidecar.

    Raises FileNotFoundError, and InputError where it can't be read: it is no regular file, say, or
    longer than anybody writes.
    """
    try:
        with open_file(path) as file:
            content = file.read(_LONGEST_TEXT + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise InputError.at(path, f"can't be read: {error.strerror}") from None
    if len(content) > _LONGEST_TEXT:
        text = f"can't be read: it has more than {_LONGEST_TEXT >> 20} MiB"
        raise InputError.at(path, text)
    return content


def open_new(path: Path) -> int:
    """A new file's descriptor, for writing. Raises OSError, FileExistsError among them."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)


def open_folder(path: Path) -> int:
    """A folder's descriptor. Raises OSError: PermissionError where the system opens no folders."""
    return os.open(path, os.O_RDONLY)


def open_to_append(path: Path) -> int:
    """The descriptor of a regular file, made if need be, whose every write goes to the end.

    Raises OSError, also where the name is a link, or another name leads to the same file: what
    is written would change somebody else's.
    """
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | _BINARY | _WITHOUT_WAITING | _NO_LINK
    if path.is_symlink():  # Not every system has O_NOFOLLOW.
        raise OSError(errno.ELOOP, "is a link", str(path))
    file = os.open(path, flags, 0o666)
    status = os.fstat(file)
    if stat.S_ISREG(status.st_mode) and status.st_nlink == 1:
        return file
    os.close(file)
    what = "has another name too" if stat.S_ISREG(status.st_mode) else "not a regular file"
    raise OSError(errno.EINVAL, what, str(path))


def pread(file: int, count: int, at: int) -> bytes:
    """Up to `count` bytes from offset `at` of an open file, which stays where it is."""
    if hasattr(os, "pread"):
        return os.pread(file, count, at)
    with _SEEKING:
        before = os.lseek(file, 0, os.SEEK_CUR)
        try:
            os.lseek(file, at, os.SEEK_SET)
            return os.read(file, count)
        finally:
            os.lseek(file, before, os.SEEK_SET)


def write_all(file: int, data: bytes) -> None:
    """Writes all of `data` to an open file. Raises OSError."""
    view = memoryview(data)
    while view:
        view = view[os.write(file, view) :]


def append_whole(file: int, data: bytes) -> None:
    """Appends all of `data` to a file of `open_to_append`, or nothing and raises OSError."""
    size = os.fstat(file).st_size
    if os.write(file, data) != len(data):
        os.ftruncate(file, size)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def copy_range(source: int, copy: int, at: int, count: int) -> None:
    """Writes `count` bytes from offset `at` of one open file to the other.

    By copy_file_range, else by sendfile, else through memory. Raises OSError, also where the source
    ends before.
    """
    end = at + count
    for step in (_by_copy_file_range, _by_sendfile, _through_memory):
        try:
            while at < end:
                done = step(source, copy, at, end - at)
                if done == 0:
                    break
                at += done
        except OSError as error:
            if error.errno not in _NO_KERNEL_COPY or step is _through_memory:
                raise
        if at == end:
            return
    raise OSError(errno.EIO, "the file ended while it was copied")


def _by_copy_file_range(source: int, copy: int, at: int, count: int) -> int:
    if not hasattr(os, "copy_file_range"):
        return 0
    return os.copy_file_range(source, copy, count, offset_src=at)


def _by_sendfile(source: int, copy: int, at: int, count: int) -> int:
    if not hasattr(os, "sendfile"):
        return 0
    return os.sendfile(copy, source, at, count)


def _through_memory(source: int, copy: int, at: int, count: int) -> int:
    data = pread(source, min(count, CHUNK), at)
    write_all(copy, data)
    return len(data)


def start_writing_back(file: int) -> None:
    """Has the kernel begin to write a file to disk, so that a later sync has less to wait for."""
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)


def sync_file(file: int) -> None:
    """Brings an open file's bytes to disk, where the file system can, or raises OSError."""
    with suppress(ImportError, OSError):
        import fcntl

        full_sync = getattr(fcntl, "F_FULLFSYNC", None)
        if full_sync is not None:  # macOS: its fsync leaves bytes in the disk's own memory.
            fcntl.fcntl(file, full_sync)
            return
    try:
        os.fsync(file)
    except OSError as error:
        if error.errno not in _NOT_SUPPORTED:
            raise


def sync_folder(folder: Path) -> None:
    """Brings the names in a folder to disk, where the system opens folders."""
    with suppress(OSError), _closing(open_folder(folder)) as descriptor:
        os.fsync(descriptor)


def set_times(path: Path, accessed_ns: int, modified_ns: int) -> bool:
    """Sets times of a file or a folder, in ns; whether its file system takes them."""
    return _tolerated(os.utime, path, ns=(accessed_ns, modified_ns))


def longest_name(folder: Path) -> int:
    """How many bytes a name in it may have, as far as the system says."""
    return os.pathconf(folder, "PC_NAME_MAX") if hasattr(os, "pathconf") else 1 << 16


def copy_attributes(source: int, copy: Path) -> bool:
    """Gives a file the mode, the extended attributes and the times of an open one.

    Whether its file system took them all. Raises OSError where that breaks.
    """
    status = os.fstat(source)
    whole = _tolerated(copy.chmod, stat.S_IMODE(status.st_mode))
    if hasattr(os, "listxattr"):
        with suppress(OSError):
            for name in os.listxattr(source):
                if name.startswith("user."):  # The others are matters of the system's own.
                    value = os.getxattr(source, name)
                    whole &= _tolerated(os.setxattr, copy, name, value)
    return set_times(copy, status.st_atime_ns, status.st_mtime_ns) and whole


def _tolerated(call: Callable[..., None], *arguments: object, **more: object) -> bool:
    """Whether the file system does this for us. Raises OSError where it breaks over it."""
    try:
        call(*arguments, **more)
    except OSError as error:
        if error.errno not in _REFUSED:
            raise
        return False
    return True


def _patiently(call: Callable[..., None], *paths: Path) -> None:
    """Does what Windows refuses while another program holds the file, a virus scanner, say.

    It is tried again for a second. The last file loses a protection for which Windows neither
    replaces nor removes it. Raises OSError.
    """
    for left in reversed(range(_TRIES)):
        try:
            call(*paths)
        except OSError as error:
            if not left or getattr(error, "winerror", None) not in _HELD_BY_ANOTHER:
                raise
            if not _lost_protection(paths[-1]):
                time.sleep(_PAUSE)
        else:
            return


def _lost_protection(path: Path) -> bool:
    """Whether a file was only to be read, as the copy of a protected frame is, and isn't now."""
    with suppress(OSError):
        mode = path.lstat().st_mode
        if stat.S_ISREG(mode) and not mode & stat.S_IWRITE:
            path.chmod(stat.S_IMODE(mode) | stat.S_IWRITE)
            return True
    return False


def remove(path: Path) -> None:
    """Takes a file away, if it is there. Raises OSError."""
    with suppress(FileNotFoundError):
        _patiently(os.unlink, path)


def rename(old: Path, new: Path) -> None:
    """Gives a file another name, whatever has it. Raises OSError."""
    _patiently(os.replace, old, new)


def rename_new(old: Path, new: Path) -> None:
    """Gives a file another name. Raises FileExistsError where something has it, OSError."""
    if _RENAME_IS_OF_NEW:
        _patiently(os.rename, old, new)
        return
    try:
        os.link(old, new)
    except FileExistsError:
        raise
    except OSError:  # A file system without links, such as FAT.
        if os.path.lexists(new):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(new)) from None
        os.rename(old, new)  # noqa: PTH104
    else:
        remove(old)


def part_name(folder: Path) -> Path:
    """A name in this folder for a file that isn't whole yet."""
    return folder / f"{_PART}{os.urandom(4).hex()}"


def is_part(name: str) -> bool:
    """Whether a file of this name isn't whole yet."""
    return name.startswith(_PART)


def write_part(part: Path, content: bytes, like: Path) -> None:
    """Writes a new file with the permissions of another, if that is there. Raises OSError.

    Where the system has files without a name, it gets one only when it is whole.
    """
    nameless = _open_nameless(part.parent)
    if nameless is not None:
        with _closing(nameless) as file:
            _fill(file, content, like)
            # Only with a folder's descriptor does Python follow the link to the file itself.
            if _tolerated(os.link, f"/proc/self/fd/{file}", part, src_dir_fd=file):
                return
    with _closing(open_new(part)) as file:
        _fill(file, content, like)


def _fill(file: int, content: bytes, like: Path) -> None:
    write_all(file, content)
    if like.exists() and os.chmod in os.supports_fd:
        _tolerated(os.chmod, file, stat.S_IMODE(like.stat().st_mode))
    sync_file(file)


def terminal_columns(usual: int) -> int:
    """How many columns the terminal has to which a standard stream leads; else `usual`."""
    for stream in (1, 2, 0):  # The output may go to a pager.
        with suppress(OSError):
            return os.get_terminal_size(stream).columns or usual
    return usual


def discard_output(file: int) -> None:
    """Sends what is still to be written to an open file nowhere. Raises OSError."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, file)
    os.close(nowhere)


@contextmanager
def _closing(file: int) -> Iterator[int]:
    try:
        yield file
    finally:
        os.close(file)


def _open_nameless(folder: Path) -> int | None:
    if hasattr(os, "O_TMPFILE") and Path("/proc/self/fd").is_dir():
        with suppress(OSError):
            return os.open(folder, os.O_TMPFILE | os.O_WRONLY, 0o666)
    return None
