"""Several outings in one run: each by its own log, into a folder of its own."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from flangeback import InputError, find_outings
from flangeback.demo import Outing
from flangeback.log import parse_log
from flangeback.log.vocabulary import LINE_WORDS
from flangeback.match import DoubtKind, Outcome
from flangeback.match.meanings import LOG_WORDS
from flangeback.match.model import Source
from flangeback.report.hints import command, out_beside
from support.commands import pasted, run
from support.kits import whole_kit

SOUND = ("K7_0202.JPG", "K7_0203.JPG", "K7_0206.JPG")
LOG = "date 2026-05-17\nzone Europe/Stockholm\nclock k7 fast 3m20s\n09:12:00 k7 miran58 f/2.8\n"
"""By it the three come to fill."""


def make(folder: Path, outing: Outing, log: str | None = LOG) -> Path:
    folder.mkdir(parents=True)
    for name in SOUND:
        shutil.copy(outing.frames / name, folder)
    if log is not None:
        (folder / "session.txt").write_text(log)
    return folder


@pytest.fixture
def year(outing: Outing, tmp_path: Path) -> Path:
    """A folder of three outings and their kit; the second one's log has a fault."""
    year = tmp_path / "year"
    make(year / "day1", outing)
    make(year / "day2", outing, LOG + "09:20 k7 mirann\n")
    make(year / "trip" / "day3", outing)
    shutil.copy(outing.kit, year)
    return year


def outings(*words: str | Path) -> dict[str, Any]:
    document = json.loads(run(*words, "--json").out)
    assert document["schema"] == "flangeback/outings-1"
    return {one["folder"]: one for one in document["outings"]}


def test_one_broken_outing_does_not_stop_the_others(year: Path) -> None:
    found = outings("match", year)
    assert list(found) == ["day1", "day2", "trip/day3"]
    assert found["day1"]["totals"] == found["trip/day3"]["totals"] == {"fill": 3}
    assert found["day2"]["schema"] == "flangeback/error-1"
    assert "mirann" in found["day2"]["problems"][0]["text"]
    done = run("match", year)
    assert done.code == 2
    assert "mirann" in done.err
    rows = [line.split() for line in done.out.splitlines()[-3:]]
    assert [row[0] for row in rows] == ["day1", "day2", "trip/day3"]
    assert "done:" in rows[1]


def test_a_folder_that_is_not_there_does_not_stop_the_others(year: Path, tmp_path: Path) -> None:
    day1, day9, out = year / "day1", year / "day9", tmp_path / "filled"
    found = outings("match", day1, day9)
    assert found["day1"]["totals"] == {"fill": 3}
    assert found["day9"]["problems"][0]["text"] == "there is no such folder"
    filled = run("fill", day1, day9, "--into", out)
    assert (filled.code, "no such folder" in filled.err) == (2, True)
    assert len(list((out / "day1").glob("*.JPG"))) == 3
    assert run("survey", day1, day9).code == 2


