"""The commands: how they end, what they print, the documents."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import exifread
import pytest

import flangeback
from support.camera_files import DATE_TIME_ORIGINAL, FOCAL_LENGTH, LENS_MODEL, put_frame
from support.commands import LOG, WIDTH, Ran, put_outing, put_time, run, run_script, tree


@pytest.fixture
def frames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small outing, seen from the folder it lies in."""
    monkeypatch.chdir(tmp_path)
    put_outing(tmp_path / "frames")
    return Path("frames")


def document(ran: Ran) -> dict[str, Any]:
    """The one JSON document on stdout, with nothing after it."""
    found, end = json.JSONDecoder().raw_decode(ran.out)
    assert ran.out[end:].strip() == ""
    assert isinstance(found, dict)
    return found


# How they end ----------------------------------------------------------------------------------


def test_all_well_is_0(frames: Path) -> None:
    assert run("match", frames).code == 0
    assert run("fill", frames, "--into", "out").code == 0
    assert run("verify", "out").code == 0
    assert run("kit", "check", frames / "kit.toml").code == 0
    assert run("--version").out == f"flangeback {flangeback.__version__}\n"


def test_frames_that_need_a_person_are_1(frames: Path) -> None:
    put_time(frames, "K7_0200.JPG", "08:00:00")
    assert run("match", frames).code == 1
    filled = run("fill", frames, "--into", "out")
    assert filled.code == 1
    assert Path("out/K7_0200.JPG").read_bytes() == (frames / "K7_0200.JPG").read_bytes()
    assert run("verify", "out").code == 0


def test_match_shows_what_a_fill_over_the_frames_own_data_would_do(frames: Path) -> None:
    named = {DATE_TIME_ORIGINAL: b"2026:05:17 09:50:00", LENS_MODEL: b"Brask Tele 135mm f/3.5"}
    put_frame(frames, "K7_0205.JPG", named)
    assert run("fill", frames, "--into", "out", "--over").code == 0
    ran = run("match", frames, "--into", "out", "--over")
    assert ran.code == 0
    assert "5 kept" in ran.out
    worse = run("match", frames, "--into", "out").out
    assert "would lose" in worse
    assert "unless --take-back is given" in " ".join(worse.split())
    assert run("match", frames, "--explain", "K7_0205").out.startswith("K7_0205.JPG: conflict")
    over = run("match", frames, "--over", "--explain", "K7_0205")
    assert over.out.startswith("K7_0205.JPG: fill")


@pytest.mark.parametrize("entry", ["09:12 k7 miran58", "09:12 k7 miran58 f/?"])
def test_partial_is_for_a_person(frames: Path, entry: str) -> None:
    (frames / "session.txt").write_text(f"date 2026-05-17\n{entry}\n")
    assert run("match", frames).code == 1


def test_a_copy_that_changed_is_3_and_named(frames: Path) -> None:
    run("fill", frames, "--into", "out")
    copy = Path("out/K7_0202.JPG")
    data = bytearray(copy.read_bytes())
    data[-10] ^= 1
    copy.write_bytes(data)
    ran = run("verify", "out")
    assert ran.code == 3
    assert "K7_0202.JPG" in ran.out
    assert "K7_0203.JPG" not in ran.out
    told = document(run("verify", "out", "--json"))
    assert [one["copy"] for one in told["copies"] if not one["verified"]] == ["K7_0202.JPG"]
    assert told["totals"] == {"verified": 3, "failed": 1}


def test_wrong_words_are_2(frames: Path) -> None:
    for words in (("matsch",), ("match",), ("match", str(frames), "--no"), ("fill", str(frames))):
        ran = run(*words)
        assert ran.code == 2
        assert ran.err
        assert not ran.out
    assert sorted(path.name for path in Path().iterdir()) == ["frames"]


def test_the_installed_script_ends_alike(frames: Path) -> None:
    here = Path.cwd()
    assert run_script("match", frames, cwd=here).code == 0
    assert run_script("match", "nowhere", cwd=here).code == 2
    assert run_script("fill", frames, "--into", "out", cwd=here).code == 0
    with Path("out/K7_0201.JPG").open("ab") as copy:
        copy.write(b"x")
    ran = run_script("verify", "out", cwd=here)
    assert ran.code == 3
    assert "K7_0201.JPG" in ran.out
    assert not ran.err


