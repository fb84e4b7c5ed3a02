"""Runs that are disturbed, and the yardstick that all of them are held against.

Always the same: the originals' bytes, times and inodes stay; nothing stands under a final name that
isn't whole and proved; a rerun ends in the same bytes as an undisturbed run; no traceback, no
litter.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import redirect_stdout, suppress
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from flangeback.copies import verify
from support.camera_files import DATE_TIME_ORIGINAL, frame_bytes
from support.kits import WHOLE
from support.plain_jpeg import picture
from support.raw_files import bayer_dng

LOG = "date 2026-05-17\n09:00 k7 miran58 f/2.8\n09:40 k7 f/5.6\n"
LONGEST = 120.0
"""Seconds after which a run counts as hanging."""


@dataclass(frozen=True)
class Ended:
    """How a run ended: its exit code, or minus the signal's number, and what it said."""

    code: int
    said: str


def put_outing(folder: Path, frames: int = 6) -> Path:
    """Frames with and without Exif, a raw file, a damaged frame, a sidecar and a movie."""
    (folder / "day2").mkdir(parents=True)
    for number in range(frames):
        time_ = f"2026:05:17 09:{10 * number % 60:02}:00".encode()
        data = frame_bytes({DATE_TIME_ORIGINAL: time_, 0x927C: bytes(range(200))})
        path = folder / ("day2" if number % 3 == 2 else ".") / f"K7_{number:04}.JPG"
        path.write_bytes(data + os.urandom(3000))
    (folder / "K7_0090.DNG").write_bytes(bayer_dng(sub=True).data)
    (folder / "K7_0091.JPG").write_bytes(picture((64, 32)))
    (folder / "K7_0092.JPG").write_bytes(b"\xff\xd8\xff\xe1\xff\xffcut short")
    (folder / "clip.mov").write_bytes(os.urandom(50_000))
    (folder / "session.txt").write_text(LOG)
    (folder / "kit.toml").write_text(WHOLE)
    for path in folder.rglob("*"):
        os.utime(path, ns=(1_779_000_000_123_456_789, 1_779_000_000_987_654_321))
    return folder


def start(words: Sequence[str | Path], said: Path, hook: Callable[[], None] | None = None) -> int:
    """The number of a process that runs a command; `hook` is called in it before."""
    # An interrupt before the command begins would be Python's matter.
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN)
    child = os.fork()
    if child:
        signal.signal(signal.SIGINT, handler)
        return child
    code = 70
    try:
        os.setpgid(0, 0)
        file = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        for number in (1, 2):
            os.dup2(file, number)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        from flangeback.cli import main

        sys.argv = ["flangeback", *map(str, words)]
        if hook:
            hook()
        signal.signal(signal.SIGINT, signal.default_int_handler)
        main()
        code = 0
    except SystemExit as ending:
        code = ending.code if isinstance(ending.code, int) else 1
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # The command is over.
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except (OSError, ValueError):
                code = code or 71
        os._exit(code)


def ended(child: int, said: Path) -> Ended:
    """Waits for a run to end; one that hangs is killed."""
    limit = time.monotonic() + LONGEST
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > limit:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return Ended(-99, "it hung")
        time.sleep(0.002)
    text = said.read_text("utf-8", "replace") if said.exists() else ""
    return Ended(os.waitstatus_to_exitcode(status), text)


def run(words: Sequence[str | Path], said: Path, hook: Callable[[], None] | None = None) -> Ended:
    """A command from its start to its end."""
    return ended(start(words, said, hook), said)


State = dict[str, tuple[bytes, int, int]]


def state(folder: Path) -> State:
    """Bytes, time of modification and inode of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): (
            path.read_bytes(),
            path.stat().st_mtime_ns,
            path.stat().st_ino,
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def copies(out: Path) -> dict[str, bytes]:
    """What stands under final names, without what flangeback keeps for itself."""
    return {
        name: data
        for name, (data, _, _) in (state(out) if out.exists() else {}).items()
        if not Path(name).name.startswith(("flangeback-", ".flangeback-"))
    }


@dataclass(frozen=True)
class Yardstick:
    """An outing before anything happened to it, and what an undisturbed run makes of it."""

    frames: Path
    before: State
    whole: dict[str, bytes]

    def faults(self, out: Path, found: Ended) -> Iterator[str]:
        """What is wrong after a disturbed run."""
        if state(self.frames) != self.before:
            yield "the originals changed"
        if "Traceback" in found.said or "fault of flangeback" in found.said:
            yield f"a traceback: {found.said[-600:]}"
        if (found.code not in (0, 1, 2, 3) and found.code >= 0) or found.code == -99:
            yield f"exit {found.code}: {found.said[-300:]}"
        for name, data in copies(out).items():
            plain = self.before.get(name, (b"",))[0]
            if data not in (self.whole.get(name), plain):
                yield f"{name} isn't whole"
        if (out / "flangeback-manifest.jsonl").exists() and len(copies(out)):
            failed = verify(out).failed if _has_lines(out) else ()
            yield from (f"{one.copy}: {one.failure}" for one in failed if "gone" not in str(one))

    def faults_after(self, out: Path, rerun: Ended) -> Iterator[str]:
        """What is wrong after an undisturbed rerun."""
        yield from self.faults(out, rerun)
        if rerun.code not in (0, 1):
            yield f"the rerun ended with {rerun.code}: {rerun.said[-300:]}"
        if copies(out) != self.whole:
            now = copies(out)
            names = {n for n in now.keys() | self.whole.keys() if now.get(n) != self.whole.get(n)}
            yield f"the rerun ends otherwise: {sorted(names)}"
        litter = [path.name for path in out.rglob(".*")]
        if litter:
            yield f"litter: {litter}"


def _has_lines(out: Path) -> bool:
    return b"\n" in (out / "flangeback-manifest.jsonl").read_bytes()


def _warm_up(frames: Path, out: Path) -> None:
    """Fills once in this very process, so that none of the others loads a module."""
    from flangeback.cli import main

    before, sys.argv = sys.argv, ["flangeback", "fill", str(frames), "--into", str(out)]
    with redirect_stdout(StringIO()), suppress(SystemExit):
        main()
    sys.argv = before


def yardstick(folder: Path, *options: str, frames: int = 6) -> Yardstick:
    """An outing in `folder`/frames, filled once undisturbed."""
    place = put_outing(folder / "frames", frames)
    before = state(place)
    _warm_up(place, folder / "warm")
    done = run(["fill", place, "--into", folder / "whole", *options], folder / "said")
    assert done.code == 1, done.said
    return Yardstick(place, before, copies(folder / "whole"))