def test_a_kit_in_the_folder_above_serves_one_outing_too(
    year: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("match", year / "day1").code == 0
    monkeypatch.chdir(year / "day1")
    assert run("match", ".").code == 0
    assert run("match", ".", "--explain", "K7_0203").code == 0
    assert run("fill", ".", "--into", tmp_path / "filled").code == 0
    (year / "day1" / "kit.toml").write_text("[body.k7]\nmount = 5\n")
    assert run("match", ".").code == 2


def test_copies_go_to_a_folder_of_each(year: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    page = tmp_path / "page.html"
    done = run("fill", year, "--into", out, "--report", page)
    assert done.code == 2
    assert sorted(path.relative_to(out).as_posix() for path in out.rglob("*.JPG")) == [
        f"{folder}/{name}" for folder in ("day1", "trip/day3") for name in SOUND
    ]
    assert sorted(path.name for path in tmp_path.glob("*.html")) == [
        *("page-day1.html", "page-trip-day3.html"),
    ]
    assert f"its page: {tmp_path / 'page-trip-day3.html'}" in done.err
    assert run("verify", out).code == 0  # a folder above stands for those below it
    assert list(outings("verify", out)) == ["day1", "trip/day3"]
    (out / "day1" / SOUND[0]).write_bytes(b"")
    assert run("verify", out).code == 3
    assert run("verify", out, "--mend").code == 0
    # A folder above filled ones stands for them.
    assert json.loads(run("tally", out, "--json").out)["totals"]["filled"] == 6


def test_sound_outings_end_with_0(year: Path, tmp_path: Path) -> None:
    folders = (year / "day1", year / "trip")
    assert run("fill", *folders, "--into", tmp_path / "out").code == 0
    assert (tmp_path / "out" / "trip" / "day3" / "K7_0202.JPG").is_file()
    assert list(outings("survey", *folders)) == ["day1", "trip/day3"]


def test_a_folder_with_a_log_is_one_outing(year: Path) -> None:
    (year / "session.txt").write_text(LOG)
    assert json.loads(run("match", year, "--json").out)["schema"] == "flangeback/match-1"
    assert find_outings([year])[0].name == ""


def test_folders_of_copies_are_no_outings(year: Path, tmp_path: Path) -> None:
    run("fill", year / "day1", "--into", tmp_path / "above" / "filled", "--kit", year / "kit.toml")
    shutil.copy(year / "day1" / "session.txt", tmp_path / "above" / "filled")
    shutil.copytree(year / "day1", tmp_path / "above" / "day1")
    assert [one.name for one in find_outings([tmp_path / "above"])] == ["day1"]


def test_names_are_told_apart_by_what_they_lie_in(outing: Outing, tmp_path: Path) -> None:
    folders = [make(tmp_path / place / "day1", outing) for place in ("a", "b")]
    assert [one.name for one in find_outings(folders)] == ["a/day1", "b/day1"]


def test_what_cannot_be_several(year: Path, tmp_path: Path) -> None:
    day1 = year / "day1"
    with pytest.raises(InputError, match="are those of"):
        find_outings([day1, day1])
    with pytest.raises(InputError, match="are those of"):
        find_outings([day1, year])
    with pytest.raises(InputError, match="no such folder"):
        find_outings([year / "day9"])
    with pytest.raises(InputError, match="goes with one folder"):
        find_outings([day1, year / "trip"], [day1 / "session.txt"])
    assert run("match", year, "--explain", "K7_0202").code == 2
    # The copies of several may not lie among the frames of any, nor in the folder above them.
    for place in (year / "out", day1 / "out", year):
        assert run("fill", year, "--into", place).code == 2
    assert not list(year.rglob("*.jsonl"))


# Words and hints -------------------------------------------------------------------------------


@pytest.mark.parametrize("word", [*Outcome, *DoubtKind, *Source, *LOG_WORDS, *LINE_WORDS])
def test_every_word_is_explained_without_a_folder(word: str) -> None:
    done = run("match", "--explain", word.upper())
    assert done.code == 0
    assert word not in LOG_WORDS or "word of the log" in done.out
    assert done.out.startswith(f"{word} (")
    document = json.loads(run("match", "--explain", word, "--json").out)
    assert document["schema"] == "flangeback/meaning-1"
    for line in re.findall("`(.+?)`", document["meaning"]):
        before = "first k7 miran58\n" * line.startswith("then") + "date 2026-05-17\n"
        if line != "sensor":
            parse_log(before * (not line.startswith("date")) + line, whole_kit())


def test_a_word_that_is_none_is_told_with_the_nearest() -> None:
    done = run("match", "--explain", "nearchange")
    assert done.code == 2
    assert 'did you mean "near-change"?' in done.err
    assert run("match").code == 2


def test_meanings_stand_under_the_table_for_what_occurs(outing: Outing) -> None:
    lines = run("match", outing.frames).out.splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("40 frames:"))
    words = [line.split()[0] for line in lines[at + 1 :] if line[:2] == "  " and line[2] != " "]
    totals = json.loads(run("match", outing.frames, "--json").out)["totals"]
    assert words[: len(totals)] == [word for word in Outcome if word in totals]
    assert "near-change" in words
    assert "no-time" not in words


@pytest.mark.parametrize(
    ("given", "out"),
    [("2026-05-17", "2026-05-17-filled"), ("a b/day/", "a b/day-filled"), ("..", None)],
)
def test_a_place_for_the_copies_lies_beside_the_frames(
    given: str, out: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    proposed = out_beside(Path(given))
    assert out is None or proposed == str(Path(out))
    assert Path(given).resolve() not in (
        Path(proposed).resolve(),
        *Path(proposed).resolve().parents,
    )


def test_of_a_whole_card_the_copies_go_to_the_users_own_folder() -> None:
    """`E:` on Windows, say: what lies beside it is on it."""
    assert out_beside(Path(Path.home().anchor)) == str(Path.home() / "frames-filled")


def test_folders_on_two_drives_are_told(year: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows' commonpath and relpath have no answer there (documentation of Python's os.path)."""

    def commonpath(_: object) -> str:
        raise ValueError("Paths don't have the same drive")

    monkeypatch.setattr(os.path, "commonpath", commonpath)
    done = run("survey", year / "day1", year / "day2")
    assert done.code == 2
    assert done.err.startswith("these folders lie on several drives: ")


def test_fill_without_a_place_proposes_one(year: Path) -> None:
    day1 = year / "day1"
    done = run("fill", day1, "--kit", year / "kit.toml")
    assert done.code == 2
    command = done.err.splitlines()[-1]
    words = pasted(command)
    assert words == [
        *("flangeback", "fill", str(day1), "--kit", str(year / "kit.toml")),
        *("--into", f"{day1}-filled"),
    ]
    assert run(*words[1:]).code == 0


@pytest.mark.parametrize(
    ("called", "shown"),
    [
        ("/opt/my tools/flangeback", "'/opt/my tools/flangeback' verify out"),
        (".venv/bin/flangeback", ".venv/bin/flangeback verify out"),
        ("/somewhere/pytest", "flangeback verify out"),
    ],
)
def test_hints_are_called_as_flangeback_was(
    called: str, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", [called])
    monkeypatch.setattr("sys.platform", "linux")
    assert command("verify", "out") == shown


def test_hints_for_a_module(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["/x/flangeback/__main__.py"])
    monkeypatch.setattr("sys.executable", "/usr/bin/python3")
    assert command("tally", "my out") == "/usr/bin/python3 -m flangeback tally 'my out'"


def test_a_folder_in_a_hint_is_no_option(monkeypatch: pytest.MonkeyPatch) -> None:
    """What begins with a dash is one (POSIX.1-2017, 12.2, guideline 4)."""
    monkeypatch.setattr("sys.argv", ["flangeback"])
    dashed = os.path.join(".", "-x")  # noqa: PTH118
    assert command("fill", Path("-x"), "--into", "out") == f"flangeback fill {dashed} --into out"


@pytest.mark.parametrize(
    ("shell", "python", "words", "shown"),
    [
        ("PROMPT", r"C:\py\python.exe", "my out", r'C:\py\python.exe -m flangeback tally "my out"'),
        (
            "PROMPT",
            r"C:\my py\python.exe",
            "a&b",
            r'"C:\my py\python.exe" -m flangeback tally "a&b"',
        ),
        # PowerShell runs what stands in quotes by the call operator alone; in single quotes
        # nothing but a quote means anything (about_Operators, about_Quoting_Rules).
        ("", r"C:\py\python.exe", "my out", r"C:\py\python.exe -m flangeback tally 'my out'"),
        ("", r"C:\my py\python.exe", "x", r"& 'C:\my py\python.exe' -m flangeback tally x"),
        ("", "py", "a,b", "py -m flangeback tally 'a,b'"),
        ("", "py", "Jo's $1 `n", "py -m flangeback tally 'Jo''s $1 `n'"),
        ("MSYSTEM", r"C:\my py\python.exe", "x", r"'C:\my py\python.exe' -m flangeback tally x"),
    ],
)
def test_hints_for_the_shells_of_windows(
    shell: str, python: str, words: str, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("PROMPT", "MSYSTEM"):
        monkeypatch.delenv(name, raising=False)
    if shell:
        monkeypatch.setenv(shell, "$P$G")
    monkeypatch.setattr("sys.argv", ["/x/flangeback/__main__.py"])
    monkeypatch.setattr("sys.executable", python)
    monkeypatch.setattr("sys.platform", "win32")
    assert command("tally", words) == shown


def test_a_page_is_an_html_file(year: Path) -> None:
    for words in (("match", year / "day1"), ("fill", year / "day1", "--into", year / "out")):
        done = run(*words, "--report", "page.pdf")
        assert done.code == 2
        assert "page.html" in done.err
    assert not (year / "out").exists()


def test_files_that_lie_in_no_outing_are_told(year: Path) -> None:
    shutil.rmtree(year / "day2")
    (year / "trip" / "clip.mov").write_bytes(b"movie")
    shutil.copy(year / "day1" / SOUND[0], year / "loose.jpg")
    told = "2 files stay behind that lie in no outing: loose.jpg, trip/clip.mov"
    for words in (("survey", year), ("match", year), ("fill", year, "--into", year.parent / "out")):
        done = run(*words)
        assert told in " ".join(done.out.split())
        # A frame that isn't copied needs a person; a movie alone is counted.
        assert done.code == (0 if words[0] == "survey" else 1)
    (year / "loose.jpg").unlink()
    assert run("fill", year, "--into", year.parent / "out").code == 0
    shutil.copy(year / "day1" / SOUND[0], year / "loose.jpg")
    document = json.loads(run("match", year, "--json").out)
    assert document["outside"] == ["loose.jpg", "trip/clip.mov"]