def test_output_that_is_no_terminal_has_no_colours_and_no_progress(frames: Path) -> None:
    ran = run_script("fill", frames, "--into", "out", cwd=Path.cwd())
    assert "\x1b" not in ran.out
    assert ran.err == ""


def test_text_beyond_ascii_prints_in_a_plain_locale(frames: Path) -> None:
    kit = (frames / "kit.toml").read_text("utf-8").replace("Miran 58mm f/2", "Mirån 58mm ƒ/2")
    (frames / "kit.toml").write_text(kit, "utf-8")
    ran = run_script("kit", "check", frames / "kit.toml", cwd=Path.cwd(), PYTHONUTF8="1")
    assert ran.code == 0
    assert "Mirån 58mm ƒ/2" in ran.out


# What they do ----------------------------------------------------------------------------------


def test_match_writes_nothing(frames: Path) -> None:
    before = tree(Path())
    run("match", frames)
    run("match", frames, "--json")
    assert tree(Path()) == before


def test_fill_leaves_the_frames_alone_and_copies_them_all(frames: Path) -> None:
    put_time(frames, "sub/K7_0300.JPG", "09:50:00")
    before = tree(frames)
    run("fill", frames, "--into", "out")
    assert tree(frames) == before
    copies = sorted(path.relative_to("out").as_posix() for path in Path("out").rglob("*.JPG"))
    assert copies == [f"K7_020{n}.JPG" for n in range(1, 5)] + ["sub/K7_0300.JPG"]
    with Path("out/sub/K7_0300.JPG").open("rb") as copy:
        tags = exifread.process_file(copy)
    assert str(tags["EXIF LensModel"]) == "Miran 58mm f/2"
    assert str(tags["EXIF FNumber"]) == "28/5"  # 5.6 as ExifRead shows it


def test_fill_again_makes_nothing_anew(frames: Path) -> None:
    run("fill", frames, "--into", "out")
    before = tree(Path("out"))
    ran = run("fill", frames, "--into", "out")
    assert ran.code == 0
    assert "4 stood there already" in ran.out
    after = tree(Path("out"))
    manifest = "flangeback-manifest.jsonl"
    assert {name: at for name, at in after.items() if name != manifest} == {
        name: at for name, at in before.items() if name != manifest
    }


def test_log_and_kit_may_lie_elsewhere_and_logs_may_be_several(frames: Path) -> None:
    (frames / "session.txt").rename("one.txt")
    (frames / "kit.toml").rename("mine.toml")
    Path("other.txt").write_text("date 2026-05-17\n09:40:30 n2 tolvan28 f/4\n")
    ran = run("match", frames, "--log", "one.txt", "--log", "other.txt", "--kit", "mine.toml")
    assert ran.code == 0


def test_over_writes_over_what_contradicts(frames: Path) -> None:
    data = {0x9003: b"2026:05:17 09:13:30", 0xA434: b"Kestrin 24-70mm F4", 0x829D: (8, 1)}
    put_frame(frames, "K7_0205.JPG", data)
    kept = document(run("fill", frames, "--into", "kept", "--json"))
    assert kept["totals"] == {"fill": 4, "conflict": 1}
    over = document(run("fill", frames, "--into", "over", "--over", "--json"))
    assert over["totals"] == {"fill": 5}


# Documents -------------------------------------------------------------------------------------

TEXT: set[type] = {str}
NUMBER: set[type] = {int, float}
FRAME: dict[str, set[type]] = {
    "file": TEXT,
    "body": TEXT,
    "camera_time": TEXT,
    "time": TEXT,
    "outcome": TEXT,
    "lens": TEXT,
    "adapter": TEXT,
    "f_number": NUMBER,
    "focal_length": NUMBER,
    "focal_length_35mm": {int},
    "log_line": {int},
    "doubts": {list},
}
"""The documented members of a frame, and their types where they are known."""


