"""How commands end: one message and exit 2 for whatever keeps them from their work."""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from pathlib import Path

import pytest

import flangeback
from flangeback import cli
from flangeback.cli import ending
from support.commands import put_outing, run, run_script

COMMANDS = [
    ("survey", "FRAMES"),
    ("draft", "FRAMES"),
    ("match", "FRAMES"),
    ("fill", "FRAMES", "--into", "OUT"),
    ("tally", "FRAMES"),
    ("kit", "check", "FRAMES"),
    ("note", "FRAMES/session.txt", "k7", "f/8"),
]


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    return put_outing(tmp_path / "frames")


def worded(frames: Path, *words: str) -> list[str]:
    out = str(frames.parent / "out")
    return [word.replace("FRAMES", str(frames)).replace("OUT", out) for word in words]


@pytest.mark.parametrize("words", COMMANDS)
def test_what_the_system_refuses_is_one_message(
    words: tuple[str, ...], frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(frames))

    for name in ("scan", "read_kit", "read_session", "survey_folder", "tally_folders"):
        monkeypatch.setattr(flangeback, name, refused)
    done = run(*worded(frames, *words))
    assert (done.code, done.out) == (2, "")
    assert done.err == f"{frames}: Input/output error\n"


def test_a_refusal_is_a_document_where_one_was_asked_for(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(frames))

    monkeypatch.setattr(flangeback, "survey_folder", refused)
    done = run("survey", frames, "--json")
    assert done.code == 2
    document = json.loads(done.out)
    assert document["schema"] == "flangeback/error-1"
    assert document["problems"][0]["text"] == "Permission denied"


def test_an_interrupted_command_has_not_done_its_work(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(flangeback, "survey_folder", interrupted)
    assert run("survey", frames).code == 2


def test_a_crash_ends_with_2_and_no_traceback(
    frames: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def crashed(*_: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(flangeback, "survey_folder", crashed)
    monkeypatch.setattr(sys, "argv", ["flangeback", "survey", str(frames)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert told.startswith("a fault of flangeback itself: ZeroDivisionError: division by zero")
    assert len(told.splitlines()) == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "words",
    [("survey", "FRAMES"), ("match", "FRAMES", "--json"), ("--version",), ("kit", "--help")],
)
def test_a_full_disk_under_the_output_is_told(words: tuple[str, ...], frames: Path) -> None:
    command = [sys.executable, "-m", "flangeback", *worded(frames, *words)]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == "No space left on device\n"


def test_a_reader_that_leaves_is_no_fault(frames: Path) -> None:
    command = [sys.executable, "-m", "flangeback", "match", str(frames), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""


def test_a_fault_s_place_and_caret_stand_out_on_a_terminal_alone(
    frames: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = ending._emphasised("s.txt:2:10: what is this?\n    k7 mirn58\n       ^^^^^^")
    assert (
        told
        == "\x1b[1ms.txt:2:10\x1b[0m: what is this?\n    k7 mirn58\n\x1b[31m       ^^^^^^\x1b[0m"
    )
    (frames / "session.txt").write_text("date 2026-05-17\n09:12 k7 mirn58\n")
    assert "\x1b" not in run("match", frames).err


@pytest.mark.parametrize(
    ("environment", "styled"),
    [({}, False), ({"FORCE_COLOR": "1"}, True), ({"FORCE_COLOR": "1", "NO_COLOR": "1"}, False)],
)
def test_styles_are_for_those_who_want_them(
    environment: dict[str, str], styled: bool, frames: Path
) -> None:
    """Common practice: NO_COLOR, FORCE_COLOR; else at a terminal alone."""
    done = run_script("match", frames, cwd=frames, **environment)
    assert ("\x1b[1mk7\x1b[0m" in done.out) is styled
