"""What a terminal shows, whatever its encoding and width; what a program reads is UTF-8."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import sys
from pathlib import Path

import pytest

from flangeback import cli
from flangeback.cli import ending
from support.commands import put_outing, put_time
from support.kits import WHOLE

NAME = "Ωμέγα 58mm"
KIT = WHOLE.replace("Miran 58mm f/2", NAME)
NARROW = "cp1252"
"""A code page of Windows, without Greek."""
COMMANDS = {
    "survey": ("survey", "FRAMES"),
    "draft": ("draft", "FRAMES"),
    "match": ("match", "FRAMES"),
    "explain": ("match", "FRAMES", "--explain", "K7_0201"),
    "fill": ("fill", "FRAMES", "--into", "OUT"),
    "tally": ("tally", "FRAMES"),
    "kit check": ("kit", "check", "FRAMES"),
    "kit fit": ("kit", "fit", "--kit", "FRAMES"),
    "kit card": ("kit", "card", "--kit", "FRAMES"),
    "kit mounts": ("kit", "mounts"),
}


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    return put_outing(tmp_path / "frames", kit=KIT)


def run(words: tuple[str, ...], frames: Path, encoding: str = "utf-8", columns: int = 80) -> bytes:
    """What a command prints on a terminal like this; what it makes, it makes anew."""
    out = frames.parent / "out"
    if "OUT" in words:
        shutil.rmtree(out, ignore_errors=True)
    given = [word.replace("FRAMES", str(frames)).replace("OUT", str(out)) for word in words]
    printed = io.BytesIO()
    with pytest.MonkeyPatch.context() as patch, io.TextIOWrapper(printed, encoding) as terminal:
        patch.setattr(sys, "argv", ["flangeback", *given])
        patch.setattr(sys, "stdout", terminal)
        patch.setenv("COLUMNS", str(columns))
        with pytest.raises(SystemExit) as ended:
            cli.main()
        assert ended.value.code in (0, 1)
        terminal.flush()
        return printed.getvalue()


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_a_terminal_without_a_character_shows_another(words: tuple[str, ...], frames: Path) -> None:
    """The text is the same but for what the encoding lacks."""
    whole = run(words, frames).decode()
    shown = run(words, frames, NARROW)
    if words[0] == "draft":  # What may go into a file is UTF-8.
        assert shown.decode() == whole
        return
    lacking = whole.encode(NARROW, "replace").decode(NARROW)
    # Bars and rules have their own stand-ins.
    assert re.sub(r"[#?]+", "?", shown.decode(NARROW)) == re.sub(r"[#?]+", "?", lacking)


@pytest.mark.parametrize("name", ["survey", "match", "explain", "fill", "tally", "kit check"])
def test_a_document_is_utf_8(name: str, frames: Path) -> None:
    """RFC 8259, 8.1."""
    done = run((*COMMANDS[name], "--json"), frames, NARROW)
    document = json.loads(done.decode("utf-8"))
    assert document["schema"].startswith("flangeback/")
    if name == "kit check":
        assert NAME in done.decode("utf-8")


def test_a_table_for_a_spreadsheet_is_utf_8(frames: Path) -> None:
    run(COMMANDS["fill"], frames)
    done = run(("tally", str(frames.parent / "out"), "--csv"), frames, NARROW)
    assert NAME in done.decode("utf-8")


@pytest.mark.skipif(os.name == "nt" or sys.platform == "darwin", reason="names are UTF-8 there")
@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_a_name_that_is_not_utf_8_is_survived(words: tuple[str, ...], frames: Path) -> None:
    put_time(frames, os.fsdecode(b"K7_\xff.JPG"), "09:43:00")
    run(words, frames)
    if words[0] == "draft":
        run((*words, "-o", "OUT"), frames)
        return
    document = json.loads(run((*words, "--json"), frames).decode("utf-8"))
    if "match-1" in document["schema"] or "fill-1" in document["schema"]:
        assert os.fsdecode(b"K7_\xff.JPG") in [one["file"] for one in document["frames"]]


@pytest.mark.skipif(os.name == "nt" or sys.platform == "darwin", reason="names are UTF-8 there")
def test_a_name_that_is_not_utf_8_is_proved_again(frames: Path) -> None:
    put_time(frames, os.fsdecode(b"K7_\xff.JPG"), "09:43:00")
    out = str(frames.parent / "out")
    run((*COMMANDS["fill"], "--report", f"{out}.html"), frames)
    assert b"5 of 5 copies" in run(("verify", out), frames)
    assert b"K7_\\udcff.JPG" in run(("verify", out, "--json"), frames)
    assert b"K7_" in Path(f"{out}.html").read_bytes()


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_sixty_columns_hold_all_that_more_do(words: tuple[str, ...], frames: Path) -> None:
    """Words go on in the next line; none is cut. Rows of frames leave out when they end."""
    wide = run(words, frames, columns=100).decode()
    narrow = run(words, frames, columns=60).decode()
    assert "…" not in narrow
    if words[0] in ("match", "fill"):
        wide = re.sub(r"-\d\d:\d\d", "", wide)
        narrow = narrow.replace("from  outcome", "outcome")
    bars = str.maketrans("", "", "█ \r\n-─━")
    assert sorted(narrow.translate(bars)) == sorted(wide.translate(bars))
    assert set(re.split(r"[█\s]+", wide)) == set(re.split(r"[█\s]+", narrow))


@pytest.mark.parametrize("group", [(), ("kit",), ("kit", "add")])
def test_the_help_says_whole_what_each_command_does(group: tuple[str, ...], frames: Path) -> None:
    shown = run((*group, "--help"), frames, columns=60).decode()
    assert "Commands:" in shown
    assert "..." not in shown.partition("Commands:")[2]


def test_a_reader_that_leaves_is_no_fault_on_windows(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There a pipe without a reader is an invalid argument (Python's issue 35754)."""
    gone = OSError(errno.EINVAL, "Invalid argument")
    monkeypatch.setattr(sys, "platform", "linux")
    assert not ending._reader_left(gone)
    monkeypatch.setattr(sys, "platform", "win32")
    assert ending._reader_left(gone)
    assert not ending._reader_left(OSError(errno.EINVAL, "Invalid argument", str(frames)))