def check_frames(found: dict[str, Any]) -> None:
    for frame in found["frames"]:
        assert frame.keys() >= FRAME.keys()
        for name, types in FRAME.items():
            assert frame[name] is None or type(frame[name]) in types, name
        for doubt in frame["doubts"]:
            assert doubt.keys() == {"kind", "text"}
    assert sum(found["totals"].values()) == len(found["frames"])


def test_the_documented_example(frames: Path) -> None:
    for path in frames.glob("*.JPG"):
        path.unlink()
    put_time(frames, "K7_0001.JPG", "09:16:04")
    (frames / "session.txt").write_text(
        "# Lindholm harbour\n\n\ndate 2026-05-17\nzone Europe/Stockholm\nclock k7 fast 3m20s\n"
        "\n09:12        k7 miran58 f/2.8 via m42-e\n"
    )
    found = document(run("match", frames, "--json"))
    check_frames(found)
    assert (found["schema"], found["totals"]) == ("flangeback/match-1", {"fill": 1})
    (clock,) = found["clocks"]
    assert tuple(clock) == ("body", "stated_s", "source", "fits_s", "odds", "agrees")
    (frame,) = found["frames"]
    assert frame["doubts"][0].pop("text")
    documented = {
        "file": "K7_0001.JPG",
        "body": "k7",
        "camera_time": "2026-05-17T09:16:04",
        "time": "2026-05-17T09:12:44+02:00",
        "outcome": "fill",
        "lens": "miran58",
        "adapter": "m42-e",
        "f_number": 2.8,
        "focal_length": 58.0,
        "focal_length_35mm": 58,
        "log_line": 8,
        "doubts": [{"kind": "near-change"}],
    }
    assert {name: frame[name] for name in documented} == documented
    assert type(frame["focal_length"]) is float


def test_what_is_not_filled_is_null(frames: Path) -> None:
    put_time(frames, "sub/K7_0300.JPG", "08:00:00")
    put_frame(frames, "K7_0301.JPG", {FOCAL_LENGTH: (50, 1)}, model=None)
    (frames / "K7_0302.JPG").write_bytes(b"no picture")
    found = document(run("match", frames, "--json"))
    check_frames(found)
    by_file = {frame["file"]: frame for frame in found["frames"]}
    for file, outcome in (
        ("sub/K7_0300.JPG", "unlogged"),
        ("K7_0301.JPG", "unlogged"),
        ("K7_0302.JPG", "unreadable"),
    ):
        frame = by_file[file]
        assert frame["outcome"] == outcome
        for name in ("lens", "adapter", "f_number", "focal_length", "focal_length_35mm"):
            assert frame[name] is None
    assert by_file["K7_0301.JPG"]["camera_time"] is None
    assert by_file["K7_0302.JPG"]["body"] is None


def test_fill_adds_the_copy_and_whether_it_is_verified(frames: Path) -> None:
    ran = run("fill", frames, "--into", "out", "--json")
    found = document(ran)
    check_frames(found)
    assert found["schema"] == "flangeback/fill-1"
    assert [frame["copy"] for frame in found["frames"]] == [f"K7_020{n}.JPG" for n in range(1, 5)]
    assert all(frame["verified"] is True for frame in found["frames"])
    assert ran.err == ""


def test_match_and_fill_tell_alike(frames: Path) -> None:
    told = document(run("match", frames, "--json"))
    filled = document(run("fill", frames, "--into", "out", "--json"))
    for one, other in zip(told["frames"], filled["frames"], strict=True):
        assert {name: other[name] for name in one} == one
    assert told["totals"] == filled["totals"]


def test_verify_and_kit_documents(frames: Path) -> None:
    run("fill", frames, "--into", "out")
    verified = document(run("verify", "out", "--json"))
    assert verified["totals"] == {"verified": 4}
    kit = document(run("kit", "check", frames / "kit.toml", "--json"))
    assert kit["bodies"]["k7"]["sensor"] == [35.9, 23.9]
    assert kit["lenses"]["zoom3570"]["widest"] == [3.5, 4.5]
    assert kit["adapters"]["f-e-reducer"] == {
        "lens_mount": "F",
        "body_mount": "E",
        "kind": "reducer",
        "factor": 0.71,
        "thickness": None,
        "understood": False,
    }


