"""Work in several processes at once: of the threads of one process Python runs one at a time.

A worker is a program of its own that is fed with pickles through a pipe, alike on every system:
`multiprocessing` would run the caller's main module again, for which a script has to be written.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import PurePath
from threading import Lock
from typing import TypeVar

from flangeback.system import cores

_Part = TypeVar("_Part")
_Result = TypeVar("_Result")

_MOST = 8
"""Processes in all."""
_PARTS_EACH = 4
"""Parts of a work for which a worker is started: they take some hundredths of a second each, and
a start takes a tenth or two."""
_IN_A_ROW = 128
"""Small works, such as reading a file's header, that make a part."""
_PROGRAM = (
    "import sys, pickle; sys.path[:] = pickle.load(sys.stdin.buffer); "
    "from flangeback.workers import serve; serve()"
)

_in_use, _counting, _scopes = Lock(), Lock(), 0
_workers: list[_Worker] = []


class _Lost(Exception):
    """A worker isn't there any more."""


class _Worker:
    """Raises OSError where it can't be started."""

    def __init__(self) -> None:
        import subprocess

        # Nothing of the surroundings decides what it loads: it looks where this process does.
        words = [sys.executable, "-I", "-X", f"utf8={sys.flags.utf8_mode}"]
        words += ["-B"] if sys.dont_write_bytecode else []
        self._process = subprocess.Popen(
            [*words, "-c", _PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # Windows' own.
        )
        with suppress(OSError):  # One that ended at once is found out when it is asked.
            self._send(sys.path)

    def _send(self, what: object) -> None:
        import pickle

        assert self._process.stdin is not None
        pickle.dump(what, self._process.stdin, pickle.HIGHEST_PROTOCOL)
        self._process.stdin.flush()

    def do(self, work: Callable[[_Part], _Result], part: _Part) -> _Result:
        """Raises _Lost where it isn't there any more."""
        import pickle

        try:
            self._send((work, part))
            assert self._process.stdout is not None
            result: _Result = pickle.load(self._process.stdout)
        except (OSError, EOFError, ValueError, pickle.UnpicklingError) as error:
            raise _Lost from error
        return result

    def end(self) -> None:
        self._process.kill()
        with suppress(OSError), self._process:  # It is waited for, and its pipes are closed.
            pass


def serve() -> None:
    """What a worker does until its input ends. A work that fails ends it, and is done elsewhere."""
    import pickle
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Whoever started it ends it.
    asked, told = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr
    while True:
        try:
            work, part = pickle.load(asked)
        except EOFError:
            return
        pickle.dump(work(part), told, pickle.HIGHEST_PROTOCOL)
        told.flush()


@contextmanager
def at_hand() -> Iterator[None]:
    """Inside, workers that a work needed stay for the next; the outermost of these ends them."""
    global _scopes
    with _counting:
        _scopes += 1
    try:
        yield
    finally:
        with _counting:
            _scopes -= 1
            if not _scopes:
                _end_all()


def _end_all() -> None:
    while _workers:
        _workers.pop().end()


def spread(
    work: Callable[[_Part], _Result], parts: Iterable[_Part], count: int
) -> Iterator[_Result]:
    """The results of some work, a function of a module, on so many parts, in their order.

    It is shared by this process and by workers, where there are several cores and parts enough.
    What a worker fails in is done here, so that it raises what it raises. Nothing but time may tell
    the one from the other.
    """
    with at_hand():
        if not _in_use.acquire(blocking=False):  # By another thread of this process.
            yield from map(work, parts)
            return
        try:
            yield from _shared(work, parts) if _start(count) else map(work, parts)
        except BaseException:
            _end_all()
            raise
        finally:
            _in_use.release()


def spread_each(work: Callable[[_Part], _Result], items: Sequence[_Part]) -> Iterator[_Result]:
    """The same of many small works, of which several in a row make a part."""
    rows = [items[at : at + _IN_A_ROW] for at in range(0, len(items), _IN_A_ROW)]
    for results in spread(partial(_row, work), rows, len(rows)):
        yield from results


def _row(work: Callable[[_Part], _Result], items: Sequence[_Part]) -> Sequence[_Result]:
    return [*map(work, items)]


def _start(count: int) -> bool:
    """Starts workers for so many parts if need be; whether there are any."""
    wanted = min(cores(), _MOST, count // _PARTS_EACH) - 1
    is_python = PurePath(sys.executable or "").name.lower().startswith("python")
    if not is_python or getattr(sys, "frozen", False) or count < 2:
        return False
    with suppress(OSError):
        while len(_workers) < wanted:
            _workers.append(_Worker())
    return bool(_workers)


def _shared(work: Callable[[_Part], _Result], parts: Iterable[_Part]) -> Iterator[_Result]:
    from concurrent.futures import ThreadPoolExecutor

    rest, taking = enumerate(parts), Lock()
    found: dict[int, _Result] = {}
    lost: dict[int, _Part] = {}

    def take() -> tuple[int, _Part] | None:
        with taking:
            return next(rest, None)

    def follow(worker: _Worker) -> None:
        while (taken := take()) is not None:
            at, part = taken
            try:
                found[at] = worker.do(work, part)
            except _Lost:
                lost[at] = part
                return

    at = 0
    with ThreadPoolExecutor(len(_workers)) as threads:
        following = [threads.submit(follow, worker) for worker in _workers]
        try:
            while (taken := take()) is not None:
                found[taken[0]] = work(taken[1])
                while at in found:
                    yield found.pop(at)
                    at += 1
            for one in following:
                one.result()
        except BaseException:
            _end_all()  # The threads wait for them.
            raise
    found |= {n: work(part) for n, part in lost.items()}
    yield from (found[n] for n in sorted(found))