def test_wrong_input_is_one_document_too(frames: Path) -> None:
    (frames / "session.txt").write_text(LOG.replace("miran58", "mirn58"))
    ran = run("match", frames, "--json")
    assert ran.code == 2
    (problem,) = document(ran)["problems"]
    assert (problem["line"], problem["suggestion"]) == (2, "miran58")
    assert problem["file"] == str(frames / "session.txt")


# Tables ----------------------------------------------------------------------------------------


def check_width(ran: Ran) -> None:
    assert [line for line in ran.out.splitlines() if len(line) > WIDTH] == []


def test_tables_fit_80_columns(frames: Path) -> None:
    put_time(frames, "a-rather-long-folder-name/A_VERY_LONG_FRAME_NAME_0001.JPG", "09:40:30")
    put_time(frames, "K7_0200.JPG", "08:00:00")
    (frames / "K7_0302.JPG").write_bytes(b"no picture")
    for words in (
        ("match", str(frames)),
        ("fill", str(frames), "--into", "out"),
        ("verify", "out"),
        ("kit", "check", str(frames / "kit.toml")),
    ):
        ran = run(*words)
        assert ran.out
        check_width(ran)


def test_the_table_groups_frames_by_span_with_totals_last(frames: Path) -> None:
    lines = run("match", frames).out.splitlines()
    assert lines[0].split() == ["k7", "Kestrin", "K7"]
    assert lines[1].split() == ["frames", "count", "2026-05-17", "outcome", "lens", "f/", "mm"]
    rows = [line.split() for line in lines[2:4]]
    assert rows == [
        ["K7_0201..0202", "2", "09:13-09:14", "fill", "miran58", "2.8", "58"],
        ["K7_0203..0204", "2", "09:41-09:42", "fill", "miran58", "5.6", "58"],
    ]
    assert lines[-2] == "4 frames: 4 fill"
    assert lines[-1].split()[:2] == ["fill", "lens,"]  # what the words mean


def test_columns_stand_under_their_headings(frames: Path) -> None:
    put_time(frames, "K7_0205.JPG", "09:40:30")
    lines = run("match", frames).out.splitlines()
    rows = [line for line in lines if line.startswith("K7_")]
    at = lines[1].index("outcome")
    assert len(rows) == 3
    assert all(re.match(r"(fill|partial) ", row[at:]) for row in rows)


def test_doubts_are_told_in_words(frames: Path) -> None:
    put_time(frames, "K7_0205.JPG", "09:40:30")
    out = run("match", frames).out
    assert "near-change: made within the change of line 3: f/2.8 or f/5.6" in out


def test_names_with_brackets_are_names(frames: Path) -> None:
    put_time(frames, "x[/b]_0001.JPG", "09:40:30")
    kit = (frames / "kit.toml").read_text().replace("Miran 58mm f/2", "Miran [red] :star: [/b]")
    (frames / "kit.toml").write_text(kit)
    assert "x[/b]_0001" in run("match", frames).out
    out = Path("out[/x]")
    filled = run("fill", frames, "--into", out)
    assert filled.code == 1
    assert f"in {out}" in filled.out
    assert str(out) in run("verify", out).out
    checked = run("kit", "check", frames / "kit.toml").out
    assert "Miran [red] :star: [/b]" in " ".join(checked.split())


def test_help_names_every_command_and_shows_an_example() -> None:
    out = run("--help").out
    for command in ("demo", "match", "fill", "verify", "kit"):
        assert command in out
        if command != "kit":
            assert f"Example: flangeback {command}" in " ".join(run(command, "--help").out.split())


def test_the_shell_completes_names_of_frames_and_words_of_an_entry(frames: Path) -> None:
    """In the way that Click asks for it (documentation of Click, shell completion)."""

    def completed(line: str) -> list[str]:
        at = str(len(line.split()) - 1)
        asked = {"_FLANGEBACK_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": at}
        return run_script(cwd=Path.cwd(), **asked).out.split()

    assert completed("flangeback match frames --explain K7_020") == [
        "K7_0201",
        "K7_0202",
        "K7_0203",
        "K7_0204",
    ]
    assert completed("flangeback note frames/session.txt mir") == ["miran58"]
